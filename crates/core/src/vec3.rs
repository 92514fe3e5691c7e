//! Three-vectors as plain arrays, with the handful of operations that kinematics needs.

use crate::math;

/// x, y, z.
pub type Vec3 = [f32; 3];

/// `a + b`.
pub fn add(a: Vec3, b: Vec3) -> Vec3 {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

/// `a - b`.
pub fn sub(a: Vec3, b: Vec3) -> Vec3 {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// `a` times a number.
pub fn scale(a: Vec3, by: f32) -> Vec3 {
    [a[0] * by, a[1] * by, a[2] * by]
}

/// Inner product.
pub fn dot(a: Vec3, b: Vec3) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Cross product.
pub fn cross(a: Vec3, b: Vec3) -> Vec3 {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// Length.
pub fn norm(a: Vec3) -> f32 {
    math::norm3(a[0], a[1], a[2])
}
