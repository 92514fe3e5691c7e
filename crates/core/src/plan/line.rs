//! The line that a tip is led on: where it should be by now, and how it should be turned.
//!
//! The place and the angles are fed back, so that drifts of single joints do not add up to a bent line or a tilted load. The place
//! never runs further ahead than a short leash, so that nothing is stored up while something else holds the arm back. Once the place has
//! come to rest the tip is still brought to it for a while, on a leash that is drawn in: what holds it back is not pushed against.

use super::orientation::columns;
use super::profile::Twist;
use crate::chain::ArmPose;
use crate::machine::{Arm, JOINTS_MAX};
use crate::math;
use crate::sense::Posture;
use crate::vec3::{Vec3, norm, scale, sub};

/// Gain from the error of the tip to its velocity, 1/s.
const GAIN: f32 = 2.0;
/// The tip's wanted place is never further than this from where it is, m.
pub const LEASH_M: f32 = 0.03;
/// The same for how it is turned, rad.
const TURN_LEASH: f32 = 0.05;
/// The same once that place has come to rest, m: a tip that is further behind then is held back by something, and left alone. The leash
/// is drawn in, to nothing within [`SETTLE_S`].
const SETTLE_LEASH_M: f32 = 0.012;
/// For how long the tip is still brought to its place once that has come to rest, s.
const SETTLE_S: f32 = 1.0;

/// Where a tip should be by now.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Line {
    /// m.
    pub tip: Vec3,
    /// How far each row of turning is behind what was asked, rad.
    lag: [f32; 3],
    /// The joints' angles when last looked at.
    angles: [f32; JOINTS_MAX],
}

impl Line {
    /// From where the tip is.
    pub fn new(arm: &Arm, pose: &ArmPose, posture: &Posture) -> Self {
        Self {
            tip: pose.tip,
            lag: [0.0; 3],
            angles: angles(arm, posture),
        }
    }

    /// How far the tip is behind, m.
    pub fn behind(&self, pose: &ArmPose) -> Vec3 {
        sub(self.tip, pose.tip)
    }

    /// Whether nothing more is asked, `rested` after the place has come to rest, s: time is up, or something holds the tip back.
    pub fn is_over(&self, pose: &ArmPose, rested: f32) -> bool {
        rested > SETTLE_S || (rested > 0.0 && norm(self.behind(pose)) > SETTLE_LEASH_M)
    }

    /// Puts the wanted place no further from the tip than the leash is long, `rested` after it has come to rest, s.
    pub fn on_leash(&mut self, pose: &ArmPose, rested: f32) {
        let excess = beyond_leash(self.behind(pose), rested);
        self.tip = sub(self.tip, excess);
    }

    /// What brings the tip back to its line, now that its place goes on at `led`.
    pub fn back(&mut self, arm: &Arm, pose: &ArmPose, posture: &Posture, led: &Twist) -> Twist {
        let now = angles(arm, posture);
        let mut turned = [0.0; 3];
        for (column, (now, before)) in columns(arm, pose).iter().zip(now.iter().zip(&self.angles)) {
            let [_, _, _, rows @ ..] = column;
            for (turned, row) in turned.iter_mut().zip(rows) {
                *turned += row * (now - before);
            }
        }
        self.angles = now;
        let [_, _, _, turning @ ..] = led;
        for (lag, (asked, turned)) in self.lag.iter_mut().zip(turning.iter().zip(&turned)) {
            *lag = math::clamp(*lag + asked * posture.dt_s() - turned, -TURN_LEASH, TURN_LEASH);
        }
        let ([x, y, z], [a, b, c]) = (self.behind(pose), self.lag);
        [x, y, z, a, b, c].map(|off| GAIN * off)
    }
}

/// How much further a tip is behind than the leash is long, m.
pub fn beyond_leash(behind: Vec3, rested: f32) -> Vec3 {
    let leash = if rested > 0.0 {
        let share = rested / SETTLE_S;
        SETTLE_LEASH_M * math::max(1.0 - share * share, 0.0)
    } else {
        LEASH_M
    };
    let length = norm(behind);
    if length > leash {
        scale(behind, 1.0 - leash / length)
    } else {
        [0.0; 3]
    }
}

/// The angles of an arm's joints, from the base.
pub fn angles(arm: &Arm, posture: &Posture) -> [f32; JOINTS_MAX] {
    let mut angles = [0.0; JOINTS_MAX];
    for (angle, joint) in angles.iter_mut().zip(&arm.joints) {
        *angle = posture.axes.get(joint.axis).angle;
    }
    angles
}
