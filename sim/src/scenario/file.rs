//! Scenario files: TOML, unit in each key, every mistake reported at once.

use std::ops::RangeInclusive;
use std::path::Path;
use std::sync::Arc;

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{Mode, Station};
use bellcrank_core::last_tick::Held;
use bellcrank_core::supervise::{State, What};
use bellcrank_machine::description::Description;
use bellcrank_machine::document::{self, Complaints, DocumentError, Table};
use bellcrank_machine::{builtin, find};

use super::acts::MODES;
use super::{BUILTIN, Expect, Fault, Load, Scenario, folder};
use crate::adversary::Strategy;
use crate::trace::{OUT_OF_REACH, UNUSABLE, event_name};

/// Longest rehearsal, s.
pub(super) const LENGTH_MAX: f64 = 3600.0;
/// Beyond this nobody works with such a machine, deg.
const SLOPE_DEG: RangeInclusive<f64> = -30.0..=30.0;
/// As in machine files, °C.
pub(super) const OIL_C: RangeInclusive<f64> = -30.0..=120.0;

/// Reads a scenario by the name of a built-in one or by its path.
///
/// # Errors
/// When the file or its machine's file cannot be read or is not right.
pub fn read(name: &str) -> Result<Scenario, DocumentError> {
    let (file, text) = document::find("scenario", name, &BUILTIN, Path::new(""))?;
    parse(&file, &text, &folder(Path::new(name)))
}

/// Reads a scenario from its text. `folder` is where a relative path of its machine starts.
///
/// # Errors
/// When it or its machine's file is not right.
pub fn parse(file: &str, text: &str, folder: &Path) -> Result<Scenario, DocumentError> {
    // The machine's name comes first: all other names are checked against the machine.
    let name = document::read(file, text, |t| {
        t.pass_over_rest();
        t.text("machine")
    })?;
    let machine = Arc::new(find(&name, folder)?);
    let machine_file = if builtin(&name).is_some() {
        name
    } else {
        folder.join(name).to_string_lossy().into_owned()
    };
    Ok(document::read(file, text, |t| {
        scenario(t, file, &machine, &machine_file)
    })?)
}

/// Reads a scenario for a machine that is known already: `machine_file` is what it was read from, whatever the scenario says.
///
/// # Errors
/// When it is not right.
pub fn parse_for(
    machine: &Arc<Description>,
    machine_file: &str,
    file: &str,
    text: &str,
) -> Result<Scenario, Complaints> {
    document::read(file, text, |t| scenario(t, file, machine, machine_file))
}

fn scenario(t: &Table, file: &str, machine: &Arc<Description>, machine_file: &str) -> Scenario {
    t.text("machine");
    let length = t.number("length_s", 0.1..=LENGTH_MAX);
    let station = match t.choice("station", &STATIONS) {
        Some(Station::Remote) if machine.stations.remote.is_none() => {
            t.complain("station", "\"remote\"", "\"seat\": this machine has no remote station");
            Station::Seat
        }
        station => station.unwrap_or_default(),
    };
    let mode = t.choice("mode", &MODES).unwrap_or_default();
    let who = Who { machine, station, mode };
    // Hostile hands do nothing by the clock.
    let mut hands = match t.optional("hostile").filter(|_| t.optional("hand").is_none()) {
        Some(_) => Vec::new(),
        None => t.tables("hand", |t| who.hand(t, length)),
    };
    let mut faults: Vec<Fault> = t.optional("fault").map_or_else(Vec::new, |key| {
        t.tables(key, |t| who.fault(t, length)).into_iter().flatten().collect()
    });
    hands.sort_by(|a, b| a.at.total_cmp(&b.at));
    faults.sort_by(|a, b| a.at.total_cmp(&b.at));
    Scenario {
        name: t.text("name"),
        source: file.to_string(),
        about: t.text("about"),
        machine: Arc::clone(machine),
        machine_file: machine_file.to_string(),
        length,
        station,
        mode,
        start: who.start(t),
        slope: t
            .optional("slope_deg")
            .map_or([0.0; 2], |key| t.pair(key, SLOPE_DEG).into()),
        oil: t.optional("oil_c").map(|key| t.number(key, OIL_C)),
        payloads: t
            .optional("payload")
            .map_or_else(Vec::new, |key| t.tables(key, |t| who.payload(t, length))),
        hands,
        hostile: t.optional("hostile").and_then(|key| {
            let strategies = Strategy::ALL.map(|strategy| (strategy.name(), strategy));
            t.choice(key, &strategies)
        }),
        faults,
        expect: t
            .optional("expect")
            .map_or_else(Expect::default, |key| t.table(key, |t| who.expect(t))),
    }
}

pub(super) const STATIONS: [(&str, Station); 2] = [("seat", Station::Seat), ("remote", Station::Remote)];

/// The machine and the station that a scenario's names and speeds are checked against.
pub(super) struct Who<'m> {
    pub(super) machine: &'m Description,
    pub(super) station: Station,
    pub(super) mode: Mode,
}

