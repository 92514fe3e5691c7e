//! The stops of a campaign: the longest of each machine, what distance that asks for, and what the arms came near to.
//!
//! Counted row by row: a campaign of millions takes no more memory than a small one.

use schemars::JsonSchema;
use serde::Serialize;

use super::outcome::{Outcome, Verdict};
use super::suite::Suite;
use crate::survey::separation;

/// The stops of one machine, and how near its arms came to what they must keep out of.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Stops {
    /// Name of the machine.
    pub machine: String,
    /// The longest stop of the runs that are good. Null where none came to a stop.
    pub good: Option<Stop>,
    /// The longest of all runs that came to rest: with those that failed, and those beyond what software can do.
    pub any: Option<Stop>,
    /// Runs in which a stop was called for and which ended before all tips were at rest.
    pub moving: u64,
    /// Each zone.
    pub zones: Vec<Near>,
    /// Between the arms. Null where there is one arm.
    pub arms: Option<Near>,
}

/// The longest stop of some runs.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Stop {
    /// From the stop being called for until all tips were at rest, ms: T.
    pub time_ms: f64,
    /// The run that it was.
    pub run: u64,
    /// How far whoever walks up must be when the stop is called for: S = K T + C with K = 1.6 m/s (ISO 13855:2010) and C = 0.85 m (the same,
    /// from memory), mm.
    pub walking_mm: f64,
    /// How far a hand must be that reaches in: K = 2 m/s, beyond 0.5 m 1.6 m/s (ISO 13855:2010), C = 0: nothing notices it sooner, mm.
    pub reaching_mm: f64,
    /// Greatest way of a tip while it stopped, in any of these runs, mm.
    pub way_mm: f64,
    /// The run that this was.
    pub way_run: u64,
}

/// What the arms must keep from, and how near they came.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Near {
    /// The zone, or "between the arms".
    pub what: String,
    /// The distance that the core keeps from it where all is well, by the machine file, mm.
    pub margin_mm: f64,
    /// The nearest that any run came, mm; negative inside. Null where none was told.
    pub nearest_mm: Option<f64>,
    /// The run that came so near.
    pub run: Option<u64>,
}

impl Stops {
    /// Of the machines of a suite, each once, before any run.
    pub fn of(suite: &Suite) -> Vec<Self> {
        let mut all: Vec<Self> = Vec::new();
        for machine in suite.works.iter().map(|work| &work.machine) {
            if all.iter().any(|stops| stops.machine == machine.name) {
                continue;
            }
            let near = |what: &str, margin: f64| Near {
                what: what.to_owned(),
                margin_mm: (1e3 * margin).round(),
                nearest_mm: None,
                run: None,
            };
            all.push(Self {
                machine: machine.name.clone(),
                good: None,
                any: None,
                moving: 0,
                zones: machine.zones.iter().map(|zone| near(&zone.name, zone.margin)).collect(),
                arms: (machine.arms.len() > 1).then(|| near("between the arms", machine.guard.arms_margin)),
            });
        }
        all
    }

    /// Counts a run of this machine.
    pub fn count(&mut self, outcome: &Outcome) {
        if outcome.verdict == Verdict::Void {
            return;
        }
        if let (Some(time), Some(way)) = (outcome.stop_ms, outcome.stop_way_mm) {
            let good = outcome.verdict == Verdict::Good;
            for stop in [Some(&mut self.any), good.then_some(&mut self.good)]
                .into_iter()
                .flatten()
            {
                stop.get_or_insert_with(|| Stop::new(outcome.run))
                    .count(outcome.run, time, way);
            }
        } else if !outcome.noticed.is_empty() {
            self.moving += 1;
        }
        // "seat 260.8 + deck 71.0"
        for told in outcome.zones_mm.split(" + ") {
            let Some((name, distance)) = told.rsplit_once(' ') else {
                continue;
            };
            if let Some(zone) = self.zones.iter_mut().find(|zone| zone.what == name) {
                zone.count(outcome.run, distance.parse().ok());
            }
        }
        if let Some(arms) = &mut self.arms {
            arms.count(outcome.run, outcome.arms_mm);
        }
    }

