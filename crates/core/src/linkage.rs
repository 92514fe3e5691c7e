//! Stroke to joint angle and back, and how far the one moves for the other. On a joint that slides, the "angle" is how far, in m.
//!
//! All geometry is in the plane of the joint, polar angles positive as the joint's own angle. Where cylinder, pins and joint
//! make a triangle, the included angle comes from the half-angle form of the law of cosines,
//! `tan²(γ/2) = (L² - (a-b)²) / ((a+b)² - L²)`, and the length from `L² = (a-b)² + 4ab sin²(γ/2)`: unlike the arc cosine,
//! both keep their accuracy towards the dead centres (any trigonometry text).
//!
//! Errors in f32, over linkages of up to 2 m and away from dead centres by 5 degrees or more: angle within 1e-6 rad beside what the
//! rounding of the stroke makes of it, a four-bar's within 2e-6 with it; stroke within 1e-6 m; ratio within 1e-4 of itself. A slide or a
//! motor is exact but for the rounding of its two operations. What cannot close, and what is at a dead centre, is an error value, never a
//! number (held by the tests).

use crate::math;
use crate::units::SMALLEST_DIVISOR;

/// A linkage, in the form in which it is computed: which way it is assembled is decided once, on the host.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Linkage {
    /// Cylinder between a pin on the parent and a pin on the child.
    Clevis(Triangle),
    /// Cylinder to a rocker on the parent, a coupler from there to the child.
    FourBar(FourBar),
    /// Motor and sensor on the joint: the angle is `zero` plus the stroke, rad.
    Direct {
        /// Joint angle at stroke zero, rad.
        zero: f32,
    },
    /// Cylinder along a joint that slides: it slides to `zero + gear * stroke`, m.
    Slide {
        /// Where the joint is at stroke zero, m.
        zero: f32,
        /// How far the joint slides for a stroke: 1 for a plain telescope, 2 for one whose next section is drawn by a chain, negative where
        /// the rod pulls it in. Not zero.
        gear: f32,
    },
}

/// A cylinder and the two pins it ends at, seen from the pivot that they turn about.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Triangle {
    /// Pivot to barrel pin, m.
    pub a: f32,
    /// Pivot to rod pin, m.
    pub b: f32,
    /// Pin-to-pin length at stroke zero, m.
    pub closed: f32,
    /// Angle at which the pins would lie in one direction from the pivot, rad.
    pub zero: f32,
    /// +1 where a longer cylinder gives a greater angle, -1 where it gives a smaller one.
    pub sense: f32,
}

/// A cylinder-driven rocker, coupled to the child link.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct FourBar {
    /// Stroke to the polar angle of the rocker's coupler pin.
    pub cylinder: Triangle,
    /// Rocker pivot, seen from the joint, in the parent's plane, m.
    pub pivot: [f32; 2],
    /// Rocker pivot to coupler pin, m.
    pub rocker: f32,
    /// Coupler between its pins, m.
    pub coupler: f32,
    /// Joint to the coupler pin on the child, m.
    pub child: f32,
    /// Polar angle of the child's coupler pin at joint angle zero, rad.
    pub child_zero: f32,
    /// +1 or -1: side of the child's pin, seen from the joint towards the rocker's coupler pin.
    pub child_side: f32,
    /// +1 or -1: side of the rocker's coupler pin, seen from the rocker pivot towards the child's pin.
    pub rocker_side: f32,
}

/// Why a linkage cannot be where it was asked to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LinkageError {
    /// The bars cannot come that near.
    TooShort,
    /// The bars cannot reach that far.
    TooLong,
    /// At a dead centre: the ratio is zero or has no value.
    DeadCentre,
    /// Not a number.
    NotFinite,
}

/// Least moment arm, m, at which a linkage still counts as able to move its joint. A thousand metres are its counterpart: there the joint
/// hardly moves for any stroke.
const DEAD_CENTRE_ARM: f32 = 1e-3;

impl Linkage {
    /// Joint angle, rad (m for a slide), at a stroke, m or rad.
    ///
    /// # Errors
    /// When the linkage cannot close at that stroke.
    pub fn angle(&self, stroke: f32) -> Result<f32, LinkageError> {
        let angle = match self {
            Self::Clevis(triangle) => triangle.angle(stroke)?,
            Self::FourBar(bars) => bars.angle(stroke)?,
            Self::Direct { zero } => zero + stroke,
            Self::Slide { zero, gear } => zero + gear * stroke,
        };
        if angle.is_finite() {
            Ok(angle)
        } else {
            Err(LinkageError::NotFinite)
        }
    }

    /// Stroke, m or rad, at a joint angle, rad (m for a slide).
    ///
    /// # Errors
    /// When the linkage cannot close at that angle.
    pub fn stroke(&self, angle: f32) -> Result<f32, LinkageError> {
        let stroke = match self {
            Self::Clevis(triangle) => triangle.stroke(angle),
            Self::FourBar(bars) => bars.cylinder.stroke(bars.rocker_angle(angle)?),
            Self::Direct { zero } => angle - zero,
            Self::Slide { zero, gear } => (angle - zero) / gear,
        };
        if stroke.is_finite() {
            Ok(stroke)
        } else {
            Err(LinkageError::NotFinite)
        }
    }

