//! What can go wrong in a scenario. What each does is for the wiring, the surroundings and the run.

use bellcrank_core::inputs::Station;

use super::Act;

/// Something that goes wrong: what, when, for how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fault {
    /// From when, s.
    pub at: f64,
    /// For how long, s. None: to the end.
    pub lasts: Option<f64>,
    /// What.
    pub kind: FaultKind,
}

impl Fault {
    /// Whether it is on at time `t`, s.
    pub fn on(&self, t: f64) -> bool {
        t >= self.at && self.lasts.is_none_or(|lasts| t < self.at + lasts)
    }
}

/// The things that can go wrong.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FaultKind {
    /// The signal wire of a sensor is open: the input is pulled to 0 V.
    SensorOpen {
        /// The axis.
        axis: usize,
    },
    /// The signal wire of a sensor touches the supply: the input reads full scale.
    SensorShort {
        /// The axis.
        axis: usize,
    },
    /// The sensor's reading stays what it is.
    SensorStuck {
        /// The axis.
        axis: usize,
    },
    /// The sensor's reading steps aside, and stays off by that much.
    SensorJump {
        /// The axis.
        axis: usize,
        /// Share of its span, either way.
        by: f64,
    },
    /// The sensor slips on what it measures: its reading drifts away.
    SensorSlip {
        /// The axis.
        axis: usize,
        /// Share of its span a second, either way.
        rate: f64,
    },
    /// The sensor's reading is noisy.
    SensorNoise {
        /// The axis.
        axis: usize,
        /// RMS, V.
        rms: f64,
    },
    /// No new reading of an axis comes in: the last one gets older.
    SensorStale {
        /// The axis.
        axis: usize,
    },
    /// What feeds the sensors of an axis falls to this voltage.
    ExcitationSag {
        /// The axis. Its sensor tells a share of that voltage.
        axis: usize,
        /// V.
        to: f64,
    },
    /// The second sensor of an axis drifts away.
    TwinDrift {
        /// The axis.
        axis: usize,
        /// Share of its span a second, either way.
        rate: f64,
    },
    /// The signal wire of the second sensor of an axis is open.
    TwinOpen {
        /// The axis.
        axis: usize,
    },
    /// A spool sticks where it is.
    ValveStuck {
        /// The axis.
        axis: usize,
    },
    /// A spool goes to an opening and sticks there.
    ValveStuckOpen {
        /// The axis.
        axis: usize,
        /// Spool position, -1 to 1.
        opening: f64,
    },
    /// A valve no longer answers: no current in its coil.
    ValveDead {
        /// The axis.
        axis: usize,
    },
    /// A valve's coils, hoses or wires are crossed: its spool goes the other way.
    ValveReversed {
        /// The axis.
        axis: usize,
    },
    /// No frames come from a station.
    LinkLost {
        /// The station.
        station: Station,
    },
    /// Many frames from a station are lost or unusable on the way.
    LinkPoor {
        /// The station.
        station: Station,
        /// Share of the frames, 0 to 1.
        share: f64,
    },
    /// A stop button on the machine is pressed.
    StopButton,
    /// The stop button of a hand control is pressed.
    HandStop {
        /// The station.
        station: Station,
    },
    /// One channel of the stop chain is open.
    StopChannelOpen {
        /// 0 or 1.
        channel: usize,
    },
    /// A channel of the stop chain stays closed, whatever is pressed.
    StopChannelStuck {
        /// 0 or 1.
        channel: usize,
    },
    /// The contacts of a relay are welded: it stays pulled in.
    RelayWelded {
        /// The relay.
        relay: Relay,
    },
    /// The coil of a relay is broken: it lets go.
    RelayDead {
        /// The relay.
        relay: Relay,
    },
    /// The voltage that feeds the controller goes to this.
    SupplySag {
        /// V.
        to: f64,
    },
    /// The loop runs twice in a row: each tick is followed by another at once.
    TickEarly,
    /// The loop stands still: the core is not called, and its outputs stay what they were.
    LoopHangs,
    /// The controller starts anew: it has forgotten everything.
    Restart,
    /// The hand does this instead of what it should.
    WrongLever {
        /// What it does.
        act: Act,
    },
    /// The engine dies.
    EngineStall,
    /// A hose between a valve section and its axis bursts, and stays burst.
    HoseBurst {
        /// The axis.
        axis: usize,
        /// The hose of the extending side, 0, or of the retracting side, 1.
        side: usize,
        /// Diameter of the hole, m.
        hole: f64,
    },
    /// The oil is at once that warm, and thin.
    OilHot {
        /// °C.
        to: f64,
    },
    /// The pumps give only this share of their flow.
    PumpWorn {
        /// 0 to 1.
        share: f64,
    },
    /// Oil passes the piston seal of an axis, beyond what the machine file says.
    PistonLeak {
        /// The axis.
        axis: usize,
        /// m³/(s Pa).
        leak: f64,
    },
    /// The coil of a valve moves its spool by only this share of what is asked.
    SpoolWeak {
        /// The axis.
        axis: usize,
        /// 0 to 1.
        share: f64,
    },
}

/// The relays, each a path by which motion ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relay {
    /// Power to the valves.
    ValvePower,
    /// Current to the dump valve.
    Dump,
    /// The engine may run.
    Engine,
}

impl Relay {
    /// All of them, in the order in which the core tells them.
    pub const ALL: [Self; 3] = [Self::ValvePower, Self::Dump, Self::Engine];
}

impl FaultKind {
    /// Its name in scenario files.
    pub fn name(&self) -> &'static str {
        match self {
            Self::SensorOpen { .. } => "sensor_open",
            Self::SensorShort { .. } => "sensor_short",
            Self::SensorStuck { .. } => "sensor_stuck",
            Self::SensorJump { .. } => "sensor_jump",
            Self::SensorSlip { .. } => "sensor_slip",
            Self::SensorNoise { .. } => "sensor_noise",
            Self::SensorStale { .. } => "sensor_stale",
            Self::ExcitationSag { .. } => "excitation_sag",
            Self::TwinDrift { .. } => "twin_drift",
            Self::TwinOpen { .. } => "twin_open",
            Self::ValveStuck { .. } => "valve_stuck",
            Self::ValveStuckOpen { .. } => "valve_stuck_open",
            Self::ValveDead { .. } => "valve_dead",
            Self::ValveReversed { .. } => "valve_reversed",
            Self::LinkLost { .. } => "link_lost",
            Self::LinkPoor { .. } => "link_poor",
            Self::StopButton => "stop_button",
            Self::HandStop { .. } => "hand_stop",
            Self::StopChannelOpen { .. } => "stop_channel_open",
            Self::StopChannelStuck { .. } => "stop_channel_stuck",
            Self::RelayWelded { .. } => "relay_welded",
            Self::RelayDead { .. } => "relay_dead",
            Self::SupplySag { .. } => "supply_sag",
            Self::TickEarly => "tick_early",
            Self::LoopHangs => "loop_hangs",
            Self::Restart => "restart",
            Self::WrongLever { .. } => "wrong_lever",
            Self::EngineStall => "engine_stall",
            Self::HoseBurst { .. } => "hose_burst",
            Self::OilHot { .. } => "oil_hot",
            Self::PumpWorn { .. } => "pump_worn",
            Self::PistonLeak { .. } => "piston_leak",
            Self::SpoolWeak { .. } => "spool_weak",
        }
    }
}
