//! One run judged: what was measured, and whether it is good.
//!
//! | verdict | means |
//! |---|---|
//! | good | noticed in time under a true name, stopped, and it stayed stopped |
//! | quiet | not noticed, and nothing came of it: it shows only when the machine is asked for what it no longer can |
//! | beyond | not good, and no software alone could have made it so: the catalogue says what it takes |
//! | failed | not good |
//! | void | the simulation failed: the run says nothing |

use bellcrank_core::cause::Cause;
use bellcrank_core::supervise::{State, What};
use serde::{Deserialize, Serialize};

use super::suite::{Limits, Placed, Run, Suite};
use crate::findings::rest_after;
use crate::run::{RunError, rehearse};
use crate::scenario::Scenario;
use crate::trace::{Noticed, Trace, event_name};

/// Once noticed and stopped, a tip that sinks by more than this has been dropped, m.
const DROPPED_M: f64 = 0.1;

/// What came of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Noticed in time under a true name, stopped, and it stayed stopped.
    Good,
    /// Not noticed, and nothing came of it.
    Quiet,
    /// Not good, and beyond what software alone can do.
    Beyond,
    /// Not good.
    Failed,
    /// The simulation failed.
    Void,
}

/// One line of the ledger. Lengths in mm, times in ms, pressures in bar; what does not apply is empty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// Number of the run in its suite.
    pub run: u64,
    /// Name of the machine.
    pub machine: String,
    /// The work that was being done.
    pub work: String,
    /// What was put in, by its names in the catalogue, joined by " + ".
    pub faults: String,
    /// The axis of each, joined in the same way; - where it is about none.
    pub axes: String,
    /// When each came, s.
    pub at_s: String,
    /// How bad each was, percent of the entry's range.
    pub amounts_percent: String,
    /// Who held the levers.
    pub operator: String,
    /// Seed of the noise.
    pub seed: u64,
    /// What came of it.
    pub verdict: Verdict,
    /// Why it is not good, if it is not.
    pub reason: String,
    /// What the core named first.
    pub noticed: String,
    /// The axis it named with it.
    pub noticed_axis: String,
    /// From the first fault to that.
    pub noticed_ms: Option<f64>,
    /// From the first fault until all tips were at rest for good.
    pub stopped_ms: Option<f64>,
    /// Way of the tip that moved on furthest, from when it was noticed to rest.
    pub travel_mm: Option<f64>,
    /// Nearest that any arm part came to a zone.
    pub nearest_mm: Option<f64>,
    /// Speed of the fastest tip at that moment, mm/s.
    pub speed_there_mm_s: Option<f64>,
    /// Greatest pressure in any chamber.
    pub pressure_bar: f64,
    /// How far a tip sank once all was without power.
    pub sank_mm: Option<f64>,
    /// Digest of the run, hexadecimal.
    pub digest: String,
}

/// Rehearses a run and judges it.
pub fn outcome(suite: &Suite, run: &Run) -> Outcome {
    let scenario = suite.scenario(run);
    match rehearse(&scenario, run.seed) {
        Ok(trace) => judge(suite, run, &scenario, &trace),
        Err(error) => void(suite, run, &error),
    }
}

/// Judges what a run recorded.
pub fn judge(suite: &Suite, run: &Run, scenario: &Scenario, trace: &Trace) -> Outcome {
    let machine = &scenario.machine;
    let at = scenario.first_fault().unwrap_or(0.0);
    let first = trace
        .events
        .iter()
        .find(|event| event.t >= at && event.cause().is_some());
    let (nearest, speed) = nearest(trace).unzip();
    let sank = first.and_then(|event| sank(trace, event.t));
    let stopped = rest_after(trace, at);
    let travel = first.map(|event| crate::findings::moved_on(trace, event.t));
    let mut reasons = Vec::new();
    if nearest.is_some_and(|nearest: f64| nearest < 0.0) {
        reasons.push("an arm entered a zone".to_owned());
    }
    if let Some(alarm) = trace
        .events
        .iter()
        .find(|event| event.t < at && event.cause().is_some())
    {
        reasons.push(format!("false alarm: {}", event_name(&alarm.what)));
    }
    let shows = |placed: &&Placed| placed.entry.always && enabled(trace, placed.at);
    match first {
        Some(event) => reasons.extend(after(&suite.limits, run, trace, event, at, travel, sank)),
        None => {
            if let Some(missed) = run.faults.iter().find(shows) {
                reasons.push(format!("{} was not noticed", missed.entry.name));
            }
        }
    }
    let beyond = run.faults.iter().any(|placed| placed.entry.beyond.is_some());
    let verdict = match (reasons.is_empty(), first.is_some()) {
        (true, true) => Verdict::Good,
        (true, false) => Verdict::Quiet,
        (false, _) if beyond => Verdict::Beyond,
        (false, _) => Verdict::Failed,
    };
    let pressures = trace.samples.iter().flat_map(|sample| &sample.axes);
    Outcome {
        verdict,
        reason: reasons.join("; "),
        noticed: first.map_or_else(String::new, |event| event_name(&event.what)),
        noticed_axis: first
            .and_then(|event| event.axis)
            .map_or_else(String::new, |axis| machine.axes[axis].name.clone()),
        noticed_ms: first.map(|event| tenths(1e3 * (event.t - at))),
        stopped_ms: stopped.map(|after| tenths(1e3 * after)),
        travel_mm: travel.map(|way| tenths(1e3 * way)),
        nearest_mm: nearest.map(|nearest| tenths(1e3 * nearest)),
        speed_there_mm_s: speed.map(|speed| tenths(1e3 * speed)),
        pressure_bar: tenths(
            1e-5 * pressures.fold(0.0, |most: f64, axis| most.max(axis.pressure_a).max(axis.pressure_b)),
        ),
        sank_mm: sank.map(|sank| tenths(1e3 * sank)),
        digest: format!("{:016x}", trace.digest),
        ..named(suite, run)
    }
}