    /// In words.
    pub fn text(&self) -> String {
        let mut text = format!(
            "{}: stops, each from being called for until all tips rest\n",
            self.machine
        );
        for (of, stop) in [("good runs", &self.good), ("all runs", &self.any)] {
            let Some(stop) = stop else {
                text += &format!("  {of}: none came to a stop\n");
                continue;
            };
            text += &format!(
                "  {of}: longest {:.0} ms (run {}), S = K T + C of ISO 13855: {:.0} mm for whoever walks up,\n    {:.0} mm for a hand \
                 that reaches in; furthest way of a tip meanwhile {:.0} mm (run {})\n",
                stop.time_ms, stop.run, stop.walking_mm, stop.reaching_mm, stop.way_mm, stop.way_run
            );
        }
        if self.moving > 0 {
            text += &format!(
                "  {} ended before all tips were at rest, and count in neither\n",
                self.moving
            );
        }
        for near in self.zones.iter().chain(&self.arms) {
            if let (Some(nearest), Some(run)) = (near.nearest_mm, near.run) {
                text += &format!(
                    "  {}: margin {:.0} mm, nearest {nearest:.0} mm (run {run})\n",
                    near.what, near.margin_mm
                );
            }
        }
        text
    }
}

/// What the figures of [`Stops::text`] compare.
pub const COMPARED: &str = "\
S is for somebody who comes to the machine from outside: so far off they must be when a stop
is called for, to find it at rest. To the seat nobody walks up: the arm comes to whoever sits there.
For them the way of a tip while it stops counts, beside the zone's margin. A way longer than the
margin is no touch yet, for the guard brakes before the margin; how near an arm came is told last.
";

impl Stop {
    fn new(run: u64) -> Self {
        Self {
            time_ms: 0.0,
            run,
            walking_mm: 0.0,
            reaching_mm: 0.0,
            way_mm: 0.0,
            way_run: run,
        }
    }

    fn count(&mut self, run: u64, time: f64, way: f64) {
        if time > self.time_ms {
            (self.time_ms, self.run) = (time, run);
        }
        if way > self.way_mm {
            (self.way_mm, self.way_run) = (way, run);
        }
        self.walking_mm = (1e3 * separation::walking(1e-3 * self.time_ms)).ceil();
        self.reaching_mm = (1e3 * separation::reaching(1e-3 * self.time_ms)).ceil();
    }
}

impl Near {
    fn count(&mut self, run: u64, distance: Option<f64>) {
        if let Some(distance) = distance
            && self.nearest_mm.is_none_or(|nearest| distance < nearest)
        {
            (self.nearest_mm, self.run) = (Some(distance), Some(run));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prove::suite;

    fn stopped(run: u64, verdict: Verdict, stop_ms: f64, stop_way_mm: f64, zones_mm: &str) -> Outcome {
        Outcome {
            run,
            verdict,
            noticed: "motion not asked for".to_owned(),
            stop_ms: Some(stop_ms),
            stop_way_mm: Some(stop_way_mm),
            zones_mm: zones_mm.to_owned(),
            ..Outcome::default()
        }
    }

    /// T = 0.3 s walking: PV-65b, 1330 mm. T = 0.32 s reaching in: PV-64, 512 mm.
    #[test]
    fn the_longest_stop_and_the_furthest_way_are_told_with_their_runs() {
        let suite = suite::read("shift").unwrap();
        let mut stops = Stops::of(&suite).remove(0);
        stops.count(&stopped(4, Verdict::Good, 300.0, 90.0, "seat 260.5 + deck 71.0"));
        stops.count(&stopped(5, Verdict::Good, 200.0, 120.0, "seat 250.0"));
        stops.count(&stopped(6, Verdict::Beyond, 320.0, 30.0, "seat 270.0"));
        stops.count(&stopped(7, Verdict::Void, 9e9, 9e9, "seat -1.0"));
        stops.count(&Outcome {
            noticed: "no motion".to_owned(),
            verdict: Verdict::Failed,
            ..Outcome::default()
        });
        let (good, any) = (stops.good.clone().unwrap(), stops.any.clone().unwrap());
        assert_eq!(
            (good.time_ms, good.run, good.way_mm, good.way_run),
            (300.0, 4, 120.0, 5)
        );
        assert_eq!((good.walking_mm, any.reaching_mm), (1330.0, 512.0));
        assert_eq!((any.time_ms, any.run, stops.moving), (320.0, 6, 1));
        let seat = &stops.zones[0];
        assert_eq!(
            (seat.nearest_mm, seat.run, seat.margin_mm),
            (Some(250.0), Some(5), 150.0)
        );
        assert!(
            (stops.text() + COMPARED)
                .lines()
                .all(|line| line.chars().count() <= 100),
            "{}",
            stops.text()
        );
    }
}
