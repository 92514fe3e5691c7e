//! How an actuator's stroke follows the angle of its joint.

/// A linkage, as the plant needs it: from angle to stroke, for any angle.
///
/// The end stops hold a joint within its stroke only to a fraction of a millimetre, so an implementation answers a little past its
/// domain too: with the straight line that continues it.
pub trait Linkage: Send + Sync {
    /// Stroke at a joint angle, and its slope over the angle (the moment arm, with its sign). The torque on the joint is the
    /// slope times the actuator's force; the stroke's rate is the slope times the joint's rate.
    fn stroke_and_ratio(&self, angle: f64) -> (f64, f64);
}

/// The actuator sits on the joint: a motor, or a cylinder on a sliding mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direct {
    /// Joint angle at stroke zero.
    pub zero: f64,
}

impl Linkage for Direct {
    fn stroke_and_ratio(&self, angle: f64) -> (f64, f64) {
        (angle - self.zero, 1.0)
    }
}
