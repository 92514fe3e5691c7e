//! The path of a go-to move, looked at before anything moves.
//!
//! The line is walked in steps of [`STEP_M`] with the same kinematics as the jog's, from where the joints are now. At each place the
//! tip must be on the line, every joint in its range, and every part of the arm as far from each zone and from the other arm, where
//! that stands now, as their margins ask. Where the arm is nearer than that already, it may not come nearer still. Between two places
//! nothing is looked at: that is left to the guard, and so is where a joint to spare goes on the way.
//!
//! A tick looks at one place: with ticks of 2 ms a metre takes 0.2 s.

use heapless::Vec;

use super::orientation::columns;
use super::twist::rates_of;
use crate::chain::ArmPose;
use crate::keepout::{self, With};
use crate::last_tick::Obstacle;
use crate::machine::{ARMS_MAX, Arm, JOINTS_MAX, Machine};
use crate::math;
use crate::sense::Posture;
use crate::vec3::{Vec3, add, norm, scale, sub};

/// Distance between two places that are looked at, m.
const STEP_M: f32 = 0.01;
/// Further than this no arm of ours reaches, m. It bounds the number of places.
const LONGEST_M: f32 = 20.0;
/// The tip is on the line when it is no further off, m.
const ON_LINE_M: f32 = 5e-4;
/// Steps towards a place. Near a singular pose they get shorter; what is not reached then is too near to it.
const TRIES: usize = 4;
/// A joint may be this share of its stroke beyond its end: what a sensor is off.
const SLACK: f32 = 1e-3;

/// A line from here to there, as far as it has been looked at.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Path {
    /// Where it starts, m.
    pub from: Vec3,
    /// From there to its end, m.
    pub way: Vec3,
    /// Its length, m.
    pub length: f32,
    /// The place to be looked at next, and the last one. The first, 0, is the start.
    next: u16,
    last: u16,
    /// The joints' angles at the place before.
    angles: [f32; JOINTS_MAX],
    /// Room that must be left beyond the margins, m: none, or what there is at the start where that is less.
    room: f32,
}

/// What is in the way, and how far along, m.
pub type Blocked = (Obstacle, f32);

impl Path {
    /// From where a tip is.
    ///
    /// # Errors
    /// When the way is longer than any arm, or is none.
    pub fn new(from: Vec3, way: Vec3, angles: [f32; JOINTS_MAX]) -> Result<Self, Blocked> {
        let length = norm(way);
        if !length.is_finite() {
            return Err((Obstacle::Unusable, 0.0));
        }
        if length > LONGEST_M {
            return Err((Obstacle::Reach, 0.0));
        }
        // At most 2000: it fits.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let steps = (length / STEP_M) as u16;
        Ok(Self {
            from,
            way,
            length,
            next: 0,
            last: steps.saturating_add(1),
            angles,
            room: 0.0,
        })
    }

    /// Looks at the next place of the path of an arm. None while there are more.
    pub fn look(
        &mut self,
        machine: &Machine,
        index: usize,
        arm: &Arm,
        posture: &Posture,
    ) -> Option<Result<(), Blocked>> {
        let share = f32::from(self.next) / f32::from(self.last.max(1));
        if let Err(obstacle) = self.place(machine, index, arm, posture, share) {
            return Some(Err((obstacle, share * self.length)));
        }
        if self.next >= self.last {
            return Some(Ok(()));
        }
        self.next = self.next.saturating_add(1);
        None
    }

    fn place(
        &mut self,
        machine: &Machine,
        index: usize,
        arm: &Arm,
        posture: &Posture,
        share: f32,
    ) -> Result<(), Obstacle> {
        let place = add(self.from, scale(self.way, share));
        let mut pose = ArmPose::new(arm, self.angles);
        for _ in 0..TRIES {
            let miss = sub(place, pose.tip);
            if norm(miss) <= ON_LINE_M {
                break;
            }
            let [x, y, z] = miss;
            let [steps] = rates_of(arm.levers.len(), &columns(arm, &pose), [&[x, y, z, 0.0, 0.0, 0.0]]);
            for (angle, step) in self.angles.iter_mut().zip(&steps) {
                *angle += step;
            }
            pose = ArmPose::new(arm, self.angles);
        }
        self.in_range(machine, arm)?;
        if norm(sub(place, pose.tip)) > ON_LINE_M {
            return Err(Obstacle::Reach);
        }
        let mut poses: Vec<Option<ArmPose>, ARMS_MAX> = posture.arms.clone();
        if let Some(place) = poses.get_mut(index) {
            *place = Some(pose);
        }
        let Some(nearest) = keepout::nearest_of(machine, &poses, index) else {
            return Ok(());
        };
        if self.next == 0 {
            self.room = math::min(nearest.room(), 0.0);
        }
        if nearest.room() >= self.room {
            return Ok(());
        }
        Err(match nearest.with {
            With::Zone(number) => Obstacle::Zone(number),
            With::Arm(..) => Obstacle::OtherArm,
        })
    }

    fn in_range(&self, machine: &Machine, arm: &Arm) -> Result<(), Obstacle> {
        for (joint, angle) in arm.joints.iter().zip(self.angles) {
            let Some(axis) = machine.axis(joint.axis) else { continue };
            let (low, high) = axis.stroke;
            let slack = SLACK * (high - low);
            let within = |stroke: f32| stroke >= low - slack && stroke <= high + slack;
            if !axis.linkage.stroke(angle).is_ok_and(within) {
                return Err(Obstacle::EndOfRange(joint.axis));
            }
        }
        Ok(())
    }
}