    /// Change of stroke per change of angle, m/rad (1 for a motor, m/m for a slide): the moment arm, with its sign.
    ///
    /// # Errors
    /// When the linkage cannot close at that angle, or is at a dead centre.
    pub fn ratio(&self, angle: f32) -> Result<f32, LinkageError> {
        let ratio = match self {
            Self::Clevis(triangle) => triangle.ratio(angle),
            Self::FourBar(bars) => bars.ratio(angle)?,
            Self::Direct { .. } => 1.0,
            Self::Slide { gear, .. } => 1.0 / gear,
        };
        if !angle.is_finite() {
            Err(LinkageError::NotFinite)
        } else if (DEAD_CENTRE_ARM..=1.0 / DEAD_CENTRE_ARM).contains(&math::abs(ratio)) {
            Ok(ratio)
        } else {
            Err(LinkageError::DeadCentre)
        }
    }

    /// All numbers finite, all lengths above zero, all signs one.
    pub(crate) fn usable(&self) -> bool {
        let length = |x: f32| x.is_finite() && x > SMALLEST_DIVISOR;
        let sign = |x: f32| x == 1.0 || x == -1.0;
        let triangle =
            |t: &Triangle| length(t.a) && length(t.b) && length(t.closed) && t.zero.is_finite() && sign(t.sense);
        match self {
            Self::Clevis(t) => triangle(t),
            Self::FourBar(bars) => {
                triangle(&bars.cylinder)
                    && bars.pivot.iter().all(|x| x.is_finite())
                    && length(bars.rocker)
                    && length(bars.coupler)
                    && length(bars.child)
                    && bars.child_zero.is_finite()
                    && sign(bars.child_side)
                    && sign(bars.rocker_side)
            }
            Self::Direct { zero } => zero.is_finite(),
            Self::Slide { zero, gear } => {
                zero.is_finite() && (DEAD_CENTRE_ARM..=1.0 / DEAD_CENTRE_ARM).contains(&math::abs(*gear))
            }
        }
    }
}

impl Triangle {
    fn angle(&self, stroke: f32) -> Result<f32, LinkageError> {
        Ok(self.zero + self.sense * included(self.a, self.b, self.closed + stroke)?)
    }

    fn stroke(&self, angle: f32) -> f32 {
        let half = math::sin(0.5 * (angle - self.zero));
        let apart = self.a - self.b;
        math::sqrt(apart * apart + 4.0 * self.a * self.b * half * half) - self.closed
    }

    /// `dL/dq = a b sin(γ) / L`, by differentiating the law of cosines.
    fn ratio(&self, angle: f32) -> f32 {
        let length = self.closed + self.stroke(angle);
        // At length zero the quotient is not finite and is refused by the caller.
        self.a * self.b * math::sin(angle - self.zero) / length
    }
}

impl FourBar {
    fn angle(&self, stroke: f32) -> Result<f32, LinkageError> {
        let rocker = self.rocker_pin(self.cylinder.angle(stroke)?);
        let reach = math::hypot(rocker[0], rocker[1]);
        let side = included(self.child, reach, self.coupler)?;
        Ok(math::wrap_angle(
            math::atan2(rocker[1], rocker[0]) + self.child_side * side - self.child_zero,
        ))
    }

    /// Polar angle of the rocker's coupler pin at a joint angle.
    fn rocker_angle(&self, angle: f32) -> Result<f32, LinkageError> {
        let child = self.child_pin(angle);
        let (x, y) = (child[0] - self.pivot[0], child[1] - self.pivot[1]);
        let side = included(self.rocker, math::hypot(x, y), self.coupler)?;
        Ok(math::atan2(y, x) + self.rocker_side * side)
    }

    /// Both ends of the coupler have the same speed along it: `rocker × t₂·u θ₂' = child × t₄·u θ₄'`.
    fn ratio(&self, angle: f32) -> Result<f32, LinkageError> {
        let rocker_angle = self.rocker_angle(angle)?;
        let (child, rocker) = (self.child_pin(angle), self.rocker_pin(rocker_angle));
        let along = [child[0] - rocker[0], child[1] - rocker[1]];
        let across = |arm: [f32; 2]| arm[0] * along[1] - arm[1] * along[0];
        let child_share = across(child);
        let rocker_share = across([rocker[0] - self.pivot[0], rocker[1] - self.pivot[1]]);
        Ok(self.cylinder.ratio(rocker_angle) * child_share / rocker_share)
    }

    fn rocker_pin(&self, rocker_angle: f32) -> [f32; 2] {
        let (sin, cos) = math::sin_cos(rocker_angle);
        [self.pivot[0] + self.rocker * cos, self.pivot[1] + self.rocker * sin]
    }

    fn child_pin(&self, angle: f32) -> [f32; 2] {
        let (sin, cos) = math::sin_cos(angle + self.child_zero);
        [self.child * cos, self.child * sin]
    }
}

/// Angle between two sides of a triangle whose third side is `opposite`, 0 to π.
pub(crate) fn included(a: f32, b: f32, opposite: f32) -> Result<f32, LinkageError> {
    let (apart, together) = (a - b, a + b);
    let over_shortest = (opposite - apart) * (opposite + apart);
    let under_longest = (together - opposite) * (together + opposite);
    if over_shortest.is_nan() || under_longest.is_nan() {
        Err(LinkageError::NotFinite)
    } else if opposite <= 0.0 || over_shortest < 0.0 {
        Err(LinkageError::TooShort)
    } else if under_longest < 0.0 {
        Err(LinkageError::TooLong)
    } else {
        Ok(2.0 * math::atan2(math::sqrt(over_shortest), math::sqrt(under_longest)))
    }
}
