//! The poses that a survey looks at: a grid over the ranges of the joints of one arm, everything else in the middle of its range.

use bellcrank_machine::description::{Arm, Description};

use crate::plant::{Bodies, JOINTS_MAX, PerJoint, Pose};

/// Most poses of one grid.
const POSES_MAX: usize = 20_000;
/// Most values of one joint on a grid.
const PER_JOINT_MAX: usize = 25;

/// Joints that are moved together, and the axes that are judged meanwhile.
pub(super) struct Chain<'m> {
    machine: &'m Description,
    /// The joints that move, from base to tip: indices of axes.
    pub(super) joints: Vec<usize>,
    /// Those, and the grip.
    pub(super) judged: Vec<usize>,
    /// The joint at whose link's end the tip is. None where there is no tip.
    pub(super) tip: Option<usize>,
}

impl<'m> Chain<'m> {
    /// An arm with its grip.
    pub(super) fn of_arm(machine: &'m Description, arm: &Arm) -> Chain<'m> {
        let judged = arm.axes.iter().chain(&arm.grip).copied().collect();
        Chain {
            machine,
            joints: arm.axes.clone(),
            judged,
            tip: arm.axes.last().copied(),
        }
    }

    /// Every axis that belongs to no arm, by itself.
    pub(super) fn of_loose_axes(machine: &'m Description) -> Vec<Chain<'m>> {
        let in_arm = |axis: &usize| {
            machine
                .arms
                .iter()
                .any(|arm| arm.axes.contains(axis) || arm.grip == Some(*axis))
        };
        let loose = (0..machine.axes.len()).filter(|axis| !in_arm(axis));
        loose
            .map(|axis| Chain {
                machine,
                joints: vec![axis],
                judged: vec![axis],
                tip: None,
            })
            .collect()
    }

    /// Visits every pose of the grid, with as many values of each joint as there is room for.
    pub(super) fn each(&self, bodies: &Bodies, visit: impl FnMut(&PerJoint, &Pose)) {
        let fits = |values: &usize| {
            values
                .checked_pow(self.exponent())
                .is_some_and(|poses| poses <= POSES_MAX)
        };
        let values = (2..=PER_JOINT_MAX).take_while(fits).last().unwrap_or(2);
        self.each_of(values, &[], bodies, visit);
    }

    /// Visits the grid of both ends and the middle of each joint's range, with some axes kept at an angle.
    pub(super) fn each_coarse(&self, kept: &[(usize, f64)], bodies: &Bodies, visit: impl FnMut(&PerJoint, &Pose)) {
        self.each_of(3, kept, bodies, visit);
    }

    fn exponent(&self) -> u32 {
        u32::try_from(self.joints.len()).unwrap_or(u32::MAX)
    }

    fn each_of(&self, values: usize, kept: &[(usize, f64)], bodies: &Bodies, mut visit: impl FnMut(&PerJoint, &Pose)) {
        let is_kept = |joint: &usize| kept.iter().any(|(axis, _)| axis == joint);
        let free: Vec<usize> = self.joints.iter().copied().filter(|joint| !is_kept(joint)).collect();
        let mut pose = Pose::default();
        self.each_value_of(&free, values, |angles| {
            let mut angles = *angles;
            for &(axis, angle) in kept {
                angles[axis] = angle;
            }
            bodies.place(&angles, &mut pose);
            visit(&angles, &pose);
        });
    }

    /// Visits all combinations of so many values of some joints over their ranges; every other axis stands in the middle of its own.
    pub(super) fn each_value_of(&self, joints: &[usize], values: usize, mut visit: impl FnMut(&PerJoint)) {
        let mut angles = [0.0; JOINTS_MAX];
        for (angle, axis) in angles.iter_mut().zip(&self.machine.axes) {
            *angle = f64::midpoint(axis.joint.range.0, axis.joint.range.1);
        }
        let combinations = joints.iter().fold(1, |combinations, _| combinations * values);
        for number in 0..combinations {
            let mut rest = number;
            for &joint in joints {
                let (low, high) = self.machine.axes[joint].joint.range;
                angles[joint] = low + (high - low) * (rest % values) as f64 / (values - 1) as f64;
                rest /= values;
            }
            visit(&angles);
        }
    }
}
