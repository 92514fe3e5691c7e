//! The ground: a plane on which tips come down, soft and simple.
//!
//! Under a tip the ground pushes back by `stiffness · depth (1 + damping · sinking speed)`, never pulling (Hunt,
//! Crossley, *J. Applied Mechanics* 42, 1975, with exponent 1; from memory), and drags against sliding by `friction ·
//! push`, rounded at rest. The carrier itself stands still: it neither sinks nor tips.

use bellcrank_machine::description::{Arm, Description};
use nalgebra::Vector3;

use super::bodies::{Bodies, Pose};
use super::tree::PerJoint;

/// Firm soil under a tool (an assumption of ours), N/m.
const STIFFNESS: f64 = 5e5;
/// Sinking speed at which damping equals the spring, m/s.
const SINKING: f64 = 0.3;
/// Coefficient of friction, and the sliding speed by which it has mostly come.
const FRICTION: f64 = 0.5;
const SLIDING: f64 = 0.02;
/// A tip is near the ground if it could touch within this time, s, which is the longest step, or this distance, m, for what
/// it gains in speed by then.
const SOON: f64 = 0.1;
const CLOSE: f64 = 0.01;

/// The points that can touch the plane z = 0 of the frame that the machine stands in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ground {
    /// Joint, and the point in its frame, m.
    pub tips: Vec<(usize, Vector3<f64>)>,
}

/// What the ground does to one tip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Touch {
    /// The joint that carries the tip.
    pub joint: usize,
    /// Where the tip is, in the frame that the machine stands in, m.
    pub point: Vector3<f64>,
    /// Its force on the tip, N.
    pub force: Vector3<f64>,
    /// Power that is lost in it, W.
    pub lost: f64,
    /// Energy in its spring, J.
    pub stored: f64,
}

impl Ground {
    /// Under the tips of a machine's arms.
    pub fn under(machine: &Description) -> Ground {
        let tip = |arm: &Arm| {
            let last = *arm.axes.last()?;
            Some((last, machine.axes[last].joint.link))
        };
        Ground {
            tips: machine.arms.iter().filter_map(tip).collect(),
        }
    }

    /// Adds what the ground takes to a mechanism's bias.
    pub(super) fn add(&self, bodies: &Bodies, pose: &Pose, rate: &[f64], bias: &mut PerJoint) {
        for touch in self.touches(bodies, pose, rate) {
            for (i, lever) in bodies.levers(pose, touch.joint, &touch.point) {
                bias[i] -= lever.dot(&touch.force);
            }
        }
    }

    /// Whether a tip touches, or may before the step is over.
    pub(super) fn is_near(&self, bodies: &Bodies, pose: &Pose, rate: &[f64]) -> bool {
        self.tips.iter().any(|&(joint, local)| {
            let point = pose.standing_point(joint, &local);
            point.z < CLOSE - SOON * velocity(bodies, pose, joint, &point, rate).z.min(0.0)
        })
    }

    /// All touches.
    pub(super) fn touches<'a>(
        &'a self,
        bodies: &'a Bodies,
        pose: &'a Pose,
        rate: &'a [f64],
    ) -> impl Iterator<Item = Touch> + 'a {
        self.tips.iter().filter_map(move |&(joint, local)| {
            let point = pose.standing_point(joint, &local);
            touch(bodies, pose, joint, point, rate)
        })
    }
}

fn touch(bodies: &Bodies, pose: &Pose, joint: usize, point: Vector3<f64>, rate: &[f64]) -> Option<Touch> {
    let depth = -point.z;
    if depth <= 0.0 {
        return None;
    }
    let velocity = velocity(bodies, pose, joint, &point, rate);
    let spring = STIFFNESS * depth;
    let push = spring * (1.0 - velocity.z / SINKING).max(0.0);
    let sliding = Vector3::new(velocity.x, velocity.y, 0.0);
    let force = Vector3::new(0.0, 0.0, push) - sliding * (FRICTION * push / sliding.norm().hypot(SLIDING));
    Some(Touch {
        joint,
        point,
        force,
        lost: spring * velocity.z - force.dot(&velocity),
        stored: 0.5 * spring * depth,
    })
}

fn velocity(bodies: &Bodies, pose: &Pose, joint: usize, point: &Vector3<f64>, rate: &[f64]) -> Vector3<f64> {
    let levers = bodies.levers(pose, joint, point);
    levers.map(|(i, lever)| lever * rate[i]).sum()
}
