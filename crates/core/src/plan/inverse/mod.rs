//! Inverse kinematics: the joint angles that bring an arm's tip to a pose.
//!
//! Two ways. A column (if there is one), two or three joints about y and a roll about the tool (if there is one) are solved in closed
//! form: every way of reaching the pose, of which the one nearest to where the arm is is taken. Any other arm steps there by damped
//! least squares, from where it is and, if that leads nowhere, from starts strewn over its ranges; so does an arm of three joints about
//! y whose facing is left free.
//!
//! What is stated, and held by the tests, for arms of up to 4 m: an answer is within every joint's range, its tip within [`TIP_ERROR`] of
//! the target and its facing within [`FACING_ERROR`] of what was asked; whatever cannot be had to that is refused, with the reason. Of
//! poses within reach 99.9 % are reached. The work is bounded: 8 ways in closed form, 24 starts of at most 16 steps otherwise, which
//! is more than a tick holds and meant for a move that is looked at before it begins.

mod closed;
mod steps;

use heapless::Vec;

use crate::chain::{ArmPose, in_frame};
use crate::linkage::LinkageError;
use crate::machine::{Arm, JOINTS_MAX, JointAxis, Machine};
use crate::math;
use crate::vec3::{Vec3, add, cross, dot, norm, scale, sub};

use closed::Planar;

/// Most that the tip of an answer is away from the target, m.
pub const TIP_ERROR: f32 = 5e-5;
/// Most that its facing is off what was asked, rad.
pub const FACING_ERROR: f32 = 1e-4;

/// What of each the answer may use up as the chain in f32 sees it; the rest is that chain's own error.
const SHARE: f32 = 0.5;
/// An angle this far outside a joint's range is rounding, and brought back, rad.
const RANGE_SLACK: f32 = 1e-3;
/// How far from 1 the length of a unit vector may be.
const UNIT_SLACK: f32 = 1e-3;

/// Joint angles from base to tip, rad; m where a joint slides.
pub type Angles = Vec<f32, JOINTS_MAX>;

/// Where a tip is wanted, in the machine frame.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Target {
    /// The tip, m.
    pub tip: Vec3,
    /// How the tip's frame stands there.
    pub facing: Facing,
}

/// What is asked of the orientation of the tip's frame.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Facing {
    /// Nothing.
    Free,
    /// Where up is, as a unit vector in the tip's own frame: pitch and roll, the heading follows the tip. What holds a stone level.
    Up(Vec3),
    /// All of it: the unit vectors x, y, z of the tip's frame.
    Frame([Vec3; 3]),
}

/// Why there is no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Unreachable {
    /// The target or the arm's present pose is no pose: not finite, not of unit vectors, not one angle for each joint.
    NoPose,
    /// Beyond the reach of the links.
    TooFar,
    /// Nearer than the links can fold.
    TooNear,
    /// Beside the plane of an arm that has no column to turn it.
    Aside,
    /// The arm has no joint for that facing there.
    Facing,
    /// A joint, counted from the base, would have to leave its range.
    Range(u8),
    /// No start led there.
    NoConvergence,
}

impl core::fmt::Display for Unreachable {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::NoPose => f.write_str("not a pose"),
            Self::TooFar => f.write_str("too far for the links"),
            Self::TooNear => f.write_str("too near for the links"),
            Self::Aside => f.write_str("beside the arm's plane"),
            Self::Facing => f.write_str("no joint for that facing"),
            Self::Range(joint) => write!(f, "joint {joint} would leave its range"),
            Self::NoConvergence => f.write_str("no way found"),
        }
    }
}

impl core::error::Error for Unreachable {}

impl Facing {
    /// Up for a tip frame that is pitched (positive lowers its x axis) and then rolled about its x axis, rad.
    pub fn level(pitch: f32, roll: f32) -> Self {
        let ((sp, cp), (sr, cr)) = (math::sin_cos(pitch), math::sin_cos(roll));
        Self::Up([-sp, sr * cp, cr * cp])
    }

    fn usable(&self) -> bool {
        let unit = |v: &Vec3| math::abs(norm(*v) - 1.0) < UNIT_SLACK;
        match self {
            Self::Free => true,
            Self::Up(up) => unit(up),
            Self::Frame(frame) => {
                let [x, y, z] = *frame;
                frame.iter().all(unit) && norm(sub(cross(x, y), z)) < UNIT_SLACK
            }
        }
    }

    /// Up in the tip's frame; along its z where nothing is asked.
    fn up(&self) -> Vec3 {
        match *self {
            Self::Free => [0.0, 0.0, 1.0],
            Self::Up(up) => up,
            Self::Frame([x, y, z]) => [x[2], y[2], z[2]],
        }
    }
}

impl Target {
    /// The pose in which an arm is, with as much of its facing as the arm has joints to keep while the tip moves: none with three
    /// that turn, pitch and roll with four or five, all of it with six.
    pub fn of(pose: &ArmPose) -> Self {
        let [x, y, z] = pose.frame;
        let turning = pose.joints.iter().filter(|joint| joint.about != [0.0; 3]).count();
        let facing = match turning {
            0..4 => Facing::Free,
            4..6 => Facing::Up([x[2], y[2], z[2]]),
            _ => Facing::Frame(pose.frame),
        };
        Self { tip: pose.tip, facing }
    }
}