/// Whether the machine is enabled at a time, s: what comes to one that stands without power shows only when it is to work again.
fn enabled(trace: &Trace, t: f64) -> bool {
    let then = trace.samples.iter().rfind(|sample| sample.t <= t);
    then.is_some_and(|sample| sample.state == State::Enabled)
}

/// What must hold after something was noticed.
fn after(
    limits: &Limits,
    run: &Run,
    trace: &Trace,
    event: &Noticed,
    at: f64,
    travel: Option<f64>,
    sank: Option<f64>,
) -> Vec<String> {
    let mut reasons = Vec::new();
    let cause = event.cause().unwrap_or(Cause::StopButton);
    let blamed = run.faults.iter().filter(|placed| placed.entry.names.contains(&cause));
    let (mut true_name, mut true_axis) = (false, false);
    for placed in blamed {
        true_name = true;
        let own = event.axis.is_none() || placed.axis.is_none() || event.axis == placed.axis;
        true_axis |= own || placed.entry.elsewhere;
    }
    if !true_name {
        reasons.push(format!("named untruly: {}", cause.name()));
    } else if !true_axis {
        reasons.push("named on another axis".to_owned());
    }
    if run.faults.iter().all(|placed| placed.entry.always) && event.t - at > limits.noticed {
        reasons.push(format!("noticed only after {:.0} ms", 1e3 * (event.t - at)));
    }
    match rest_after(trace, event.t) {
        Some(rest) if rest <= limits.stopped => {}
        Some(rest) => reasons.push(format!("at rest only {:.0} ms after it was noticed", 1e3 * rest)),
        None => reasons.push("never at rest".to_owned()),
    }
    if let Some(travel) = travel.filter(|travel| *travel > limits.travel) {
        reasons.push(format!("a tip moved on by {:.0} mm", 1e3 * travel));
    }
    if let Some(sank) = sank.filter(|sank| *sank > DROPPED_M) {
        reasons.push(format!("a tip sank by {:.0} mm without power", 1e3 * sank));
    }
    let starts = |later: &&Noticed| later.t > event.t && later.what == What::State(State::Enabled);
    if trace.events.iter().any(|later| starts(&later)) {
        reasons.push("it started again without a reset".to_owned());
    }
    reasons
}

/// The nearest that any arm part came to a zone, m, and how fast the fastest tip was then, m/s.
fn nearest(trace: &Trace) -> Option<(f64, f64)> {
    let of = |sample: &crate::trace::Sample| {
        let clearance = sample.arms.iter().filter_map(|arm| arm.clearance).reduce(f64::min)?;
        let speed = sample.arms.iter().map(|arm| arm.tip_speed).fold(0.0, f64::max);
        Some((clearance, speed))
    };
    trace.samples.iter().filter_map(of).min_by(|a, b| a.0.total_cmp(&b.0))
}

/// How far the tip that sank furthest sank after the power was gone, from a time on, m.
fn sank(trace: &Trace, from: f64) -> Option<f64> {
    let off =
        |sample: &&crate::trace::Sample| sample.t >= from && matches!(sample.state, State::Stopped | State::Fault);
    let without: Vec<_> = trace.samples.iter().filter(off).collect();
    // What still moves when the power goes is no load that drops: it has half a second to come to rest.
    let first = without.iter().find(|sample| sample.t >= without[0].t + 0.5)?;
    let last = without.last()?;
    let arms = first.arms.iter().zip(&last.arms);
    Some(
        arms.map(|(first, last)| first.tip().z - last.tip().z)
            .fold(0.0, f64::max),
    )
}

/// The columns that name a run.
fn named(suite: &Suite, run: &Run) -> Outcome {
    let work = &suite.works[run.work];
    let axis = |axis: Option<usize>| {
        axis.map_or("-", |axis| work.machine.axes[axis].name.as_str())
            .to_owned()
    };
    let joined = |words: Vec<String>| words.join(" + ");
    let each = |word: &dyn Fn(&Placed) -> String| joined(run.faults.iter().map(word).collect());
    Outcome {
        run: run.number,
        machine: work.machine.name.clone(),
        work: work.name.clone(),
        faults: each(&|placed| placed.entry.name.to_owned()),
        axes: each(&|placed| axis(placed.axis)),
        at_s: each(&|placed| format!("{:.3}", placed.at)),
        amounts_percent: each(&|placed| format!("{:.1}", 1e2 * placed.amount)),
        operator: run.operator.name().to_owned(),
        seed: run.seed,
        verdict: Verdict::Void,
        reason: String::new(),
        noticed: String::new(),
        noticed_axis: String::new(),
        noticed_ms: None,
        stopped_ms: None,
        travel_mm: None,
        nearest_mm: None,
        speed_there_mm_s: None,
        pressure_bar: 0.0,
        sank_mm: None,
        digest: String::new(),
    }
}

fn void(suite: &Suite, run: &Run, error: &RunError) -> Outcome {
    Outcome {
        reason: error.to_string(),
        ..named(suite, run)
    }
}

/// To one digit after the point: what is written is what is judged to, on any machine.
fn tenths(number: f64) -> f64 {
    (10.0 * number).round() / 10.0
}
