//! What planning wanted, and what the guard and the drive did, in one tick: what supervision is shown in the next.

use crate::machine::{ARMS_MAX, PerAxis};
use crate::units::Duty;
use crate::vec3::Vec3;

/// What a tick leaves for the next.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LastTick {
    /// What the guard held back.
    pub guarded: Guarded,
    /// What the drive commanded.
    pub driven: Driven,
    /// Where each tip should have been by then, m.
    pub tips: [Option<Vec3>; ARMS_MAX],
    /// At what velocity the levers led each tip, after the ramp, m/s. Unlike `tips` it knows nothing of where the tip is.
    pub tip_velocities: [Option<Vec3>; ARMS_MAX],
}

/// Which axes the guard held back, and from what.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Guarded {
    /// Per axis: held back from a zone or an end of range.
    pub axes: PerAxis<Option<Held>>,
}

/// What the guard holds an axis back from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Held {
    /// A keep-out zone: its number.
    FromZone(u8),
    /// The other arm.
    FromArm,
    /// The end of its range.
    FromEnd,
}

/// What the drive made of the wanted rates.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Driven {
    /// Per axis: how it is driven.
    pub axes: PerAxis<AxisDriven>,
    /// Per channel: what goes to the valve if the gate lets it.
    pub duties: PerAxis<Duty>,
    /// A duty came out that is no duty (neutral stands in its place).
    pub bad_duty: bool,
}

/// How one axis is driven.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisDriven {
    /// Stroke rate asked for, m/s or rad/s.
    pub asked: f32,
    /// Command after feedback and ramps, as a share of full rate, -1 to 1.
    pub command: f32,
    /// Valve opening that belongs to it, -1 to 1.
    pub opening: f32,
    /// How far the stroke lags behind what was asked for, m or rad.
    pub lag: f32,
}
