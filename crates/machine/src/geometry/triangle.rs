//! Triangles and directions in the plane.

use std::f64::consts::{PI, TAU};

use nalgebra::Vector2;

use super::{Bar, GeometryError};

/// Cosines this far over 1 are rounding, not a triangle that does not close.
pub(super) const ROUNDING: f64 = 1e-9;

/// The third side of a triangle with two fixed sides, as a function of the angle between them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    /// The signed angle between the fixed sides, rad.
    pub(super) included: f64,
    pub(super) length: f64,
    /// First and second derivative of the length by the angle.
    pub(super) slope: f64,
    pub(super) bend: f64,
}

impl Side {
    /// `side` says which sign the angle must have: with the other one the triangle has passed a dead centre.
    pub(super) fn new(a: f64, b: f64, included: f64, side: f64) -> Result<Self, GeometryError> {
        let forward = included * side;
        if !(-ROUNDING..=PI + ROUNDING).contains(&forward) {
            return Err(GeometryError::DeadCentre(Bar::Cylinder));
        }
        let length = (a * a + b * b - 2.0 * a * b * included.cos()).sqrt();
        has_length(Bar::Cylinder, length)?;
        let slope = a * b * included.sin() / length;
        let bend = (a * b * included.cos() - slope * slope) / length;
        Ok(Side {
            included,
            length,
            slope,
            bend,
        })
    }
}

/// Angle between the sides `a` and `b` of a triangle whose third side is `bar` with length `c`, 0 to pi.
pub(super) fn included(bar: Bar, a: f64, b: f64, c: f64) -> Result<f64, GeometryError> {
    let cos = (a * a + b * b - c * c) / (2.0 * a * b);
    if cos > 1.0 + ROUNDING {
        Err(GeometryError::TooShort {
            bar,
            have: c,
            limit: (a - b).abs(),
        })
    } else if cos < -1.0 - ROUNDING {
        Err(GeometryError::TooLong {
            bar,
            have: c,
            limit: a + b,
        })
    } else if cos.is_nan() {
        Err(GeometryError::NoLength(bar))
    } else {
        Ok(cos.clamp(-1.0, 1.0).acos())
    }
}

pub(super) fn has_length(bar: Bar, length: f64) -> Result<(), GeometryError> {
    if length > 0.0 && length.is_finite() {
        Ok(())
    } else {
        Err(GeometryError::NoLength(bar))
    }
}

/// An angle brought into (-pi, pi].
pub(super) fn wrapped(angle: f64) -> f64 {
    let turn = angle.rem_euclid(TAU);
    if turn > PI { turn - TAU } else { turn }
}

/// How far an angle is from making a straight line.
pub(super) fn off_line(angle: f64) -> f64 {
    let angle = angle.abs();
    angle.min(PI - angle)
}

pub(crate) fn heading(v: Vector2<f64>) -> f64 {
    v.y.atan2(v.x)
}

pub(super) fn along(heading: f64, length: f64) -> Vector2<f64> {
    Vector2::new(heading.cos(), heading.sin()) * length
}

pub(super) fn turned(v: Vector2<f64>, angle: f64) -> Vector2<f64> {
    let (sin, cos) = angle.sin_cos();
    Vector2::new(v.x * cos - v.y * sin, v.x * sin + v.y * cos)
}

/// A quarter turn on: the direction in which the end of `v` moves when it turns.
pub(super) fn ahead(v: Vector2<f64>) -> Vector2<f64> {
    Vector2::new(-v.y, v.x)
}

pub(super) fn cross(a: Vector2<f64>, b: Vector2<f64>) -> f64 {
    a.x * b.y - a.y * b.x
}
