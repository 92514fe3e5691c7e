//! How an actuator's stroke follows the angle of its joint.

use bellcrank_machine::geometry::{Geometry, GeometryError};

/// A linkage, as the plant needs it: from angle to stroke, for any angle.
///
/// The end stops hold a joint within its stroke only to a fraction of a millimetre, so an implementation answers a
/// little past its domain too: with the straight line that continues it.
pub trait Linkage: Send + Sync {
    /// Stroke at a joint angle, and its slope over the angle (the moment arm, with its sign). The torque on the joint
    /// is the slope times the actuator's force; the stroke's rate is the slope times the joint's rate.
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

/// A machine's linkage, tabulated: cubics through stroke and ratio at even angles, straight lines beyond.
///
/// A plant asks some ten thousand times a simulated second, and the four-bar takes two dozen sines and roots. On arms
/// of this size the cubics are some 1e-10 m off; their ratio is the exact slope of their stroke, so the table neither
/// makes nor loses energy.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    low: f64,
    step: f64,
    /// Stroke and ratio.
    nodes: Vec<(f64, f64)>,
}

/// Pieces of a [`Table`].
const PIECES: usize = 256;
/// A table goes this share of the travel past both ends of the stroke, if the linkage does.
const MARGIN: f64 = 0.05;
/// Width of the strides in which the ends of a table are looked for, rad.
const STRIDE: f64 = 0.002;

impl Table {
    /// Tabulates a linkage over the whole `travel` of its actuator, from a joint angle inside it.
    ///
    /// # Errors
    /// [`GeometryError`] if the linkage does not close at `inside`.
    pub fn new(geometry: &Geometry, inside: f64, travel: f64) -> Result<Table, GeometryError> {
        geometry.stroke(inside)?;
        let within = |angle: f64| {
            geometry
                .stroke(angle)
                .is_ok_and(|stroke| (-MARGIN * travel..=(1.0 + MARGIN) * travel).contains(&stroke))
        };
        let end = |stride: f64| {
            let mut angle = inside;
            while within(angle + stride) && (angle - inside).abs() < std::f64::consts::PI {
                angle += stride;
            }
            angle
        };
        let (low, high) = (end(-STRIDE), end(STRIDE));
        let step = ((high - low) / PIECES as f64).max(STRIDE / PIECES as f64);
        let node = |i: usize| {
            let angle = (low + i as f64 * step).min(high);
            Ok((geometry.stroke(angle)?, geometry.ratio(angle)?))
        };
        Ok(Table {
            low,
            step,
            nodes: (0..=PIECES).map(node).collect::<Result<_, GeometryError>>()?,
        })
    }
}

impl Linkage for Table {
    fn stroke_and_ratio(&self, angle: f64) -> (f64, f64) {
        let place = (angle - self.low) / self.step;
        let straight = |from: usize| {
            let (stroke, ratio) = self.nodes[from];
            (stroke + ratio * (place - from as f64) * self.step, ratio)
        };
        if place <= 0.0 || place.is_nan() {
            return straight(0);
        }
        if place >= PIECES as f64 {
            return straight(PIECES);
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "between 0 and PIECES, as just checked"
        )]
        let i = place as usize;
        let t = place - i as f64;
        let ((s0, r0), (s1, r1)) = (self.nodes[i], self.nodes[i + 1]);
        // Hermite: with t from 0 to 1, s = s0 + t (m0 + t (3 rise - 2 m0 - m1 + t (m0 + m1 - 2 rise))).
        let (m0, m1, rise) = (r0 * self.step, r1 * self.step, s1 - s0);
        let (square, cube) = (3.0 * rise - 2.0 * m0 - m1, m0 + m1 - 2.0 * rise);
        let stroke = s0 + t * (m0 + t * (square + t * cube));
        let ratio = (m0 + t * (2.0 * square + t * 3.0 * cube)) / self.step;
        (stroke, ratio)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bellcrank_machine::description::{self, JointAxis};
    use nalgebra::Vector3;

    #[test]
    fn a_table_is_the_linkage_and_goes_straight_on_past_its_ends() {
        let pins = description::Linkage::Clevis {
            barrel_pin: Vector3::new(-0.1, 0.0, -0.5),
            rod_pin: Vector3::new(0.6, 0.0, 0.1),
            closed: 0.6,
        };
        let geometry = Geometry::new(&pins, JointAxis::Y, (-0.9, 0.3)).expect("it closes");
        let table = Table::new(&geometry, -0.3, 0.45).expect("it closes");
        for i in 0..=1000 {
            let stroke = 0.45 * f64::from(i) / 1000.0;
            let angle = geometry.angle(stroke).expect("in the domain");
            let (tabled, ratio) = table.stroke_and_ratio(angle);
            assert!((tabled - stroke).abs() < 1e-9, "{stroke}: {tabled}");
            assert!((ratio - geometry.ratio(angle).expect("in the domain")).abs() < 1e-7);
        }
        let (far, ratio) = table.stroke_and_ratio(3.0);
        assert!((table.stroke_and_ratio(3.1).0 - far - 0.1 * ratio).abs() < 1e-12);
    }
}
