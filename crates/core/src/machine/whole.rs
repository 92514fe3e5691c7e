//! What belongs to the machine as a whole: its times, and its hand-control stations.

use super::{finite, positive};
use crate::units::Duration;
use crate::vec3::Vec3;

/// Times that the core keeps.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Timing {
    /// Period of the loop.
    pub tick: Duration,
    /// A longer gap between two ticks is a fault.
    pub tick_late: Duration,
    /// A shorter one too.
    pub tick_early: Duration,
    /// Longest the two stop channels may differ.
    pub stop_discrepancy: Duration,
    /// Longest that one of them may open without that being a stop: the test pulse of what drives it. 0: not at all.
    pub stop_pulse: Duration,
    /// Time within which the feedback contact of a relay must follow what the relay is told; none where there are no such contacts.
    pub relay: Option<Duration>,
    /// Time a switch must hold a level.
    pub debounce: Duration,
    /// Longest a stop may ramp before power is cut regardless.
    pub stop_budget: Duration,
    /// From a command to the motion it causes: what the guard allows for before braking bites.
    pub reaction: Duration,
}

/// A hand-control station.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct StationLimits {
    /// A frame older than this is a lost link.
    pub frame_late: Duration,
    /// It must be heard whoever is in charge: its stop button is part of the machine's.
    pub required: bool,
    /// Share of full speed allowed.
    pub speed_cap: f32,
    /// Deflection below which a lever is neutral.
    pub dead_zone: f32,
    /// Greatest speed of a tip, m/s; none where it is as fast as it can.
    pub tip_speed: Option<f32>,
    /// How much finer a lever is near neutral, 0 to 1: so much of it goes with the cube of the deflection.
    pub expo: f32,
    /// Share of that speed that is left in slow mode.
    pub slow_share: f32,
}

/// Where the seat is and where it looks.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct SeatPlace {
    /// In the machine frame, m.
    pub position: Vec3,
    /// Turned to the left from the machine's forward by so much, rad.
    pub yaw: f32,
}

impl Default for Timing {
    /// Nothing said, which no loop can run with.
    fn default() -> Self {
        const NONE: Duration = Duration::from_ticks(0);
        Self {
            tick: NONE,
            tick_late: NONE,
            tick_early: NONE,
            stop_discrepancy: NONE,
            stop_pulse: NONE,
            relay: None,
            debounce: NONE,
            stop_budget: NONE,
            reaction: NONE,
        }
    }
}

impl Default for StationLimits {
    /// Nothing said, which no station can be used with.
    fn default() -> Self {
        Self {
            frame_late: Duration::from_ticks(0),
            required: false,
            speed_cap: 0.0,
            dead_zone: 0.0,
            tip_speed: None,
            expo: 0.0,
            slow_share: 0.0,
        }
    }
}

impl SeatPlace {
    pub(super) fn usable(&self) -> bool {
        finite(&self.position) && self.yaw >= -TURN && self.yaw <= TURN
    }
}

/// More than a turn is a mistake.
const TURN: f32 = 6.3;

impl Timing {
    pub(super) fn usable(&self) -> bool {
        self.tick_early < self.tick && self.tick < self.tick_late && !self.stop_budget.is_zero()
    }
}

impl StationLimits {
    pub(super) fn usable(&self) -> bool {
        !self.frame_late.is_zero()
            && positive(self.speed_cap)
            && self.speed_cap <= 1.0
            && finite(&[self.dead_zone])
            && self.dead_zone >= 0.0
            && self.dead_zone < 1.0
            && self.tip_speed.is_none_or(positive)
            && self.expo >= 0.0
            && self.expo <= 1.0
            && positive(self.slow_share)
            && self.slow_share <= 1.0
    }
}
