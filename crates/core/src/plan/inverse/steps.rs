//! Steps to a pose by damped least squares, for any arm.
//!
//! `Δq = Jᵀ (J Jᵀ + λ² I)⁻¹ e`, where `e` is what is still missing and λ falls with it, so that far steps are careful and the last
//! ones are Newton's (Sugihara, *Solvability-unconcerned inverse kinematics by the Levenberg-Marquardt method*, IEEE Trans. Robotics 27,
//! 2011, from memory). A joint that stands at an end of its range and would be sent beyond is left out of a step.

use super::{Angles, Facing, Inverse, Off, Range, Target, Unreachable};
use crate::chain::{ArmPose, per_joint};
use crate::machine::JOINTS_MAX;
use crate::plan::dls::{damped, inner};
use crate::vec3::{add, cross, scale, sub};

/// Most starts: where the arm is, then strewn over its ranges.
const STARTS: u32 = 24;
/// Most steps from one start.
const STEPS: u32 = 16;
/// A turn of 1 rad counts as much as a way of this, m.
const TURN_LENGTH: f32 = 0.5;
/// Damping λ² for a missing way of 1 m, m².
const DAMPING: f32 = 0.05;
/// Damping that is always there, m².
const DAMPING_MIN: f32 = 1e-6;

/// The first start that leads there.
pub fn solve(inverse: &Inverse, from: &[f32], target: &Target) -> Result<Angles, Unreachable> {
    (0..STARTS)
        .find_map(|number| approach(inverse, start(inverse, from, number), target))
        .ok_or(Unreachable::NoConvergence)
}

/// Where the arm is; beyond that strewn over the ranges: multiples of the roots of different primes never line up.
fn start(inverse: &Inverse, from: &[f32], number: u32) -> Angles {
    /// What follows the point in the roots of 2, 3, 5, 7, 11, 13, 17, in 2⁻³².
    const ROOTS: [u32; JOINTS_MAX] = [
        0x6A09_E667,
        0xBB67_AE85,
        0x3C6E_F372,
        0xA54F_F53A,
        0x510E_527F,
        0x9B05_688C,
        0x1F83_D9AB,
    ];
    const UNIT: f32 = 1.0 / 16_777_216.0;
    per_joint(inverse.ranges.iter().zip(from).zip(ROOTS).map(|((range, from), root)| {
        let share = (number.wrapping_mul(root) >> 8) as f32 * UNIT;
        if number == 0 {
            range.nearest(*from)
        } else {
            range.low + share * (range.high - range.low)
        }
    }))
}

/// Steps from a pose within the ranges. None if they do not lead there.
pub fn approach(inverse: &Inverse, mut angles: Angles, target: &Target) -> Option<Angles> {
    for _ in 0..STEPS {
        let pose = inverse.pose(&angles);
        let off = Off::new(target, &pose);
        if off.is_there() {
            return Some(angles);
        }
        step(inverse, &mut angles, &pose, &off, &target.facing);
    }
    None
}

fn step(inverse: &Inverse, angles: &mut Angles, pose: &ArmPose, off: &Off, facing: &Facing) {
    let task = rows(off.way, off.turn, facing);
    let missing = inner(&task, &task);
    let mut columns = per_joint(pose.joints.iter().map(|joint| {
        let way = add(joint.along, cross(joint.about, sub(pose.tip, joint.origin)));
        rows(way, joint.about, facing)
    }));
    for ((column, angle), range) in columns.iter_mut().zip(angles.iter()).zip(&inverse.ranges) {
        if stands_at_end(*range, *angle, inner(column, &task)) {
            *column = [0.0; 6];
        }
    }
    let change = damped(&columns, &task, DAMPING * missing + DAMPING_MIN);
    for ((angle, change), range) in angles.iter_mut().zip(change).zip(&inverse.ranges) {
        *angle = range.nearest(*angle + change);
    }
}

/// The rows of a task that the facing asks for; the others are empty.
fn rows(way: [f32; 3], turn: [f32; 3], facing: &Facing) -> [f32; 6] {
    let [x, y, z] = way;
    let [a, b, c] = scale(turn, TURN_LENGTH);
    match facing {
        Facing::Free => [x, y, z, 0.0, 0.0, 0.0],
        Facing::Up(_) => [x, y, z, a, b, 0.0],
        Facing::Frame(_) => [x, y, z, a, b, c],
    }
}

/// At an end of its range, and asked beyond it.
fn stands_at_end(range: Range, angle: f32, push: f32) -> bool {
    (angle <= range.low && push < 0.0) || (angle >= range.high && push > 0.0)
}
