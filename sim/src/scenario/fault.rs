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
    /// The signals of the sensors of two axes are exchanged: each input reads the other's sensor.
    SensorsSwapped {
        /// One axis.
        axis: usize,
        /// The other.
        with: usize,
    },
    /// A sensor counts the wrong way: from where it is, its reading falls where it should rise.
    SensorReversed {
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
    /// A spool follows slowly.
    ValveSlow {
        /// The axis.
        axis: usize,
        /// Share of its quickness that is left, 0 to 1.
        share: f64,
    },
    /// A spool has to go further than it should before its lands open.
    OverlapGrown {
        /// The axis.
        axis: usize,
        /// By this share of full travel.
        by: f64,
    },
    /// A spool's closed lands let more through than they should.
    ValveLeaks {
        /// The axis.
        axis: usize,
        /// Each of them, m³/(s Pa).
        leak: f64,
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
    /// All that goes between a station and the core is held back.
    LinkDelayed {
        /// The station.
        station: Station,
        /// For how long, either way, s.
        by: f64,
    },
    /// In place of each frame from a station the one that came last is brought again.
    LinkRepeats {
        /// The station.
        station: Station,
    },
    /// Frames from a station are held until there are so many, and brought the newest first.
    LinkReorders {
        /// The station.
        station: Station,
        /// So many.
        among: usize,
    },
    /// Bits of what goes between a station and the core are turned over.
    LinkCorrupts {
        /// The station.
        station: Station,
        /// Share of the bits, 0 to 1.
        share: f64,
    },
    /// Somebody without the key speaks in the place of a station, with every lever over and the enabling switch held.
    LinkForged {
        /// The station.
        station: Station,
    },
    /// Noise drowns all that goes between a station and the core.
    LinkJammed {
        /// The station.
        station: Station,
    },
    /// A station is heard, but hears nothing.
    LinkHalfOpen {
        /// The station.
        station: Station,
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
    /// The contact of a channel of the stop chain bounces: it opens for a moment again and again.
    StopChannelBounces {
        /// 0 or 1.
        channel: usize,
        /// Each time for so long, s.
        open: f64,
        /// So often, s.
        every: f64,
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
    /// What feeds the controller breaks down to this voltage, falling and coming back as its capacitors let it. While it is too low for the
    /// controller, that stands still without current, and then starts anew.
    BrownOut {
        /// V.
        to: f64,
    },
    /// The loop runs twice in a row: each tick is followed by another at once.
    TickEarly,
    /// The loop stands still: the core is not called, and its outputs stay what they were.
    LoopHangs,
    /// The controller starts anew: it has forgotten everything.
    Restart,
    /// The controller starts anew, and finds one bit of what it kept through the restart turned over.
    RecordFlipped {
        /// Which of its bits, from 0.
        bit: usize,
    },
    /// The controller starts anew, and one bit of the image that its machine is read from is turned over.
    ImageDamaged {
        /// Where in the image, 0 (its first bit) to 1 (its last).
        place: f64,
    },
    /// The hand does this instead of what it should.
    WrongLever {
        /// What it does.
        act: Act,
    },
    /// Every lever of the station in charge is moved the wrong way round.
    LeversReversed,
    /// The levers stay where they are when they are let go.
    LeversStuck,
    /// The enabling switch is tied down.
    EnableTied,
    /// The engine dies.
    EngineStall,
    /// The main reliefs are held off their seats.
    ReliefStuckOpen {
        /// Share of its pump's flow that each would let through at its setting.
        share: f64,
    },
    /// The dump valves stay where they are: closed, when their current goes.
    DumpStuck,
    /// The oil holds this much undissolved air.
    AirInOil {
        /// Share of its volume at atmospheric pressure.
        share: f64,
    },
    /// The load-holding valves of an axis stick open.
    HoldingStuckOpen {
        /// The axis. It has such a valve.
        axis: usize,
    },
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
            Self::SensorsSwapped { .. } => "sensors_swapped",
            Self::SensorReversed { .. } => "sensor_reversed",
            Self::ValveStuck { .. } => "valve_stuck",
            Self::ValveStuckOpen { .. } => "valve_stuck_open",
            Self::ValveDead { .. } => "valve_dead",
            Self::ValveReversed { .. } => "valve_reversed",
            Self::ValveSlow { .. } => "valve_slow",
            Self::OverlapGrown { .. } => "overlap_grown",
            Self::ValveLeaks { .. } => "valve_leaks",
            Self::LinkLost { .. } => "link_lost",
            Self::LinkPoor { .. } => "link_poor",
            Self::LinkDelayed { .. } => "link_delayed",
            Self::LinkRepeats { .. } => "link_repeats",
            Self::LinkReorders { .. } => "link_reorders",
            Self::LinkCorrupts { .. } => "link_corrupts",
            Self::LinkForged { .. } => "link_forged",
            Self::LinkJammed { .. } => "link_jammed",
            Self::LinkHalfOpen { .. } => "link_half_open",
            Self::StopButton => "stop_button",
            Self::HandStop { .. } => "hand_stop",
            Self::StopChannelOpen { .. } => "stop_channel_open",
            Self::StopChannelStuck { .. } => "stop_channel_stuck",
            Self::StopChannelBounces { .. } => "stop_channel_bounces",
            Self::RelayWelded { .. } => "relay_welded",
            Self::RelayDead { .. } => "relay_dead",
            Self::SupplySag { .. } => "supply_sag",
            Self::BrownOut { .. } => "brown_out",
            Self::TickEarly => "tick_early",
            Self::LoopHangs => "loop_hangs",
            Self::Restart => "restart",
            Self::RecordFlipped { .. } => "record_flipped",
            Self::ImageDamaged { .. } => "image_damaged",
            Self::WrongLever { .. } => "wrong_lever",
            Self::LeversReversed => "levers_reversed",
            Self::LeversStuck => "levers_stuck",
            Self::EnableTied => "enable_tied",
            Self::EngineStall => "engine_stall",
            Self::ReliefStuckOpen { .. } => "relief_stuck_open",
            Self::DumpStuck => "dump_stuck",
            Self::AirInOil { .. } => "air_in_oil",
            Self::HoldingStuckOpen { .. } => "holding_stuck_open",
            Self::HoseBurst { .. } => "hose_burst",
            Self::OilHot { .. } => "oil_hot",
            Self::PumpWorn { .. } => "pump_worn",
            Self::PistonLeak { .. } => "piston_leak",
            Self::SpoolWeak { .. } => "spool_weak",
        }
    }

    /// The station that it is about, if it is about one.
    pub fn station(&self) -> Option<Station> {
        match *self {
            Self::LinkLost { station }
            | Self::LinkPoor { station, .. }
            | Self::LinkDelayed { station, .. }
            | Self::LinkRepeats { station }
            | Self::LinkReorders { station, .. }
            | Self::LinkCorrupts { station, .. }
            | Self::LinkForged { station }
            | Self::LinkJammed { station }
            | Self::LinkHalfOpen { station }
            | Self::HandStop { station } => Some(station),
            _ => None,
        }
    }
}
