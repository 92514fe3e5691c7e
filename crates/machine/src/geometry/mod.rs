//! How stroke and joint angle belong together: the plane geometry of each linkage, in f64.
//!
//! All pins are projected on the plane of the joint, whose axes (e1, e2) are chosen so that a positive joint angle turns e1
//! towards e2: (x, -z) for a joint about y, (x, y) about z, (y, z) about x. Angles of directions in that plane are measured
//! from e1 towards e2.
//!
//! A triangle or a four-bar can be put together in two ways; which one a machine is, is decided once, in the middle of the
//! joint's range, and kept. A pose that can only be reached by passing a dead centre is refused, not mirrored.

mod clevis;
mod four_bar;
pub(crate) mod triangle;

use std::f64::consts::PI;
use std::fmt;

use nalgebra::{Vector2, Vector3};

use crate::description::{Axis, JointAxis, Linkage};
use triangle::{off_line, turned};

pub use clevis::Clevis;
pub use four_bar::FourBar;

/// Why a pose does not exist.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum GeometryError {
    /// The bar would have to be longer than it is to reach across.
    #[error("the {bar} ({mm:.1} mm) is too short: {limit_mm:.1} mm at least", mm = have * 1e3, limit_mm = limit * 1e3)]
    TooShort {
        /// Which bar.
        bar: Bar,
        /// Its length, m.
        have: f64,
        /// The least length that closes the linkage there, m.
        limit: f64,
    },
    /// The bar would have to be shorter than it is.
    #[error("the {bar} ({mm:.1} mm) is too long: {limit_mm:.1} mm at most", mm = have * 1e3, limit_mm = limit * 1e3)]
    TooLong {
        /// Which bar.
        bar: Bar,
        /// Its length, m.
        have: f64,
        /// The greatest length that closes the linkage there, m.
        limit: f64,
    },
    /// Two bars lie in one line, or the pose lies behind the place where they do.
    #[error("the {0} is at its dead centre, or past it")]
    DeadCentre(Bar),
    /// A length that has to be positive is zero or less, or not a number.
    #[error("the {0} has no length")]
    NoLength(Bar),
}

/// A bar of a linkage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bar {
    /// The cylinder, from pin to pin.
    Cylinder,
    /// The coupler of a four-bar.
    Coupler,
    /// From the joint (or rocker pivot) to the barrel pin.
    BarrelArm,
    /// From the joint (or rocker pivot) to the rod pin.
    RodArm,
    /// From the rocker pivot to the coupler's pin.
    Rocker,
    /// From the joint to the coupler's pin on the child.
    ChildArm,
    /// From the joint to the rocker pivot.
    Ground,
}

impl fmt::Display for Bar {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Bar::Cylinder => "cylinder",
            Bar::Coupler => "coupler",
            Bar::BarrelArm => "arm of the barrel pin",
            Bar::RodArm => "arm of the rod pin",
            Bar::Rocker => "rocker",
            Bar::ChildArm => "arm of the child pin",
            Bar::Ground => "distance from joint to rocker pivot",
        })
    }
}

/// A linkage whose way of being put together is settled.
#[derive(Debug, Clone, PartialEq)]
pub enum Geometry {
    /// Cylinder between parent and child.
    Clevis(Clevis),
    /// Cylinder, rocker, coupler.
    FourBar(FourBar),
    /// Stroke is the angle above `zero`, rad.
    Direct {
        /// Joint angle at stroke zero, rad.
        zero: f64,
    },
}

/// Where the pins are at a joint angle, in the plane of the joint, in the parent's axes, seen from the joint, m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pins {
    /// A cylinder from the parent to the child.
    Clevis {
        /// The cylinder's pin on the parent.
        barrel: Vector2<f64>,
        /// The cylinder's pin on the child.
        rod: Vector2<f64>,
    },
    /// A cylinder from the parent to a rocker, a coupler from there to the child.
    FourBar {
        /// The cylinder's pin on the parent.
        barrel: Vector2<f64>,
        /// The cylinder's pin on the rocker.
        rod: Vector2<f64>,
        /// The rocker's pivot on the parent.
        pivot: Vector2<f64>,
        /// The coupler's pin on the rocker.
        rocker: Vector2<f64>,
        /// The coupler's pin on the child.
        child: Vector2<f64>,
    },
    /// No pins: the actuator sits on the joint.
    Direct,
}

impl Geometry {
    /// The linkage of an axis, settled.
    ///
    /// # Errors
    /// As [`Geometry::new`].
    pub fn of(axis: &Axis) -> Result<Self, GeometryError> {
        Self::new(&axis.linkage, axis.joint.axis, axis.joint.range)
    }