/// An arm made ready to be asked: its joints' ranges and the way in which it is solved.
#[derive(Debug, Clone)]
pub struct Inverse<'m> {
    arm: &'m Arm,
    ranges: Vec<Range, JOINTS_MAX>,
    planar: Option<Planar>,
    /// From its base to its tip at most, m.
    longest: f32,
}

/// Least and greatest angle of a joint.
#[derive(Debug, Clone, Copy)]
struct Range {
    low: f32,
    high: f32,
}

impl<'m> Inverse<'m> {
    /// Makes an arm of a machine ready.
    ///
    /// # Errors
    /// Where a linkage does not close at an end of its stroke.
    pub fn new(machine: &Machine, arm: &'m Arm) -> Result<Self, LinkageError> {
        let mut ranges = Vec::new();
        let mut longest = 0.0;
        for joint in &arm.joints {
            // An arm's axes are all there: `Machine::new` has seen to it.
            let Some(axis) = machine.axis(joint.axis) else { continue };
            let (a, b) = (axis.linkage.angle(axis.stroke.0)?, axis.linkage.angle(axis.stroke.1)?);
            let range = Range {
                low: math::min(a, b),
                high: math::max(a, b),
            };
            longest += norm(joint.link);
            if slides(joint.about) {
                longest += math::max(math::abs(a), math::abs(b));
            }
            // Cannot be full: an arm has no more joints than this has room for.
            let _ = ranges.push(range);
        }
        Ok(Self {
            arm,
            ranges,
            planar: Planar::of(arm),
            longest,
        })
    }

    /// The joint angles for a target: in closed form the nearest to `from`, by the sum of squared changes; by steps those that the first
    /// start led to, and the first is `from` itself.
    ///
    /// # Errors
    /// Where the target is out of reach, and why.
    pub fn solve(&self, from: &[f32], target: &Target) -> Result<Angles, Unreachable> {
        let finite = |numbers: &[f32]| numbers.iter().all(|number| number.is_finite());
        if from.len() != self.ranges.len() || !finite(from) || !finite(&target.tip) || !target.facing.usable() {
            return Err(Unreachable::NoPose);
        }
        if norm(sub(target.tip, self.arm.base)) > self.longest + TIP_ERROR {
            return Err(Unreachable::TooFar);
        }
        match &self.planar {
            Some(planar) if planar.settles(&target.facing) => planar.solve(self, from, target),
            _ => steps::solve(self, from, target),
        }
    }

    fn pose(&self, angles: &Angles) -> ArmPose {
        ArmPose::new(self.arm, angles.iter().copied())
    }
}

fn slides(about: JointAxis) -> bool {
    matches!(about, JointAxis::AlongX | JointAxis::AlongY | JointAxis::AlongZ)
}

/// What turns and moves a tip frame onto a target, in the machine frame.
#[derive(Debug, Clone, Copy)]
struct Off {
    /// m.
    way: Vec3,
    /// Along the axis, twice the sine of half the angle: rad, where it is small.
    turn: Vec3,
}

impl Off {
    fn new(target: &Target, pose: &ArmPose) -> Self {
        let [x, y, z] = pose.frame;
        let turn = match target.facing {
            Facing::Free => [0.0; 3],
            Facing::Up(up) => {
                let up = in_frame(&pose.frame, up);
                halved([up[1], -up[0], 0.0], up[2])
            }
            Facing::Frame([a, b, c]) => {
                let sine = scale(add(cross(x, a), add(cross(y, b), cross(z, c))), 0.5);
                halved(sine, 0.5 * (dot(x, a) + dot(y, b) + dot(z, c) - 1.0))
            }
        };
        Self {
            way: sub(target.tip, pose.tip),
            turn,
        }
    }

    fn is_there(&self) -> bool {
        norm(self.way) <= SHARE * TIP_ERROR && norm(self.turn) <= SHARE * FACING_ERROR
    }
}

/// From the sine of an angle along an axis to twice the sine of its half, which unlike the sine still grows beyond a quarter turn. Half a
/// turn has no one axis: it is taken about x.
fn halved(sine: Vec3, cosine: f32) -> Vec3 {
    const LEAST: f32 = 1e-3;
    let half = math::sqrt(math::max(0.5 * (1.0 + cosine), 0.0));
    if half > LEAST {
        scale(sine, 1.0 / half)
    } else {
        [2.0, 0.0, 0.0]
    }
}

impl Range {
    /// The angle in the range that is as near as can be to one.
    fn nearest(self, angle: f32) -> f32 {
        math::clamp(angle, self.low, self.high)
    }

    /// The angle, whole turns away, that is in the range and nearest to `near`; else how far the nearest one is outside.
    fn turned(self, angle: f32, near: f32) -> Result<f32, f32> {
        use core::f32::consts::TAU;
        let near = self.nearest(near);
        let beside = near + math::wrap_angle(angle - near);
        let mut outside = f32::INFINITY;
        for angle in [beside, beside - TAU, beside + TAU] {
            let kept = self.nearest(angle);
            let excess = math::abs(angle - kept);
            if excess <= RANGE_SLACK {
                return Ok(kept);
            }
            outside = math::min(outside, excess);
        }
        Err(outside)
    }
}

/// How far apart two poses of an arm are: the sum of squared changes.
fn apart(a: &[f32], b: &[f32]) -> f32 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum()
}
