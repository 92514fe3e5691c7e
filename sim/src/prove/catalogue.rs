//! The fault catalogue: everything that a campaign can put in, as data.
//!
//! An entry says what goes wrong, to which axes it can happen, how bad it can be, by what names the core may truthfully call it, and, where
//! software alone cannot make it safe, what else it takes. What a fault does to a signal or to the oil stands in `wiring` and `plant`.

// long because it is one list, to be read as one

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::Station;
use bellcrank_machine::description::{Axis, Description, Signal};

use crate::scenario::{FaultKind, Relay};
use crate::wiring::sensor::span;

/// The part of the machine that an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subsystem {
    /// Length and angle sensors with their wires.
    Sensors,
    /// Valve sections with their coils and electronics.
    Valves,
    /// Pump, engine, relief and dump valve.
    Supply,
    /// Hoses, cylinders, oil, load-holding valves.
    Hydraulics,
    /// Whoever holds the levers.
    Hands,
    /// The way from a hand control to the core.
    Links,
    /// Stop chain and relays.
    Switches,
    /// The controller itself.
    Controller,
}

impl Subsystem {
    /// Its name in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Sensors => "sensors",
            Self::Valves => "valves",
            Self::Supply => "supply",
            Self::Hydraulics => "hydraulics",
            Self::Hands => "hands",
            Self::Links => "links",
            Self::Switches => "switches",
            Self::Controller => "controller",
        }
    }
}

/// Where a fault is put in, and how bad it is.
#[derive(Debug, Clone, Copy)]
pub struct Place<'m> {
    /// The machine.
    pub machine: &'m Description,
    /// The axis; 0 where the entry is about none.
    pub axis: usize,
    /// How bad: from 0, the least that the entry knows, to 1.
    pub amount: f64,
    /// The station in charge.
    pub station: Station,
}

impl Place<'_> {
    /// From the least to the worst.
    fn between(&self, least: f64, worst: f64) -> f64 {
        least + self.amount * (worst - least)
    }

    /// The same either way: below half one way, above it the other, the ends the worst.
    fn either_way(&self, least: f64, worst: f64) -> f64 {
        let aside = 2.0 * self.amount - 1.0;
        let size = least + aside.abs() * (worst - least);
        if aside < 0.0 { -size } else { size }
    }

    fn axis(&self) -> &Axis {
        &self.machine.axes[self.axis]
    }
}

/// One entry.
pub struct Entry {
    /// Its name in suites and reports.
    pub name: &'static str,
    /// What goes wrong, in a few words.
    pub about: &'static str,
    /// What it is about.
    pub subsystem: Subsystem,
    /// The axes that it can happen to. None: it is about no axis.
    pub on: Option<fn(&Axis) -> bool>,
    /// What `amount` means; empty where there is only one of it.
    pub amount: &'static str,
    /// The fault, and how long it lasts, s; to the end where that is not told.
    pub make: fn(&Place) -> (FaultKind, Option<f64>),
    /// The names by which the core may truthfully call it. None of them has to be called where nothing came of it.
    pub names: &'static [Cause],
    /// It shows whatever the machine does, and must always be noticed. Others show only where the machine is asked for what it no longer can.
    pub always: bool,
    /// What it takes beside software, where software alone cannot make it safe.
    pub beyond: Option<&'static str>,
}

const MOTION: [Cause; 4] = [Cause::MotionUnasked, Cause::NoMotion, Cause::WrongWay, Cause::Following];

const PLAIN: Entry = Entry {
    name: "",
    about: "",
    subsystem: Subsystem::Sensors,
    on: None,
    amount: "",
    make: |_| (FaultKind::StopButton, None),
    names: &[],
    always: false,
    beyond: None,
};

const SENSOR: Entry = Entry {
    on: Some(|_| true),
    ..PLAIN
};

