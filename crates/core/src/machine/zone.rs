//! Keep-out zones.

use super::{Field, check, finite};
use crate::vec3::Vec3;

/// A box fixed to the machine that no arm part may enter.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Zone {
    /// Least coordinates, m.
    pub min: Vec3,
    /// Greatest coordinates, m.
    pub max: Vec3,
    /// Distance to keep, m.
    pub margin: f32,
}

impl Zone {
    pub(super) fn check(&self) -> Result<(), Field> {
        check(
            finite(&self.min) && finite(&self.max) && self.min.iter().zip(&self.max).all(|(min, max)| min < max),
            Field::Box,
        )?;
        check(finite(&[self.margin]) && self.margin >= 0.0, Field::Margin)
    }
}
