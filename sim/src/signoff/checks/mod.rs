//! The checks that a machine asks for, in order, from cold wiring to the first move of a tip: one for each axis, station, sensor and arm that its
//! machine file has, with bounds out of it.
//!
//! A check needs others to have passed before it makes sense or may be done: what needs it is blocked while it is open or has failed. Needs go
//! along what the parts of the machine share, so a boom whose sensor fails keeps the boom still, and the arm's tip, but not the slew.
//!
//! Each check has a mark of what it rests on: the blocks of the machine file that it is about. When the file changes, the checks whose mark has
//! changed are to be done again.

mod cold;
mod engine;
mod motion;
mod power;

use bellcrank_machine::Description;
use bellcrank_machine::description::{Axis, Linkage};
use sha2::{Digest, Sha256};

/// How far a commissioning has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Nothing is switched on.
    Cold,
    /// The controller has its supply; the engine stands.
    Power,
    /// The engine runs; nothing moves.
    Engine,
    /// One axis moves at a time, slowly.
    Motion,
    /// Tips move.
    Tip,
}

impl Stage {
    /// Its heading.
    pub fn name(self) -> &'static str {
        match self {
            Stage::Cold => "Cold: nothing switched on",
            Stage::Power => "Control voltage on, engine off",
            Stage::Engine => "Engine on, nothing moves",
            Stage::Motion => "One axis at a time, low flow, nobody in reach",
            Stage::Tip => "Tips",
        }
    }
}

/// One check.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// Its name: `power/stop/seat`.
    pub id: String,
    /// When it is done.
    pub stage: Stage,
    /// What to do.
    pub action: String,
    /// What must be seen.
    pub expected: String,
    /// What is measured, if anything.
    pub reading: Option<Reading>,
    /// Checks that must have passed, as indices.
    pub needs: Vec<usize>,
    /// A digest of what it rests on.
    pub mark: String,
}

/// A value that is measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// What it is.
    pub what: String,
    /// Its unit.
    pub unit: &'static str,
    /// Least that is good.
    pub least: Option<f64>,
    /// Greatest that is good.
    pub most: Option<f64>,
    /// The column of a log that has it, and which of its values counts.
    pub column: Option<(String, Take)>,
}

/// Which value of a column counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Take {
    /// The greatest.
    Greatest,
    /// The least.
    Least,
    /// The one that is furthest from zero, without its sign.
    Furthest,
}

impl Reading {
    fn new(what: &str, unit: &'static str, least: Option<f64>, most: Option<f64>) -> Reading {
        Reading {
            what: what.to_owned(),
            unit,
            least: least.map(tidy),
            most: most.map(tidy),
            column: None,
        }
    }

    fn read_by(self, column: String, take: Take) -> Reading {
        Reading {
            column: Some((column, take)),
            ..self
        }
    }

    /// A value is within the bounds.
    pub fn takes(&self, value: f64) -> bool {
        value.is_finite() && self.least.is_none_or(|least| value >= least) && self.most.is_none_or(|most| value <= most)
    }

    /// The bounds in words.
    pub fn bounds(&self) -> String {
        let unit = self.unit;
        match (self.least, self.most) {
            (Some(least), Some(most)) => format!("{least} to {most} {unit}"),
            (Some(least), None) => format!("at least {least} {unit}"),
            (None, Some(most)) => format!("at most {most} {unit}"),
            (None, None) => format!("any number of {unit}"),
        }
    }
}

/// Without the tail that a change of units leaves.
fn tidy(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

/// Checks while they are being listed.
struct List<'m> {
    machine: &'m Description,
    checks: Vec<Check>,
    stage: Stage,
}

impl List<'_> {
    /// Adds a check that needs all those whose names begin with one of `needs`, and rests on `parts` of the machine file.
    fn add(
        &mut self,
        id: String,
        (action, expected): (String, String),
        reading: Option<Reading>,
        needs: &[&str],
        parts: &str,
    ) {
        let needed = |check: &Check| {
            needs
                .iter()
                .any(|need| check.id == *need || check.id.starts_with(&format!("{need}/")))
        };
        let needs = self
            .checks
            .iter()
            .enumerate()
            .filter(|(_, check)| needed(check))
            .map(|(number, _)| number)
            .collect();
        let said = format!("{id}\n{action}\n{expected}\n{reading:?}\n{parts}");
        self.checks.push(Check {
            id,
            stage: self.stage,
            action,
            expected,
            reading,
            needs,
            mark: digest(said.as_bytes())[..16].to_owned(),
        });
    }

    /// The stations that the machine has: name in ids, name in words.
    fn stations(&self) -> Vec<(&'static str, &'static str)> {
        let mut stations = vec![("seat", "the seat")];
        stations.extend(
            self.machine
                .stations
                .remote
                .as_ref()
                .map(|_| ("remote", "the wireless station")),
        );
        stations
    }
}

