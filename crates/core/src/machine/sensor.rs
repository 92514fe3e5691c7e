//! Length and angle sensors: what their signal is, and what stroke it means.

use heapless::Vec;

use super::{finite, positive};
use crate::units::{Duration, Ohms};

/// Most points of a calibration.
pub const POINTS_MAX: usize = 16;

/// How a sensor tells its stroke. The board always reads volts.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Signal {
    /// By a voltage of its own (0-10 V, 0.5-4.5 V). The signal is in V.
    Voltage,
    /// By a share of the voltage that feeds it, which is read too: a potentiometer. The signal is that share, V/V.
    Ratiometric {
        /// Least and greatest credible excitation, V.
        excitation: (f32, f32),
    },
    /// By a current, read as the voltage that it makes over a shunt (4-20 mA). The signal is in A.
    Current {
        /// The shunt.
        #[cfg_attr(feature = "serde", serde(with = "plain_ohms"))]
        shunt: Ohms,
    },
}

/// What stroke a signal means, and outside which signals the wiring is broken.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Calibration {
    /// What is read.
    pub signal: Signal,
    /// At least two points, signal and stroke (m or rad). The signal rises from point to point, the stroke rises or falls all the way;
    /// between two points and beyond the last it goes in a straight line.
    pub points: Vec<(f32, f32), POINTS_MAX>,
    /// From the first signal down and from the second up, what is read is a fault.
    pub fault: (f32, f32),
}

/// A second sensor on the same axis, in the same supply. It is never driven by: it only confirms the first.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Twin {
    /// What it reads.
    pub sensor: Calibration,
    /// Furthest that the two may lie apart, m or rad.
    pub limit: f32,
    /// How long they must lie further apart to count.
    pub confirm: Duration,
}

/// A shunt as a plain number. What is no resistance comes in as none at all, which the check of the machine refuses with the axis' name.
#[cfg(feature = "serde")]
mod plain_ohms {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::units::Ohms;

    #[allow(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
    pub fn serialize<S: Serializer>(shunt: &Ohms, to: S) -> Result<S::Ok, S::Error> {
        shunt.ohms().serialize(to)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Ohms, D::Error> {
        Ok(Ohms::new(f32::deserialize(from)?).unwrap_or_default())
    }
}

impl Signal {
    fn usable(&self) -> bool {
        match self {
            Self::Voltage => true,
            Self::Ratiometric { excitation } => {
                positive(excitation.0) && positive(excitation.1) && excitation.0 < excitation.1
            }
            Self::Current { shunt } => positive(shunt.ohms()),
        }
    }
}

impl Calibration {
    /// The part of the stroke that the points span, m or rad.
    pub fn span(&self) -> f32 {
        match (self.points.first(), self.points.last()) {
            (Some(first), Some(last)) => crate::math::abs(last.1 - first.1),
            _ => 0.0,
        }
    }

    pub(super) fn usable(&self) -> bool {
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else {
            return false;
        };
        let rises = last.1 > first.1;
        self.signal.usable()
            && self.points.len() >= 2
            && self.points.iter().all(|point| finite(&[point.0, point.1]))
            && self
                .segments()
                .all(|(low, high)| low.0 < high.0 && low.1 != high.1 && (low.1 < high.1) == rises)
            && finite(&[self.fault.0, self.fault.1])
            && self.fault.0 < first.0
            && last.0 < self.fault.1
    }

    /// Each point with the next.
    pub(crate) fn segments(&self) -> impl Iterator<Item = (&(f32, f32), &(f32, f32))> {
        self.points.iter().zip(self.points.iter().skip(1))
    }
}

impl Twin {
    pub(super) fn usable(&self) -> bool {
        self.sensor.usable() && positive(self.limit)
    }
}
