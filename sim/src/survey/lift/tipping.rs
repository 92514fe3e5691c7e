//! The load that tips the machine: the one that draws the resultant of all weights onto the nearest edge of the support.
//!
//! About an edge with inward normal n the weights hold `S = sum m (x - p) . n` (p on the edge) and each kilogram at the tip takes away
//! `d = (p - tip) . n`; the load is `S / d`, for the worst edge and, where the arm's first joint turns about the vertical, in the worst
//! direction that this joint can take. Level ground, everything at rest: statics of a rigid body.

use bellcrank_machine::description::{Arm, Carrier, Description, JointAxis};
use nalgebra::{Rotation2, Vector2};

use crate::plant::Pose;

/// Directions of the first joint that are looked at over its range, beside those square to an edge.
const DIRECTIONS: u32 = 24;
/// A tip no further than this beyond an edge stands over it, m.
const OVER: f64 = 1e-6;

/// What tips a machine, and what does not, for one arm.
pub(super) struct Tipping<'m> {
    machine: &'m Description,
    arm: &'m Arm,
    carrier: &'m Carrier,
    /// Angles that the first joint can turn from the middle of its range, rad; one of zero where it does not turn about the vertical.
    turns: (f64, f64),
}

/// The load that tips the machine, kg, and how far the first joint is from the middle of its range then, rad.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tips {
    pub(super) load: f64,
    pub(super) turn: f64,
}

/// An edge of the support.
struct Edge {
    start: Vector2<f64>,
    /// Square to it, towards the inside.
    inward: Vector2<f64>,
}

impl<'m> Tipping<'m> {
    /// None where nobody has said what the machine stands on.
    pub(super) fn new(machine: &'m Description, arm: &'m Arm) -> Option<Tipping<'m>> {
        let first = &machine.axes[*arm.axes.first()?].joint;
        let half = if first.axis == JointAxis::Z {
            0.5 * (first.range.1 - first.range.0)
        } else {
            0.0
        };
        Some(Tipping {
            machine,
            arm,
            carrier: machine.carrier.as_ref()?,
            turns: (-half, half),
        })
    }

    /// The least load at the tip that tips the machine, in a pose with the first joint in the middle of its range. None where the tip
    /// stays over the support, whichever way it turns.
    pub(super) fn load(&self, pose: &Pose) -> Option<Tips> {
        let tip = pose.tip(self.machine, self.arm).xy() - self.arm.base.xy();
        let of_arm = |axis: &usize| self.arm.axes.contains(axis) || self.arm.grip == Some(*axis);
        let (turning, still): (Vec<usize>, Vec<usize>) = (0..self.machine.axes.len()).partition(of_arm);
        let weigh = |axes: &[usize], from: Vector2<f64>| {
            axes.iter().fold((0.0, Vector2::zeros()), |(mass, moment), &axis| {
                let joint = &self.machine.axes[axis].joint;
                let at = pose.point(axis, &joint.centre).xy() - from;
                (mass + joint.mass, moment + at * joint.mass)
            })
        };
        let (arm_mass, arm_moment) = weigh(&turning, self.arm.base.xy());
        let (mut mass, mut moment) = weigh(&still, Vector2::zeros());
        mass += self.carrier.mass;
        moment += self.carrier.centre.xy() * self.carrier.mass;

        let mut least: Option<Tips> = None;
        for edge in edges(self.carrier) {
            let base = (self.arm.base.xy() - edge.start).dot(&edge.inward);
            let held = (moment - edge.start * mass).dot(&edge.inward) + base * arm_mass;
            for turn in self.directions(&tip, &edge) {
                let turned = |v: &Vector2<f64>| (Rotation2::new(turn) * v).dot(&edge.inward);
                let (holds, takes) = (held + turned(&arm_moment), -base - turned(&tip));
                let load = if holds <= 0.0 {
                    0.0
                } else if takes > OVER {
                    holds / takes
                } else {
                    continue;
                };
                if least.is_none_or(|least| load < least.load) {
                    least = Some(Tips { load, turn });
                }
            }
        }
        least
    }

    /// Evenly over the range, and where the tip stands square to the edge: for an arm in one upright plane that is the worst one.
    fn directions(&self, tip: &Vector2<f64>, edge: &Edge) -> impl Iterator<Item = f64> {
        use std::f64::consts::TAU;
        let (low, high) = self.turns;
        let count = if low < high { DIRECTIONS } else { 0 };
        let even = (0..=count).map(move |number| low + (high - low) * f64::from(number) / f64::from(count.max(1)));
        let square = Rotation2::rotation_between(tip, &-edge.inward).angle();
        let square = [square - TAU, square, square + TAU].into_iter();
        even.chain(square.filter(move |turn| (low..=high).contains(turn)))
    }
}

fn edges(carrier: &Carrier) -> impl Iterator<Item = Edge> + '_ {
    let ends = carrier.support.iter().cycle().skip(1);
    carrier.support.iter().zip(ends).map(|(start, end)| {
        let along = (end - start).normalize();
        Edge {
            start: *start,
            inward: Vector2::new(-along.y, along.x),
        }
    })
}