/// All checks of a machine, in order.
pub fn of(machine: &Description) -> Vec<Check> {
    let mut list = List {
        machine,
        checks: Vec::new(),
        stage: Stage::Cold,
    };
    cold::list(&mut list);
    list.stage = Stage::Power;
    power::list(&mut list);
    list.stage = Stage::Engine;
    engine::list(&mut list);
    list.stage = Stage::Motion;
    motion::axes(&mut list);
    list.stage = Stage::Tip;
    motion::tips(&mut list);
    list.checks
}

/// SHA-256 in hexadecimal.
pub fn digest(bytes: &[u8]) -> String {
    let digest = Sha256::digest(bytes);
    digest
        .iter()
        .fold(String::new(), |text, byte| text + &format!("{byte:02x}"))
}

/// A name as part of the name of a check.
fn slug(name: &str) -> String {
    name.replace([' ', '/'], "-")
}

/// mm or degrees, what makes them of SI, and their name in columns of a log.
fn stroke_unit(axis: &Axis) -> (&'static str, f64, &'static str) {
    match axis.linkage {
        Linkage::Direct { .. } => ("deg", 1_f64.to_degrees(), "deg"),
        Linkage::Clevis { .. } | Linkage::FourBar { .. } => ("mm", 1e3, "mm"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn machine(name: &str) -> Description {
        bellcrank_machine::read(name, bellcrank_machine::builtin(name).unwrap()).unwrap()
    }

    #[test]
    fn every_part_of_a_machine_has_its_checks() {
        for name in ["yard-digger", "drystone-setter", "servo-digger"] {
            let machine = machine(name);
            let checks = of(&machine);
            let has = |id: &str| checks.iter().any(|check| check.id == id);
            for axis in &machine.axes {
                for check in [
                    "cold/valve",
                    "cold/sensor",
                    "power/sensor",
                    "power/command",
                    "motion/way",
                    "motion/speed-out",
                    "motion/speed-in",
                ] {
                    assert!(
                        has(&format!("{check}/{}", slug(&axis.name))),
                        "{name}: {check} {}",
                        axis.name
                    );
                }
                assert_eq!(axis.twin.is_some(), has(&format!("power/twin/{}", slug(&axis.name))));
            }
            for station in ["seat", "remote"] {
                assert!(has(&format!("power/stop/{station}")) && has(&format!("power/silence/{station}")));
            }
            for arm in &machine.arms {
                assert!(has(&format!("tip/first/{}", slug(&arm.name))));
            }
            assert!(has("power/range") && has("power/watchdog") && has("power/reset") && has("power/relay/dump"));
        }
    }

    #[test]
    fn names_are_unique_and_needs_look_back() {
        let checks = of(&machine("drystone-setter"));
        for (number, check) in checks.iter().enumerate() {
            assert_eq!(
                checks.iter().filter(|other| other.id == check.id).count(),
                1,
                "{}",
                check.id
            );
            assert!(check.needs.iter().all(|need| *need < number), "{}", check.id);
            assert!(check.needs.is_empty() == (number == 0), "{} needs nothing", check.id);
        }
        assert!(checks.windows(2).all(|pair| pair[0].stage <= pair[1].stage));
    }

    #[test]
    fn an_axis_moves_only_after_every_stop_works_and_tips_after_their_axes() {
        let checks = of(&machine("yard-digger"));
        let place = |id: &str| checks.iter().position(|check| check.id == id).unwrap();
        let reaches = |from: usize, to: usize| {
            let (mut seen, mut open) = (vec![false; checks.len()], vec![from]);
            while let Some(now) = open.pop() {
                if !std::mem::replace(&mut seen[now], true) {
                    open.extend(&checks[now].needs);
                }
            }
            seen[to]
        };
        let first = place("motion/way/boom");
        for needed in [
            "power/stop/seat",
            "power/stop/remote",
            "power/range",
            "power/watchdog",
            "power/relay/dump",
            "engine/dump",
            "power/sensor/boom",
            "cold/valve/boom",
        ] {
            assert!(reaches(first, place(needed)), "{needed}");
        }
        assert!(
            !reaches(first, place("power/sensor/slew")),
            "the slew's sensor has nothing to do with the boom"
        );
        for axis in ["slew", "boom", "stick", "bucket"] {
            assert!(reaches(place("tip/first/digger"), place(&format!("motion/way/{axis}"))));
        }
    }

    #[test]
    fn a_mark_changes_with_what_its_check_rests_on_alone() {
        let text = bellcrank_machine::builtin("yard-digger").unwrap();
        let before = of(&bellcrank_machine::read("m", text).unwrap());
        let changed = text.replace("bore_mm = 63", "bore_mm = 65");
        let after = of(&bellcrank_machine::read("m", &changed).unwrap());
        let differ: Vec<&str> = before
            .iter()
            .zip(&after)
            .filter(|(one, other)| one.mark != other.mark)
            .map(|(one, _)| one.id.as_str())
            .collect();
        assert!(
            differ.contains(&"motion/speed-out/stick") && differ.contains(&"tip/first/digger"),
            "{differ:?}"
        );
        assert!(
            differ
                .iter()
                .all(|id| id.ends_with("stick") || id.starts_with("tip/") || *id == "cold/file"),
            "{differ:?}"
        );
    }
}