const VALVE: Entry = Entry {
    subsystem: Subsystem::Valves,
    on: Some(|_| true),
    names: &MOTION,
    ..PLAIN
};

const SWITCH: Entry = Entry {
    subsystem: Subsystem::Switches,
    ..PLAIN
};

const CONTROLLER: Entry = Entry {
    subsystem: Subsystem::Controller,
    ..PLAIN
};

fn has_twin(axis: &Axis) -> bool {
    axis.twin.is_some()
}

fn is_fed(axis: &Axis) -> bool {
    matches!(axis.sensor.signal, Signal::Ratiometric { .. })
}

/// A sensor that is wrong and does not show it can only be caught by a second one.
const NO_TWIN: &str = "a second sensor: a reading that drifts slowly looks like motion";

/// All entries.
pub const CATALOGUE: &[Entry] = &[
    Entry {
        name: "sensor open",
        about: "the signal wire of a sensor is open",
        make: |at| (FaultKind::SensorOpen { axis: at.axis }, None),
        names: &[Cause::SensorLow],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor short",
        about: "the signal wire of a sensor touches the supply",
        make: |at| (FaultKind::SensorShort { axis: at.axis }, None),
        names: &[Cause::SensorHigh],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor stuck",
        about: "a sensor's reading stays what it is",
        make: |at| (FaultKind::SensorStuck { axis: at.axis }, None),
        names: &[
            Cause::SensorFrozen,
            Cause::NoMotion,
            Cause::Following,
            Cause::SensorsDiffer,
        ],
        ..SENSOR
    },
    Entry {
        name: "sensor stale",
        about: "no new reading of a sensor comes in",
        make: |at| (FaultKind::SensorStale { axis: at.axis }, None),
        names: &[Cause::SensorStale],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor jump",
        about: "a sensor's reading steps aside",
        amount: "1.5 to 10 times what it can move before a jump is confirmed, either way",
        make: |at| {
            let (watch, span) = (&at.axis().watch, span(&at.axis().sensor));
            let by = at.either_way(1.5, 10.0) * watch.jump_rate * watch.sensor_confirm / span;
            (FaultKind::SensorJump { axis: at.axis, by }, None)
        },
        names: &[
            Cause::SensorJump,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::OffLinkage,
        ],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor slip",
        about: "a sensor slips on what it measures: its reading drifts",
        amount: "1 to 20 % of its span a second, either way",
        make: |at| {
            let rate = at.either_way(0.01, 0.2);
            (FaultKind::SensorSlip { axis: at.axis, rate }, None)
        },
        names: &[
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::WrongWay,
            Cause::Following,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::OffLinkage,
            Cause::SensorsDiffer,
        ],
        beyond: Some(NO_TWIN),
        ..SENSOR
    },
    Entry {
        name: "sensor noise",
        about: "a sensor's reading is noisy",
        amount: "0.02 to 1 V rms",
        make: |at| {
            let rms = at.between(0.02, 1.0);
            (FaultKind::SensorNoise { axis: at.axis, rms }, None)
        },
        names: &[
            Cause::SensorJump,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::WrongWay,
            Cause::Following,
            Cause::OffLinkage,
        ],
        ..SENSOR
    },
    Entry {
        name: "excitation sag",
        about: "what feeds a sensor falls",
        on: Some(is_fed),
        amount: "to 80 % down to none of what it should be",
        make: |at| {
            let to = at.between(0.8, 0.0) * at.axis().sensor.excitation();
            (FaultKind::ExcitationSag { axis: at.axis, to }, None)
        },
        names: &[Cause::Excitation],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "twin drift",
        about: "the second sensor of an axis drifts away",
        on: Some(has_twin),
        amount: "2 to 20 % of its span a second, either way",
        make: |at| {
            let rate = at.either_way(0.02, 0.2);
            (FaultKind::TwinDrift { axis: at.axis, rate }, None)
        },
        names: &[Cause::SensorsDiffer, Cause::TwinLost],
        ..SENSOR
    },
    Entry {
        name: "twin open",
        about: "the signal wire of a second sensor is open",
        on: Some(has_twin),
        make: |at| (FaultKind::TwinOpen { axis: at.axis }, None),
        names: &[Cause::TwinLost],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "valve stuck",
        about: "a spool sticks where it is",
        make: |at| (FaultKind::ValveStuck { axis: at.axis }, None),
        ..VALVE
    },
    Entry {
        name: "valve stuck open",
        about: "a spool goes to an opening and sticks there",
        amount: "30 to 100 % open, either way",
        make: |at| {
            let opening = at.either_way(0.3, 1.0);
            (FaultKind::ValveStuckOpen { axis: at.axis, opening }, None)
        },
        ..VALVE
    },
    Entry {
        name: "valve dead",
        about: "no current reaches the coils of a valve",
        make: |at| (FaultKind::ValveDead { axis: at.axis }, None),
        ..VALVE
    },
    Entry {
        name: "valve weak",
        about: "a valve opens by only a share of what it is told",
        amount: "80 to 10 % left",
        make: |at| {
            let share = at.between(0.8, 0.1);
            (FaultKind::SpoolWeak { axis: at.axis, share }, None)
        },
        ..VALVE
    },
    Entry {
        name: "valve reversed",
        about: "hoses or wires of a valve are crossed: it goes the other way",
        make: |at| (FaultKind::ValveReversed { axis: at.axis }, None),
        ..VALVE
    },
    Entry {
        name: "engine stall",
        about: "the engine dies",
        subsystem: Subsystem::Supply,
        make: |_| (FaultKind::EngineStall, None),
        names: &[Cause::NoMotion, Cause::Following],
        ..PLAIN
    },
    Entry {
        name: "pump worn",
        about: "the pumps give only a share of their flow",
        subsystem: Subsystem::Supply,
        amount: "70 % to none left",
        make: |at| {
            let share = at.between(0.7, 0.0);
            (FaultKind::PumpWorn { share }, None)
        },
        names: &[Cause::NoMotion, Cause::Following],
        ..PLAIN
    },
    Entry {
        name: "hose burst",
        about: "a hose between a valve and its axis bursts",
        subsystem: Subsystem::Hydraulics,
        on: Some(|_| true),
        amount: "a hole of 1 to 8 mm; below half the extending side's, above it the other's",
        make: |at| {
            let hole = at.either_way(0.001, 0.008);
            let side = usize::from(hole > 0.0);
            let (axis, hole) = (at.axis, hole.abs());
            (FaultKind::HoseBurst { axis, side, hole }, None)
        },
        names: &MOTION,
        beyond: Some("load-holding valves on the cylinder: without one the load comes down"),
        ..PLAIN
    },
    Entry {
        name: "oil hot",
        about: "the oil is suddenly hot and thin",
        subsystem: Subsystem::Hydraulics,
        amount: "70 to 110 °C",
        make: |at| {
            let to = at.between(70.0, 110.0);
            (FaultKind::OilHot { to }, None)
        },
        names: &MOTION,
        ..PLAIN
    },
    Entry {
        name: "piston leak",
        about: "oil passes the piston seal of an axis",
        subsystem: Subsystem::Hydraulics,
        on: Some(|_| true),
        amount: "0.05 to 2 cm³ a second and bar",
        make: |at| {
            let leak = at.between(0.05, 2.0) * 1e-11;
            (FaultKind::PistonLeak { axis: at.axis, leak }, None)
        },
        names: &MOTION,
        beyond: Some("maintenance: no valve holds a cylinder that leaks inside"),
        ..PLAIN
    },
    Entry {
        name: "link lost",
        about: "no frames come from the station in charge",
        subsystem: Subsystem::Links,
        make: |at| (FaultKind::LinkLost { station: at.station }, None),
        names: &[Cause::LinkLost],
        always: true,
        ..PLAIN
    },
    Entry {
        name: "link poor",
        about: "many frames from the station in charge are lost or unusable",
        subsystem: Subsystem::Links,
        amount: "50 to 98 % of them",
        make: |at| {
            let (station, share) = (at.station, at.between(0.5, 0.98));
            (FaultKind::LinkPoor { station, share }, None)
        },
        names: &[Cause::LinkLost],
        ..PLAIN
    },
    Entry {
        name: "hand's stop",
        about: "the stop button of the station in charge is pressed",
        make: |at| (FaultKind::HandStop { station: at.station }, None),
        names: &[Cause::HandStop],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop button",
        about: "a stop button on the machine is pressed",
        make: |_| (FaultKind::StopButton, None),
        names: &[Cause::StopButton],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop channel open",
        about: "one channel of the stop chain is open",
        make: |_| (FaultKind::StopChannelOpen { channel: 0 }, None),
        names: &[Cause::StopButton, Cause::StopDiscrepancy],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop channel flickers",
        about: "one channel of the stop chain opens for a moment",
        amount: "5 to 80 ms",
        make: |at| (FaultKind::StopChannelOpen { channel: 1 }, Some(at.between(0.005, 0.08))),
        names: &[Cause::StopButton, Cause::StopStuck],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "power relay welded",
        about: "the relay of the valves' power does not let go",
        make: |_| welded(Relay::ValvePower),
        names: &[Cause::PowerRelay],
        ..SWITCH
    },
    Entry {
        name: "dump relay welded",
        about: "the relay of the dump valve does not let go",
        make: |_| welded(Relay::Dump),
        names: &[Cause::DumpRelay],
        ..SWITCH
    },
    Entry {
        name: "power relay dead",
        about: "the relay of the valves' power lets go by itself",
        make: |_| dead(Relay::ValvePower),
        names: &[Cause::PowerRelay],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "dump relay dead",
        about: "the relay of the dump valve lets go by itself",
        make: |_| dead(Relay::Dump),
        names: &[Cause::DumpRelay, Cause::NoMotion],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "engine relay dead",
        about: "the relay of the engine lets go by itself",
        make: |_| dead(Relay::Engine),
        names: &[Cause::EngineRelay],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "supply sag",
        about: "the voltage that feeds the controller falls",
        amount: "to 19 down to 9 V",
        make: |at| {
            let to = at.between(19.0, 9.0);
            (FaultKind::SupplySag { to }, None)
        },
        names: &[Cause::Supply],
        always: true,
        ..CONTROLLER
    },
    Entry {
        name: "tick early",
        about: "the loop runs twice in a row",
        make: |_| (FaultKind::TickEarly, None),
        names: &[Cause::TickEarly, Cause::PowerRelay],
        always: true,
        ..CONTROLLER
    },
    Entry {
        name: "loop hangs",
        about: "the loop stands still, its outputs staying what they were",
        amount: "for 5 to 500 ms",
        make: |at| (FaultKind::LoopHangs, Some(at.between(0.005, 0.5))),
        names: &[Cause::TickLate],
        ..CONTROLLER
    },
    Entry {
        name: "restart",
        about: "the controller restarts in motion",
        amount: "after 50 to 500 ms",
        make: |at| (FaultKind::Restart, Some(at.between(0.05, 0.5))),
        // The external watchdog starves meanwhile, and keeps the relays.
        names: &[Cause::EngineRelay],
        ..CONTROLLER
    },
];

fn welded(relay: Relay) -> (FaultKind, Option<f64>) {
    (FaultKind::RelayWelded { relay }, None)
}

fn dead(relay: Relay) -> (FaultKind, Option<f64>) {
    (FaultKind::RelayDead { relay }, None)
}

/// The entry of that name.
pub fn entry(name: &str) -> Option<&'static Entry> {
    CATALOGUE.iter().find(|entry| entry.name == name)
}