    /// Settles which way `linkage` is put together from the middle of the joint's `range` (rad).
    ///
    /// # Errors
    /// [`GeometryError`] if a bar has no length or the linkage does not close in the middle of the range.
    pub fn new(linkage: &Linkage, axis: JointAxis, range: (f64, f64)) -> Result<Self, GeometryError> {
        let middle = f64::midpoint(range.0, range.1);
        match *linkage {
            Linkage::Clevis {
                barrel_pin,
                rod_pin,
                closed,
            } => Clevis::new(on_plane(axis, barrel_pin), on_plane(axis, rod_pin), closed, middle).map(Geometry::Clevis),
            Linkage::FourBar {
                barrel_pin,
                rocker_pivot,
                rocker_rod,
                rocker_coupler,
                rocker_angle,
                coupler,
                child_pin,
                closed,
                circuit,
            } => FourBar {
                barrel: on_plane(axis, barrel_pin),
                pivot: on_plane(axis, rocker_pivot),
                child: on_plane(axis, child_pin),
                rocker_rod,
                rocker_coupler,
                rocker_angle,
                coupler,
                closed,
                middle,
                rocker_side: 1.0,
                child_side: 1.0,
                rod_side: 1.0,
            }
            .settled(circuit)
            .map(Geometry::FourBar),
            Linkage::Direct { zero } => Ok(Geometry::Direct { zero }),
        }
    }

    /// Joint angle, rad, at a stroke (m; rad for direct).
    ///
    /// # Errors
    /// [`GeometryError`] where the linkage does not close.
    pub fn angle(&self, stroke: f64) -> Result<f64, GeometryError> {
        match self {
            Geometry::Clevis(clevis) => clevis.angle(stroke),
            Geometry::FourBar(four_bar) => four_bar.angle(stroke),
            Geometry::Direct { zero } => Ok(zero + stroke),
        }
    }

    /// Stroke (m; rad for direct) at a joint angle, rad.
    ///
    /// # Errors
    /// [`GeometryError`] where the linkage does not close, or only in its other way of being put together.
    pub fn stroke(&self, angle: f64) -> Result<f64, GeometryError> {
        match self {
            Geometry::Clevis(clevis) => Ok(clevis.at(angle)?.length - clevis.closed),
            Geometry::FourBar(four_bar) => four_bar.at(angle).map(|pose| pose.cylinder.length - four_bar.closed),
            Geometry::Direct { zero } => Ok(angle - zero),
        }
    }

    /// Change of stroke with joint angle, m/rad: the signed moment arm of the actuator. 1 for direct.
    ///
    /// # Errors
    /// As [`Geometry::stroke`].
    pub fn ratio(&self, angle: f64) -> Result<f64, GeometryError> {
        match self {
            Geometry::Clevis(clevis) => clevis.at(angle).map(|side| side.slope),
            Geometry::FourBar(four_bar) => four_bar.at(angle).map(|pose| pose.cylinder.slope * pose.gear),
            Geometry::Direct { .. } => Ok(1.0),
        }
    }

    /// Change of [`Geometry::ratio`] with joint angle, m/rad².
    ///
    /// # Errors
    /// As [`Geometry::stroke`].
    pub fn second(&self, angle: f64) -> Result<f64, GeometryError> {
        match self {
            Geometry::Clevis(clevis) => clevis.at(angle).map(|side| side.bend),
            Geometry::FourBar(four_bar) => four_bar
                .at(angle)
                .map(|pose| pose.cylinder.bend * pose.gear.powi(2) + pose.cylinder.slope * pose.gear_slope),
            Geometry::Direct { .. } => Ok(0.0),
        }
    }

    /// How far the linkage is from its nearest dead centre, rad: the least angle by which any of its triangles is clear of a
    /// straight line. A quarter turn for direct.
    ///
    /// # Errors
    /// As [`Geometry::stroke`].
    pub fn clearance(&self, angle: f64) -> Result<f64, GeometryError> {
        match self {
            Geometry::Clevis(clevis) => clevis.at(angle).map(|side| off_line(side.included)),
            Geometry::FourBar(four_bar) => four_bar.at(angle).map(|pose| pose.clearance()),
            Geometry::Direct { .. } => Ok(PI / 2.0),
        }
    }

    /// The pins at a joint angle, for drawings.
    ///
    /// # Errors
    /// As [`Geometry::stroke`].
    pub fn pins(&self, angle: f64) -> Result<Pins, GeometryError> {
        match self {
            Geometry::Clevis(clevis) => {
                clevis.at(angle)?;
                Ok(Pins::Clevis {
                    barrel: clevis.barrel,
                    rod: turned(clevis.rod, angle),
                })
            }
            Geometry::FourBar(four_bar) => four_bar.at(angle).map(|pose| Pins::FourBar {
                barrel: four_bar.barrel,
                rod: pose.rod,
                pivot: four_bar.pivot,
                rocker: pose.rocker,
                child: pose.child,
            }),
            Geometry::Direct { .. } => Ok(Pins::Direct),
        }
    }
}

/// A vector in the plane of a joint: its shares along e1 and e2.
pub fn on_plane(axis: JointAxis, v: Vector3<f64>) -> Vector2<f64> {
    match axis {
        JointAxis::X => Vector2::new(v.y, v.z),
        JointAxis::Y => Vector2::new(v.x, -v.z),
        JointAxis::Z => Vector2::new(v.x, v.y),
    }
}

#[cfg(test)]
mod tests;
