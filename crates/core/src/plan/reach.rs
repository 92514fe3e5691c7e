//! Joint angles for a place of the tip: damped least squares, from several starts.

use heapless::Vec;

use super::dls::{Column, solve};
use crate::chain::{ArmPose, per_joint};
use crate::machine::{Arm, JOINTS_MAX};
use crate::math;
use crate::vec3::{Vec3, norm, scale, sub};

/// The tip is there when it is this near, m.
const NEAR_ENOUGH: f32 = 1e-4;
/// Longest step of the tip, m: the columns hold near where they were taken.
const STEP: f32 = 0.2;
/// Most steps from one start.
const STEPS: u32 = 100;
/// Most starts.
const STARTS: u8 = 12;

/// Joint angles, rad, from base to tip, that bring the tip of `arm` to `target`, m, within the given ranges: from `start` first, then
/// from starts spread over the ranges. None where no start gets within 0.1 mm in 100 steps. Which way the tip points is left free.
pub fn reach(arm: &Arm, ranges: &[(f32, f32)], start: &[f32], target: Vec3) -> Option<Vec<f32, JOINTS_MAX>> {
    let given = per_joint(start.iter().copied().take(arm.joints.len()));
    let spread = (1..STARTS).map(|number| {
        per_joint(
            ranges
                .iter()
                .copied()
                .zip(1_u8..)
                .map(|(range, joint)| place(range, joint, number)),
        )
    });
    core::iter::once(given)
        .chain(spread)
        .find_map(|start| from(arm, ranges, start, target))
}

/// Where joint number `joint` stands at start number `number`: steps of the golden ratio spread evenly over its range.
fn place((low, high): (f32, f32), joint: u8, number: u8) -> f32 {
    const GOLDEN: f32 = 0.618_034;
    let turns = f32::from(number) * GOLDEN * f32::from(joint);
    let part = 0.5 + math::wrap_angle(turns * core::f32::consts::TAU) / core::f32::consts::TAU;
    math::lerp(low, high, part)
}

fn from(
    arm: &Arm,
    ranges: &[(f32, f32)],
    mut angles: Vec<f32, JOINTS_MAX>,
    target: Vec3,
) -> Option<Vec<f32, JOINTS_MAX>> {
    for _ in 0..STEPS {
        let pose = ArmPose::new(arm, angles.iter().copied());
        let error = sub(target, pose.tip);
        let length = norm(error);
        if length < NEAR_ENOUGH {
            return Some(angles);
        }
        let [x, y, z] = if length > STEP {
            scale(error, STEP / length)
        } else {
            error
        };
        let mut columns: Vec<Column, JOINTS_MAX> =
            per_joint(pose.point_columns(JOINTS_MAX, pose.tip).map(|[x, y, z]| [x, y, z, 0.0]));
        let step = solve(&columns, &[x, y, z, 0.0]);
        // A joint that would be pushed over its end does not help: the others are asked again without it.
        for (((column, angle), step), (low, high)) in columns.iter_mut().zip(&angles).zip(&step).zip(ranges) {
            if angle + step < *low || angle + step > *high {
                *column = [0.0; 4];
            }
        }
        let step = solve(&columns, &[x, y, z, 0.0]);
        for ((angle, step), (low, high)) in angles.iter_mut().zip(&step).zip(ranges) {
            *angle = math::clamp(*angle + step, *low, *high);
        }
    }
    None
}