impl Who<'_> {
    pub(super) fn axis(&self, t: &Table, key: &'static str) -> usize {
        named(t, key, "axis", self.machine.axes.iter().map(|axis| &axis.name))
    }

    pub(super) fn arm(&self, t: &Table, key: &'static str) -> usize {
        named(t, key, "arm", self.machine.arms.iter().map(|arm| &arm.name))
    }

    /// `[[start]]`: the joint angles of an arm from base to tip, and of its grip. What is not named starts in the middle of its
    /// range.
    fn start(&self, t: &Table) -> Vec<f64> {
        let axes = &self.machine.axes;
        let mut angles: Vec<f64> = axes
            .iter()
            .map(|axis| 0.5 * (axis.joint.range.0 + axis.joint.range.1))
            .collect();
        t.tables("start", |t| {
            let arm = &self.machine.arms[self.arm(t, "arm")];
            let found = t.numbers("angles_deg", -360.0..=360.0);
            let grip = t.optional("grip_deg").map(|key| (key, t.number(key, -360.0..=360.0)));
            if t.clean() && found.len() != arm.axes.len() {
                let names: Vec<_> = arm.axes.iter().map(|&axis| axes[axis].name.as_str()).collect();
                t.complain(
                    "angles_deg",
                    format!("{} angles", found.len()),
                    format!("one each for {}", names.join(", ")),
                );
            }
            let arms = arm
                .axes
                .iter()
                .zip(found)
                .map(|(&axis, angle)| (axis, "angles_deg", angle));
            let grip = arm.grip.zip(grip).map(|(axis, (key, angle))| (axis, key, angle));
            for (axis, key, angle) in arms.chain(grip) {
                let (low, high) = axes[axis].joint.range;
                if angle < low || angle > high {
                    let found = format!("{:.1} for {:?}", angle.to_degrees(), axes[axis].name);
                    t.complain(
                        key,
                        found,
                        format!("{:.1} to {:.1}", low.to_degrees(), high.to_degrees()),
                    );
                }
                angles[axis] = angle;
            }
        });
        angles
    }

    /// `[[payload]]`: on an arm for the whole rehearsal, or from when it is picked up until it is dropped.
    fn payload(&self, t: &Table, length: f64) -> Load {
        let load = Load {
            arm: self.arm(t, "arm"),
            mass: t.number("mass_kg", 0.0..=5000.0),
            from: t.optional("from_s").map_or(0.0, |key| t.number(key, 0.0..=length)),
            until: t.optional("until_s").map(|key| t.number(key, 0.0..=length)),
        };
        if load.until.is_some_and(|until| until <= load.from) {
            t.wrong("until_s", format!("more than from_s ({})", load.from));
        }
        load
    }

    /// What is in the way of a go-to: a zone, an axis at the end of its range or another arm, by its name, or one of two words.
    fn obstacle(&self, t: &Table, key: &'static str) -> String {
        let machine = self.machine;
        let zones = machine.zones.iter().map(|zone| &zone.name);
        let axes = machine.axes.iter().map(|axis| &axis.name);
        let arms = machine.arms.iter().map(|arm| &arm.name);
        let words = [OUT_OF_REACH.to_string(), UNUSABLE.to_string()];
        let names: Vec<&String> = zones.chain(arms).chain(axes).chain(&words).collect();
        let index = named(t, key, "zone, arm or axis", names.iter().copied());
        names.get(index).map_or_else(String::new, |name| (*name).clone())
    }

    fn expect(&self, t: &Table) -> Expect {
        let seconds = |key| t.optional(key).map(|key| t.number(key, 0.0..=60_000.0));
        let metres = |key| t.optional(key).map(|key| t.number(key, 0.0..=10_000.0));
        Expect {
            cause: t.optional("cause").map(|key| cause(t, key)),
            axis: t.optional("axis").map(|key| self.axis(t, key)),
            noticed: seconds("noticed_ms"),
            stopped: seconds("stopped_ms"),
            travel: metres("travel_mm"),
            clearance: metres("clearance_mm"),
            off_line: metres("off_line_mm"),
            along_line: metres("along_line_mm"),
            apart: metres("apart_mm"),
            refused: t.optional("refused").map(|key| self.obstacle(t, key)),
            state: t.optional("state").and_then(|key| {
                let states = State::ALL.map(|state| (state.to_string(), state));
                let options: Vec<_> = states.iter().map(|(name, state)| (name.as_str(), *state)).collect();
                t.choice(key, &options)
            }),
        }
    }
}

/// The number of what `key` names among `names`; 0 where it names none of them.
fn named<'n>(t: &Table, key: &'static str, what: &str, names: impl Iterator<Item = &'n String> + Clone) -> usize {
    let found = t.text(key);
    names.clone().position(|name| *name == found).unwrap_or_else(|| {
        if !found.is_empty() {
            let known: Vec<_> = names.map(|name| format!("{name:?}")).collect();
            t.complain(
                key,
                format!("no {what} {found:?}"),
                format!("one of {}", known.join(", ")),
            );
        }
        0
    })
}

/// The name of a cause, or of the guard's holding back, as the event log prints it.
fn cause(t: &Table, key: &'static str) -> String {
    let held = [
        What::Held(Held::FromZone(0)),
        What::Held(Held::FromArm),
        What::Held(Held::FromTipping),
        What::Held(Held::FromEnd),
    ];
    let names: Vec<String> = Cause::ALL
        .iter()
        .map(|cause| cause.name().to_string())
        .chain(held.iter().map(event_name))
        .collect();
    let options: Vec<_> = names.iter().map(|name| (name.as_str(), name.clone())).collect();
    let options: Vec<_> = options.iter().enumerate().map(|(i, (name, _))| (*name, i)).collect();
    t.choice(key, &options)
        .and_then(|i| names.get(i).cloned())
        .unwrap_or_default()
}
