//! The four-bar: the cylinder turns a rocker on the parent, a coupler from the rocker turns the child.

use nalgebra::Vector2;

use super::triangle::{ROUNDING, Side, ahead, along, cross, has_length, heading, included, off_line, turned, wrapped};
use super::{Bar, GeometryError};
use crate::description::Circuit;

/// Cylinder to rocker, rocker to coupler, coupler to child.
#[derive(Debug, Clone, PartialEq)]
pub struct FourBar {
    pub(crate) barrel: Vector2<f64>,
    pub(crate) pivot: Vector2<f64>,
    pub(crate) rocker_rod: f64,
    pub(crate) rocker_coupler: f64,
    pub(crate) rocker_angle: f64,
    pub(crate) coupler: f64,
    pub(crate) child: Vector2<f64>,
    pub(crate) closed: f64,
    pub(crate) middle: f64,
    /// On which side of the line pivot -> child pin the rocker's pin lies: +1 ahead, -1 behind.
    pub(crate) rocker_side: f64,
    /// On which side of the line joint -> rocker's pin the child pin lies.
    pub(crate) child_side: f64,
    /// On which side of the line pivot -> barrel pin the rod pin lies.
    pub(crate) rod_side: f64,
}

/// A four-bar at one joint angle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pose {
    pub(super) rod: Vector2<f64>,
    pub(super) rocker: Vector2<f64>,
    pub(super) child: Vector2<f64>,
    pub(super) cylinder: Side,
    /// Change of rocker angle with joint angle, and how that changes.
    pub(super) gear: f64,
    pub(super) gear_slope: f64,
    /// Angle between rocker and coupler, and between coupler and child arm.
    at_rocker: f64,
    at_child: f64,
}

impl Pose {
    pub(super) fn clearance(&self) -> f64 {
        off_line(self.cylinder.included)
            .min(off_line(self.at_rocker))
            .min(off_line(self.at_child))
    }
}

impl FourBar {
    /// Checks the sizes and settles the signs in the middle of the range.
    pub(super) fn settled(mut self, circuit: Circuit) -> Result<Self, GeometryError> {
        for (bar, length) in [
            (Bar::BarrelArm, (self.barrel - self.pivot).norm()),
            (Bar::Ground, self.pivot.norm()),
            (Bar::RodArm, self.rocker_rod),
            (Bar::Rocker, self.rocker_coupler),
            (Bar::Coupler, self.coupler),
            (Bar::ChildArm, self.child.norm()),
            (Bar::Cylinder, self.closed),
        ] {
            has_length(bar, length)?;
        }

        // Joint, pivot, rocker's pin and child pin make a quadrangle. Its diagonal from pivot to child pin has the joint on one
        // side; the rocker's pin is on the other in the open circuit, on the same in the crossed one.
        let child_there = turned(self.child, self.middle);
        let joint_side = cross(child_there - self.pivot, -self.pivot).signum();
        self.rocker_side = match circuit {
            Circuit::Open => -joint_side,
            Circuit::Crossed => joint_side,
        };
        let rocker = self.rocker_pin(child_there)?;
        self.child_side = cross(rocker, child_there).signum();
        self.rod_side = self.rod_included(rocker).signum();
        Ok(self)
    }

    pub(super) fn angle(&self, stroke: f64) -> Result<f64, GeometryError> {
        let arm = self.barrel - self.pivot;
        let rod =
            heading(arm) + self.rod_side * included(Bar::Cylinder, arm.norm(), self.rocker_rod, self.closed + stroke)?;
        let rocker = self.pivot + along(rod + self.rocker_angle, self.rocker_coupler);
        let at_joint = included(Bar::Coupler, rocker.norm(), self.child.norm(), self.coupler)?;
        let angle = heading(rocker) + self.child_side * at_joint - heading(self.child);
        let angle = self.middle + wrapped(angle - self.middle);
        // The cylinder may have pushed the rocker past the place where the coupler pulls it straight.
        if cross(turned(self.child, angle) - self.pivot, rocker - self.pivot) * self.rocker_side < -ROUNDING {
            return Err(GeometryError::DeadCentre(Bar::Rocker));
        }
        Ok(angle)
    }

    pub(super) fn at(&self, angle: f64) -> Result<Pose, GeometryError> {
        let child = turned(self.child, angle);
        let rocker = self.rocker_pin(child)?;
        if cross(rocker, child) * self.child_side < -ROUNDING {
            return Err(GeometryError::DeadCentre(Bar::ChildArm));
        }
        let (swing, coupler) = (rocker - self.pivot, rocker - child);
        let cylinder = Side::new(
            (self.barrel - self.pivot).norm(),
            self.rocker_rod,
            self.rod_included(rocker),
            self.rod_side,
        )?;

        // The coupler keeps its length: its direction times the difference of the velocities of its ends is zero. Once more
        // differentiated, the same holds of the accelerations.
        let hold = coupler.dot(&ahead(swing));
        if hold.abs() < ROUNDING * self.coupler * self.rocker_coupler {
            return Err(GeometryError::DeadCentre(Bar::Rocker));
        }
        let gear = coupler.dot(&ahead(child)) / hold;
        let apart = ahead(swing) * gear - ahead(child);
        let gear_slope = (coupler.dot(&swing) * gear * gear - coupler.dot(&child) - apart.norm_squared()) / hold;

        let rod = self.pivot + along(heading(swing) - self.rocker_angle, self.rocker_rod);
        let at_rocker = wrapped(heading(coupler) - heading(swing));
        let at_child = wrapped(heading(coupler) - heading(child));
        Ok(Pose {
            rod,
            rocker,
            child,
            cylinder,
            gear,
            gear_slope,
            at_rocker,
            at_child,
        })
    }

    /// The coupler's pin on the rocker when its pin on the child is at `child`.
    fn rocker_pin(&self, child: Vector2<f64>) -> Result<Vector2<f64>, GeometryError> {
        let diagonal = child - self.pivot;
        let at_pivot = included(Bar::Coupler, self.rocker_coupler, diagonal.norm(), self.coupler)?;
        Ok(self.pivot + along(heading(diagonal) + self.rocker_side * at_pivot, self.rocker_coupler))
    }

    /// Signed angle at the pivot from the barrel pin to the rod pin when the coupler's pin is at `rocker`.
    fn rod_included(&self, rocker: Vector2<f64>) -> f64 {
        wrapped(heading(rocker - self.pivot) - self.rocker_angle - heading(self.barrel - self.pivot))
    }
}
