//! Keeping the machine on its feet: the moment that holds it about each edge of its support is a gap for [`Braking`].
//!
//! About an edge with inward normal n and a point p on it, masses m at x hold `S = sum m (x - p) . n`, in kg m: times the acceleration of free
//! fall it is the static moment about the edge. The machine tips where it gets to zero (level ground, everything at rest: statics of a rigid
//! body). What must be left of it is a share of what the carrier alone has. A joint changes it by what it moves all that it carries: `dS/dq =
//! (about x sum m (x - origin)) . n`. What hangs at a tip is the payload that the machine file says, whether it hangs there or not.

use super::braking::Braking;
use crate::chain::{ArmPose, JointPlace};
use crate::keepout::{Closing, MOVERS};
use crate::last_tick::Held;
use crate::machine::{ARMS_MAX, Arm, Edge, Footing, Machine};
use crate::sense::Posture;
use crate::vec3::{Vec3, add, cross, scale, sub};

/// Slows the arms so that the machine keeps its margin against tipping.
pub fn hold_back(machine: &Machine, footing: &Footing, posture: &Posture, braking: &mut Braking) {
    let mut weight = Weight::default();
    let mut lifts = [[[0.0; 3]; MOVERS]; ARMS_MAX];
    for ((arm, pose), lifts) in machine.arms().iter().zip(&posture.arms).zip(&mut lifts) {
        if let Some(pose) = pose {
            let of_arm = weigh(arm, pose, lifts);
            weight.mass += of_arm.mass;
            weight.moment = add(weight.moment, of_arm.moment);
        }
    }
    for edge in footing.edges() {
        let alone = footing.mass * edge.inside(footing.centre);
        let mut closing: Closing = [[0.0; MOVERS]; ARMS_MAX];
        for (closing, lifts) in closing.iter_mut().zip(&lifts) {
            for (closing, [x, y, _]) in closing.iter_mut().zip(lifts) {
                *closing = -(x * edge.inward[0] + y * edge.inward[1]);
            }
        }
        let room = alone + weight.holds(&edge) - footing.tip_margin * alone;
        braking.keep(room, &closing, false, Held::FromTipping);
    }
}

/// Mass, kg, and its moment about the machine's origin, kg m.
#[derive(Debug, Clone, Copy, Default)]
struct Weight {
    mass: f32,
    moment: Vec3,
}

impl Weight {
    fn add(&mut self, mass: f32, at: Vec3) {
        self.mass += mass;
        self.moment = add(self.moment, scale(at, mass));
    }

    /// What it holds about an edge, kg m.
    fn holds(&self, edge: &Edge) -> f32 {
        let [x, y, _] = self.moment;
        (x - self.mass * edge.start[0]) * edge.inward[0] + (y - self.mass * edge.start[1]) * edge.inward[1]
    }

    /// What its moment changes by when a joint that carries all of it moves, kg m/rad.
    fn moved_by(&self, place: &JointPlace) -> Vec3 {
        let from_joint = sub(self.moment, scale(place.origin, self.mass));
        add(cross(place.about, from_joint), scale(place.along, self.mass))
    }
}

/// The weight of an arm with its payload; into `lifts` goes what each joint changes its moment by. A grip whose angle is not known hangs at the
/// tip.
fn weigh(arm: &Arm, pose: &ArmPose, lifts: &mut [Vec3; MOVERS]) -> Weight {
    let mut weight = Weight::default();
    let grip_lift = lifts.get_mut(arm.joints.len());
    if let Some(grip) = &arm.grip {
        weight.add(
            grip.mass,
            pose.grip.as_ref().map_or(pose.tip, |place| place.point(grip.centre)),
        );
        if let (Some(place), Some(lift)) = (&pose.grip, grip_lift) {
            *lift = weight.moved_by(place);
        }
    }
    weight.add(arm.payload, pose.tip);
    let joints = arm.joints.iter().zip(&pose.joints).zip(lifts);
    for ((joint, place), lift) in joints.rev() {
        weight.add(joint.mass, place.point(joint.centre));
        *lift = weight.moved_by(place);
    }
    weight
}
