//! Scenario files: TOML, unit in each key, every mistake reported at once.

use std::ops::RangeInclusive;
use std::path::Path;
use std::sync::Arc;

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{Mode, Station};
use bellcrank_core::last_tick::Held;
use bellcrank_core::supervise::{State, What};
use bellcrank_machine::description::{Axis, Description, Signal};
use bellcrank_machine::document::{self, DocumentError, Table};
use bellcrank_machine::{builtin, find};

use super::{BUILTIN, Expect, Fault, FaultKind, Load, Relay, Scenario, folder};
use crate::adversary::Strategy;
use crate::trace::{OUT_OF_REACH, UNUSABLE, event_name};

/// Longest rehearsal, s.
const LENGTH_MAX: f64 = 3600.0;
/// Beyond this nobody works with such a machine, deg.
const SLOPE_DEG: RangeInclusive<f64> = -30.0..=30.0;
/// As in machine files, °C.
const OIL_C: RangeInclusive<f64> = -30.0..=120.0;

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
    let mode = t
        .choice(
            "mode",
            &[("joint", Mode::Joint), ("tip", Mode::Tip), ("carry", Mode::Carry)],
        )
        .unwrap_or_default();
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

    /// An axis with a second sensor.
    fn twin_axis(&self, t: &Table, key: &'static str) -> usize {
        self.axis_with(t, key, "a twin", |axis| axis.twin.is_some())
    }

    /// An axis with a sensor that tells a share of what feeds it.
    fn fed_axis(&self, t: &Table, key: &'static str) -> usize {
        self.axis_with(t, key, "a ratiometric sensor", |axis| {
            let twin = axis.twin.as_ref().map(|twin| &twin.sensor);
            let mut sensors = std::iter::once(&axis.sensor).chain(twin);
            sensors.any(|sensor| matches!(sensor.signal, Signal::Ratiometric { .. }))
        })
    }

    fn axis_with(&self, t: &Table, key: &'static str, what: &str, has: impl Fn(&Axis) -> bool) -> usize {
        let index = self.axis(t, key);
        if t.clean() && self.machine.axes.get(index).is_some_and(|axis| !has(axis)) {
            let names = self.machine.axes.iter().filter(|axis| has(axis));
            let names: Vec<_> = names.map(|axis| format!("{:?}", axis.name)).collect();
            let wanted = if names.is_empty() {
                format!("another fault: no axis of this machine has {what}")
            } else {
                format!("one with {what}: {}", names.join(", "))
            };
            t.wrong(key, wanted);
        }
        index
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

    /// `[[fault]]`: a time, a kind, and what that kind needs.
    fn fault(&self, t: &Table, length: f64) -> Option<Fault> {
        let at = t.number("at_s", 0.0..=length);
        let lasts = t.optional("lasts_s").map(|key| t.number(key, 0.001..=LENGTH_MAX));
        let Some(make) = t.choice("kind", &KINDS) else {
            t.pass_over_rest();
            return None;
        };
        let kind = make(self, t);
        if lasts.is_some() && matches!(kind, FaultKind::HoseBurst { .. }) {
            t.wrong("lasts_s", "no lasts_s: a burst hose stays burst");
        }
        Some(Fault { at, lasts, kind })
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

type Make = fn(&Who, &Table) -> FaultKind;

const KINDS: [(&str, Make); 33] = [
    ("sensor_open", |w, t| FaultKind::SensorOpen {
        axis: w.axis(t, "axis"),
    }),
    ("sensor_short", |w, t| FaultKind::SensorShort {
        axis: w.axis(t, "axis"),
    }),
    ("sensor_stuck", |w, t| FaultKind::SensorStuck {
        axis: w.axis(t, "axis"),
    }),
    ("sensor_jump", |w, t| FaultKind::SensorJump {
        axis: w.axis(t, "axis"),
        by: t.number("by_percent", -1000.0..=1000.0),
    }),
    ("sensor_slip", |w, t| FaultKind::SensorSlip {
        axis: w.axis(t, "axis"),
        rate: t.number("drift_percent_s", -1000.0..=1000.0),
    }),
    ("sensor_noise", |w, t| FaultKind::SensorNoise {
        axis: w.axis(t, "axis"),
        rms: t.number("noise_mv", 0.0..=10_000.0),
    }),
    ("sensor_stale", |w, t| FaultKind::SensorStale {
        axis: w.axis(t, "axis"),
    }),
    ("excitation_sag", |w, t| FaultKind::ExcitationSag {
        axis: w.fed_axis(t, "axis"),
        to: t.number("to_v", 0.0..=100.0),
    }),
    ("twin_drift", |w, t| FaultKind::TwinDrift {
        axis: w.twin_axis(t, "axis"),
        rate: t.number("drift_percent_s", -100.0..=100.0),
    }),
    ("twin_open", |w, t| FaultKind::TwinOpen {
        axis: w.twin_axis(t, "axis"),
    }),
    ("valve_stuck", |w, t| FaultKind::ValveStuck {
        axis: w.axis(t, "axis"),
    }),
    ("valve_stuck_open", |w, t| FaultKind::ValveStuckOpen {
        axis: w.axis(t, "axis"),
        opening: t.number("opening", -1.0..=1.0),
    }),
    ("valve_dead", |w, t| FaultKind::ValveDead {
        axis: w.axis(t, "axis"),
    }),
    ("valve_reversed", |w, t| FaultKind::ValveReversed {
        axis: w.axis(t, "axis"),
    }),
    ("link_lost", |_, t| FaultKind::LinkLost {
        station: t.choice("station", &STATIONS).unwrap_or_default(),
    }),
    ("link_poor", |_, t| FaultKind::LinkPoor {
        station: t.choice("station", &STATIONS).unwrap_or_default(),
        share: t.number("share", 0.0..=1.0),
    }),
    ("stop_button", |_, _| FaultKind::StopButton),
    ("hand_stop", |_, t| FaultKind::HandStop {
        station: t.choice("station", &STATIONS).unwrap_or_default(),
    }),
    ("stop_channel_open", |_, t| FaultKind::StopChannelOpen {
        channel: t.whole("channel", 1..=2) - 1,
    }),
    ("stop_channel_stuck", |_, t| FaultKind::StopChannelStuck {
        channel: t.whole("channel", 1..=2) - 1,
    }),
    ("relay_welded", |_, t| FaultKind::RelayWelded { relay: relay(t) }),
    ("relay_dead", |_, t| FaultKind::RelayDead { relay: relay(t) }),
    ("supply_sag", |_, t| FaultKind::SupplySag {
        to: t.number("to_v", 0.0..=60.0),
    }),
    ("tick_early", |_, _| FaultKind::TickEarly),
    ("loop_hangs", |_, _| FaultKind::LoopHangs),
    ("restart", |_, _| FaultKind::Restart),
    ("wrong_lever", |w, t| FaultKind::WrongLever { act: w.act(t) }),
    ("engine_stall", |_, _| FaultKind::EngineStall),
    ("hose_burst", |w, t| FaultKind::HoseBurst {
        axis: w.axis(t, "axis"),
        side: t.choice("side", &[("a", 0), ("b", 1)]).unwrap_or_default(),
        hole: t.number("hole_mm", 0.1..=50.0),
    }),
    ("oil_hot", |_, t| FaultKind::OilHot {
        to: t.number("to_c", OIL_C),
    }),
    ("pump_worn", |_, t| FaultKind::PumpWorn {
        share: t.number("share", 0.0..=1.0),
    }),
    ("piston_leak", |w, t| FaultKind::PistonLeak {
        axis: w.axis(t, "axis"),
        leak: t.number("leak_cm3_s_bar", 0.0..=100.0),
    }),
    ("spool_weak", |w, t| FaultKind::SpoolWeak {
        axis: w.axis(t, "axis"),
        share: t.number("share", 0.0..=1.0),
    }),
];

fn relay(t: &Table) -> Relay {
    let [valve_power, dump, engine] = Relay::ALL;
    let names = [("valve_power", valve_power), ("dump", dump), ("engine", engine)];
    t.choice("relay", &names).unwrap_or(valve_power)
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
