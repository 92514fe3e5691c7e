//! A pose in which every axis under test can go its travel without touching anything.

use bellcrank_machine::Description;
use bellcrank_machine::geometry::Geometry;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::plan::{Limits, TOO_FAR};
use crate::adversary::keeps_margins;
use crate::plant::{Bodies, Pose};

/// Poses tried.
const TRIES: usize = 20_000;
/// Places of its travel in which an axis is looked at.
const PLACES: [f64; 5] = [-1.0, -0.5, 0.0, 0.5, 1.0];

/// Joint angles, rad, from which each of these axes may go half its travel, and what it may overrun, to both sides, the others standing still:
/// within its range, clear of every zone by its margin, of the other arm and of the ground. The middle of all ranges if that will do, else the
/// first of many random poses. None where there is no such pose.
pub fn free_pose(machine: &Description, axes: &[usize], limits: &Limits) -> Option<Vec<f64>> {
    let bodies = Bodies::of_machine(machine).ok()?;
    let geometries: Vec<Geometry> = machine
        .axes
        .iter()
        .map(|axis| Geometry::of(axis).ok())
        .collect::<Option<_>>()?;
    let reach = 0.5 * limits.travel + TOO_FAR;
    let mut pose = Pose::default();
    let mut free = |angles: &[f64]| {
        axes.iter().all(|&axis| {
            let described = &machine.axes[axis];
            let (low, high) = described.joint.range;
            let Ok(middle) = geometries[axis].stroke(angles[axis]) else {
                return false;
            };
            PLACES.iter().all(|place| {
                let stroke = middle + place * reach * described.actuator.travel;
                let Some(angle) = geometries[axis]
                    .angle(stroke)
                    .ok()
                    .filter(|angle| (low..=high).contains(angle))
                else {
                    return false;
                };
                let mut moved = angles.to_vec();
                moved[axis] = angle;
                bodies.place(&moved, &mut pose);
                keeps_margins(machine, &pose)
            })
        })
    };
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let middle: Vec<f64> = machine
        .axes
        .iter()
        .map(|axis| f64::midpoint(axis.joint.range.0, axis.joint.range.1))
        .collect();
    std::iter::once(middle)
        .chain(std::iter::repeat_with(|| {
            let mut within = |range: (f64, f64)| rng.random_range(range.0..range.1);
            machine.axes.iter().map(|axis| within(axis.joint.range)).collect()
        }))
        .take(TRIES)
        .find(|angles: &Vec<f64>| free(angles))
}
