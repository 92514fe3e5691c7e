//! What planning wanted, and what the guard and the drive did, in one tick: what supervision is shown in the next.

use crate::inputs::Relays;
use crate::machine::{ARMS_MAX, AxisId, PerAxis};
use crate::outputs::ValveSignal;
use crate::stamp::Stamp;
use crate::vec3::Vec3;

/// What a tick leaves for the next.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LastTick {
    /// What the guard held back.
    pub guarded: Guarded,
    /// The order that planning has just refused.
    pub refused: Option<Refusal>,
    /// What the drive commanded.
    pub driven: Driven,
    /// What the gate told the relays.
    pub relays: Relays,
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
    /// Where the machine would tip.
    FromTipping,
    /// The end of its range.
    FromEnd,
}

/// An order to bring a tip somewhere that was refused before anything moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Refusal {
    /// The arm that was to go, as the order has it.
    pub arm: u8,
    /// What is in the way.
    pub obstacle: Obstacle,
    /// How far along the line that is, mm.
    pub along_mm: u16,
}

/// What can be in the way of a move.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Obstacle {
    /// A keep-out zone: its number.
    Zone(u8),
    /// The other arm, where it stands.
    OtherArm,
    /// The end of the range of an axis.
    EndOfRange(AxisId),
    /// The arm is too short, or all but outstretched there.
    Reach,
    /// The order itself: it names no arm whose place is known, or a number that is none.
    Unusable,
}

impl Refusal {
    /// Of an order for an arm, for what is in the way so far along, m.
    pub fn new(arm: u8, obstacle: Obstacle, along: f32) -> Self {
        // What is no number becomes 0, what is more than fits the most that does.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let along_mm = (1e3 * along + 0.5) as u16;
        Self {
            arm,
            obstacle,
            along_mm,
        }
    }
}

/// What the drive made of the wanted rates.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Driven {
    /// How it came to be.
    pub stamp: Stamp,
    /// Per axis: how it is driven.
    pub axes: PerAxis<AxisDriven>,
    /// Per axis: what goes to its valve if the gate lets it.
    pub valves: PerAxis<ValveSignal>,
    /// A signal came out that is none (that of a closed valve stands in its place).
    pub bad_signal: bool,
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
