//! Quantities at the core's public faces: one newtype each, checked where it is made and trusted after.
//!
//! Inside the core everything is plain `f32` in SI units. A newtype has a private field and a fallible constructor, so whoever
//! holds one need not check again. Not-a-number is refused at this door: a limiter would let it through or, worse, turn it
//! into full speed.

use core::fmt;

/// Why a number is not a value of the quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum UnitError {
    /// Not a number, or infinite.
    NotFinite,
    /// Outside the range that the type documents.
    OutOfRange,
}

impl fmt::Display for UnitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotFinite => "not a finite number",
            Self::OutOfRange => "out of range",
        })
    }
}

impl core::error::Error for UnitError {}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $getter:ident, $low:expr, $high:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
        #[cfg_attr(feature = "serde", serde(into = "f32", try_from = "f32"))]
        pub struct $name(f32);

        impl From<$name> for f32 {
            fn from(value: $name) -> Self {
                value.0
            }
        }

        impl TryFrom<f32> for $name {
            type Error = UnitError;

            fn try_from(value: f32) -> Result<Self, UnitError> {
                Self::new(value)
            }
        }

        impl $name {
            /// Checks and wraps a number.
            ///
            /// # Errors
            /// [`UnitError::NotFinite`] for NaN and infinities, [`UnitError::OutOfRange`] outside the range stated on the type.
            pub const fn new(value: f32) -> Result<Self, UnitError> {
                if !value.is_finite() {
                    return Err(UnitError::NotFinite);
                }
                if value < $low || value > $high {
                    return Err(UnitError::OutOfRange);
                }
                Ok(Self(value))
            }

            /// The number, in the unit stated on the type.
            pub const fn $getter(self) -> f32 {
                self.0
            }
        }
    };
}

quantity! {
    /// What an analogue input reads, V. Any finite number: whether it is a credible reading is for [`crate::sense`] to say.
    Volts, volts, f32::MIN, f32::MAX
}
quantity! {
    /// A current through a valve's coil, A. From 0 up.
    Amps, amps, 0.0, f32::MAX
}
quantity! {
    /// A resistance, ohm. From 0 up.
    Ohms, ohms, 0.0, f32::MAX
}
quantity! {
    /// How far an actuator is out: m for a cylinder, rad above its zero for a motor on the joint. Any finite number.
    Stroke, metres, f32::MIN, f32::MAX
}
quantity! {
    /// A joint's angle, rad, not wrapped. Any finite number.
    Angle, radians, f32::MIN, f32::MAX
}
quantity! {
    /// How far a lever is pushed, as a share of its travel, -1 to 1.
    Lever, share, -1.0, 1.0
}
quantity! {
    /// How far a valve is asked to open, as a share of full: -1 (full retract) to 1 (full extend), 0 closed.
    Opening, share, -1.0, 1.0
}
quantity! {
    /// On-time of a PWM output as a share of its period, 0 to 1.
    Duty, share, 0.0, 1.0
}

/// A machine's lengths, speeds and flows are above this (1 nm, 1 nl/s): dividing by them stays finite.
pub(crate) const SMALLEST_DIVISOR: f32 = 1e-9;

/// A length of time, in whole microseconds.
pub type Duration = fugit::MicrosDurationU32;

/// A point in time since the board started, in whole microseconds.
pub type Instant = fugit::MonotonicTimerInstantU64<1_000_000>;

/// A duration in seconds.
pub fn seconds(duration: Duration) -> f32 {
    duration.as_ticks() as f32 * 1e-6
}

/// For how long a condition has held without a break.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Held {
    micros: u32,
}

impl Held {
    /// Adds one tick in which the condition did or did not hold, and says how long it has now held.
    pub fn step(&mut self, holds: bool, dt: Duration) -> Duration {
        self.micros = if holds {
            self.micros.saturating_add(dt.as_ticks())
        } else {
            0
        };
        self.duration()
    }

    /// Adds one tick, and says whether the condition has now held for `limit`. It counts no further than that, so that what has held
    /// for long enough looks the same from then on.
    pub fn reaches(&mut self, limit: Duration, holds: bool, dt: Duration) -> bool {
        let reached = self.step(holds, dt) >= limit;
        if reached {
            self.micros = limit.as_ticks();
        }
        reached && holds
    }

    /// Starts again from nothing.
    pub fn restart(&mut self) {
        *self = Self::default();
    }

    /// For how long it has held.
    pub fn duration(self) -> Duration {
        Duration::from_ticks(self.micros)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_number_is_no_duty() {
        assert_eq!(Duty::new(f32::NAN), Err(UnitError::NotFinite));
        assert_eq!(Lever::new(f32::INFINITY), Err(UnitError::NotFinite));
        assert_eq!(Duty::new(-0.01), Err(UnitError::OutOfRange));
        assert_eq!(Opening::new(1.01), Err(UnitError::OutOfRange));
        assert_eq!(Duty::new(0.5).map(Duty::share), Ok(0.5));
    }

    #[test]
    fn a_break_starts_the_count_again() {
        let (mut held, tick) = (Held::default(), Duration::from_ticks(2_000));
        held.step(true, tick);
        assert_eq!(held.step(true, tick), Duration::from_ticks(4_000));
        assert_eq!(held.step(false, tick), Duration::from_ticks(0));
        let endless = Duration::from_ticks(u32::MAX);
        held.step(true, endless);
        assert_eq!(held.step(true, tick), endless);
    }

    #[test]
    fn what_has_held_for_long_enough_looks_the_same_from_then_on() {
        let (mut held, tick, limit) = (
            Held::default(),
            Duration::from_ticks(2_000),
            Duration::from_ticks(5_000),
        );
        assert_eq!(
            [(); 4].map(|()| held.reaches(limit, true, tick)),
            [false, false, true, true]
        );
        assert_eq!(held.duration(), limit);
        assert!(!held.reaches(limit, false, tick));
        assert!(!Held::default().reaches(Duration::from_ticks(0), false, tick));
    }
}
