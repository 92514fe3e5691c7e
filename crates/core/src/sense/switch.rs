//! Switches and doubts: a level that must hold to count, and two channels that must agree.

use crate::inputs::{Inputs, Station};
use crate::machine::Timing;
use crate::units::{Duration, Held};

/// What the switches say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Levels {
    /// A channel of the stop chain is open. Not debounced: a stop is taken at once.
    pub stop_demanded: bool,
    /// The channels of the stop chain have differed for too long.
    pub stop_discrepancy: bool,
    /// The reset button, debounced.
    pub reset: bool,
    /// The enabling switch at the seat, debounced.
    pub seat_enable: bool,
    /// The enabling switch of the wireless station, debounced.
    pub remote_enable: bool,
}

impl Levels {
    /// The enabling switch of a station, debounced.
    pub fn enable(&self, station: Station) -> bool {
        match station {
            Station::Seat => self.seat_enable,
            Station::Remote => self.remote_enable,
        }
    }
}

/// What is remembered of the switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Switches {
    stop: DualChannel,
    reset: Debounced,
    seat_enable: Debounced,
    remote_enable: Debounced,
}

impl Switches {
    /// One tick of looking at the switches.
    pub fn step(&mut self, inputs: &Inputs, timing: &Timing, dt: Duration) -> Levels {
        Levels {
            stop_demanded: inputs.stop_chain.contains(&false),
            stop_discrepancy: self.stop.step(inputs.stop_chain, timing.stop_discrepancy, dt),
            reset: self.reset.step(inputs.reset, timing.debounce, dt),
            seat_enable: self.seat_enable.step(inputs.seat.enable, timing.debounce, dt),
            remote_enable: self.remote_enable.step(inputs.remote.enable, timing.debounce, dt),
        }
    }
}

/// A switch, or a doubt, that counts only once it has held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Debounced {
    held: Held,
}

impl Debounced {
    /// Rising only after `time`; falling at once, since letting go must never be late.
    pub fn step(&mut self, raw: bool, time: Duration, dt: Duration) -> bool {
        self.held.reaches(time, raw, dt)
    }
}

/// Two channels that carry the same message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DualChannel {
    differ: Held,
}

impl DualChannel {
    /// True once the channels have differed for longer than `longest`.
    pub fn step(&mut self, [first, second]: [bool; 2], longest: Duration, dt: Duration) -> bool {
        let longer = Duration::from_ticks(longest.as_ticks().saturating_add(1));
        self.differ.reaches(longer, first != second, dt)
    }
}
