//! Switches and doubts: a level that must hold to count, and two channels that must agree.

use crate::units::{Duration, Held};

/// A switch, or a doubt, that counts only once it has held.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Debounced {
    held: Held,
}

impl Debounced {
    /// Rising only after `time`; falling at once, since letting go must never be late.
    pub fn step(&mut self, raw: bool, time: Duration, dt: Duration) -> bool {
        self.held.step(raw, dt) >= time && raw
    }
}

/// Two channels that carry the same message.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DualChannel {
    differ: Held,
}

impl DualChannel {
    /// True once the channels have differed for longer than `longest`.
    pub fn step(&mut self, [first, second]: [bool; 2], longest: Duration, dt: Duration) -> bool {
        self.differ.step(first != second, dt) > longest
    }
}
