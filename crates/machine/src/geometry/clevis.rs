//! The clevis: cylinder, parent and child make a triangle.

use nalgebra::Vector2;

use super::triangle::{Side, has_length, heading, included, wrapped};
use super::{Bar, GeometryError};

/// Barrel pin on the parent, rod pin on the child, and which side of the barrel arm the rod arm lies.
#[derive(Debug, Clone, PartialEq)]
pub struct Clevis {
    pub(crate) barrel: Vector2<f64>,
    pub(crate) rod: Vector2<f64>,
    pub(crate) closed: f64,
    /// Joint angle at which the two arms would lie on each other, on the turn the range is on.
    pub(crate) folded: f64,
    /// +1 if the rod arm lies ahead of the barrel arm, else -1.
    pub(crate) side: f64,
}

impl Clevis {
    pub(super) fn new(
        barrel: Vector2<f64>,
        rod: Vector2<f64>,
        closed: f64,
        middle: f64,
    ) -> Result<Self, GeometryError> {
        has_length(Bar::BarrelArm, barrel.norm())?;
        has_length(Bar::RodArm, rod.norm())?;
        has_length(Bar::Cylinder, closed)?;
        let included = wrapped(middle + heading(rod) - heading(barrel));
        Ok(Clevis {
            barrel,
            rod,
            closed,
            folded: middle - included,
            side: included.signum(),
        })
    }

    pub(super) fn angle(&self, stroke: f64) -> Result<f64, GeometryError> {
        let length = self.closed + stroke;
        Ok(self.folded + self.side * included(Bar::Cylinder, self.barrel.norm(), self.rod.norm(), length)?)
    }

    pub(super) fn at(&self, angle: f64) -> Result<Side, GeometryError> {
        Side::new(self.barrel.norm(), self.rod.norm(), angle - self.folded, self.side)
    }
}
