//! A pose in which every axis under test can go its travel without touching anything.

use bellcrank_machine::Description;
use bellcrank_machine::geometry::Geometry;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::plan::Limits;
use crate::adversary::keeps_margins;
use crate::plant::{Bodies, Pose};

/// Poses tried.
const TRIES: usize = 20_000;
/// Places of its travel in which an axis is looked at.
const PLACES: [f64; 5] = [-1.0, -0.5, 0.0, 0.5, 1.0];

/// Whether axes have room for their tests.
pub struct Room<'m> {
    machine: &'m Description,
    axes: &'m [usize],
    bodies: Bodies,
    geometries: Vec<Geometry>,
    reach: f64,
    pose: Pose,
}

impl<'m> Room<'m> {
    /// Of these axes. None for a machine that has no geometry.
    pub fn of(machine: &'m Description, axes: &'m [usize], limits: &Limits) -> Option<Self> {
        let geometries = machine.axes.iter().map(|axis| Geometry::of(axis).ok());
        Some(Self {
            machine,
            axes,
            bodies: Bodies::of_machine(machine).ok()?,
            geometries: geometries.collect::<Option<_>>()?,
            reach: limits.reach(),
            pose: Pose::default(),
        })
    }

    /// From these joint angles, rad, each of the axes may go half its travel, and what it may overrun, to both sides, the others standing still: within
    /// its range, clear of every zone by its margin, of the other arm and of the ground.
    pub fn has(&mut self, angles: &[f64]) -> bool {
        self.axes.iter().all(|&axis| {
            let described = &self.machine.axes[axis];
            let (low, high) = described.joint.range;
            let geometry = &self.geometries[axis];
            let Ok(middle) = geometry.stroke(angles[axis]) else {
                return false;
            };
            PLACES.iter().all(|place| {
                let stroke = middle + place * self.reach * described.actuator.travel;
                let angle = geometry.angle(stroke).ok();
                let Some(angle) = angle.filter(|angle| (low..=high).contains(angle)) else {
                    return false;
                };
                let mut moved = angles.to_vec();
                moved[axis] = angle;
                self.bodies.place(&moved, &mut self.pose);
                keeps_margins(self.machine, &self.pose)
            })
        })
    }
}

/// Joint angles, rad, from which each of these axes has room: the middle of all ranges if that will do, else the first of many random poses. None
/// where there is no such pose.
pub fn free_pose(machine: &Description, axes: &[usize], limits: &Limits) -> Option<Vec<f64>> {
    let mut room = Room::of(machine, axes, limits)?;
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
        .find(|angles: &Vec<f64>| room.has(angles))
}
