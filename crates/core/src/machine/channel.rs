//! What a valve wants to be told by: a pulse width, the current of one coil or the other, or a voltage.

use super::{EachWay, finite, positive};
use crate::units::Duty;

/// The output towards one valve.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Channel {
    /// A duty towards the valve's own electronics.
    Pwm(Pwm),
    /// The current of two coils, one for each direction; without any the valve is closed.
    Coils(Coils),
    /// A voltage of either sign towards the valve's own electronics; 0 V closes it.
    Voltage(Voltage),
}

/// Shares of a period.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Pwm {
    /// The duty that means "stay".
    pub neutral: f32,
    /// Least legal duty.
    pub low: f32,
    /// Greatest legal duty.
    pub high: f32,
    /// A rising duty retracts instead of extends.
    pub reversed: bool,
}

/// Two coils.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Coils {
    /// The current that opens the valve all the way when extending and when retracting, A; no coil ever gets more.
    pub full: EachWay,
}

/// A voltage of either sign.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Voltage {
    /// The voltage that opens the valve all the way, either way, V.
    pub full: f32,
    /// A positive voltage retracts instead of extends.
    pub reversed: bool,
}

impl Channel {
    pub(super) fn usable(&self) -> bool {
        match self {
            Self::Pwm(Pwm { neutral, low, high, .. }) => {
                finite(&[*low, *neutral, *high]) && 0.0 <= *low && low < neutral && neutral < high && *high <= 1.0
            }
            Self::Coils(Coils { full }) => positive(full.out) && positive(full.inward),
            Self::Voltage(Voltage { full, .. }) => positive(*full),
        }
    }
}

impl Pwm {
    /// The duty that means "stay".
    pub fn stay(&self) -> Duty {
        // Never refused: `Machine::new` has seen to it. Zero duty would be off, which is as safe.
        Duty::new(self.neutral).unwrap_or_default()
    }
}
