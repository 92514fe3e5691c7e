//! Keep-out zones.

use super::{ARMS_MAX, Arm, Field, JOINTS_MAX, check, finite, not_negative};
use crate::math;
use crate::vec3::{Vec3, norm};

/// A volume that no arm part may enter, but for those that it spares.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Zone {
    /// Its shape, in the machine frame, or in that of the joint that carries it.
    pub shape: Shape,
    /// The joint whose link carries it; none where it is fixed to the machine.
    pub carried: Option<Carried>,
    /// Parts that may be in it.
    pub spares: Spares,
    /// Distance to keep, m.
    pub margin: f32,
}

/// The shape of a zone.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Shape {
    /// A box with its sides along the axes.
    Box {
        /// Least coordinates, m.
        min: Vec3,
        /// Greatest coordinates, m.
        max: Vec3,
    },
    /// All that is no further than `radius` from the line between two points.
    Capsule {
        /// One end of the line, m.
        from: Vec3,
        /// The other, m.
        to: Vec3,
        /// m.
        radius: f32,
    },
    /// All that lies on the inner side of a plane.
    HalfSpace {
        /// A point of the plane, m.
        point: Vec3,
        /// Unit vector square to the plane, out of the zone.
        outward: Vec3,
    },
}

/// The joint that carries a zone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Carried {
    /// Number of its arm.
    pub arm: u8,
    /// The joint, counted from the base.
    pub joint: u8,
}

/// Joints of each arm whose parts (link and cylinder) may be in a zone: a bit a joint, counted from the base, and the bit after the
/// last joint's for the grip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Spares([u8; ARMS_MAX]);

const _: () = assert!(JOINTS_MAX < 8, "a bit for each joint and one for the grip");

impl Spares {
    /// Spares this joint as well. What is beyond the capacity is not spared.
    pub fn add(&mut self, arm: usize, joint: usize) {
        if let Some(bits) = self.0.get_mut(arm) {
            *bits |= bit(joint);
        }
    }

    /// This joint is spared.
    pub fn has(&self, arm: usize, joint: usize) -> bool {
        self.0.get(arm).is_some_and(|bits| bits & bit(joint) != 0)
    }
}

fn bit(joint: usize) -> u8 {
    u32::try_from(joint)
        .ok()
        .and_then(|joint| 1_u8.checked_shl(joint))
        .unwrap_or(0)
}

impl Zone {
    pub(super) fn check(&self, arms: &[Arm]) -> Result<(), Field> {
        check(self.shape.usable(), Field::Shape)?;
        check(
            self.carried.is_none_or(|Carried { arm, joint }| {
                arms.get(usize::from(arm))
                    .is_some_and(|arm| usize::from(joint) < arm.joints.len())
            }),
            Field::Carried,
        )?;
        check(not_negative(self.margin), Field::Margin)
    }
}

impl Shape {
    fn usable(&self) -> bool {
        match self {
            Self::Box { min, max } => finite(min) && finite(max) && min.iter().zip(max).all(|(min, max)| min < max),
            Self::Capsule { from, to, radius } => finite(from) && finite(to) && not_negative(*radius),
            Self::HalfSpace { point, outward } => finite(point) && math::abs(norm(*outward) - 1.0) < 1e-5,
        }
    }
}
