//! Tip jog: levers to tip velocity to joint rates, kept on the line that the levers drew.
//!
//! What the levers ask for is ramped without jerks, then summed up to where the tip should be by now. When they are let go the line
//! comes to rest with the ramp, and is kept for a little while longer, so that the tip ends on it and not beside it.

use super::line::Line;
use super::profile::{Ramp, Twist};
use super::twist::joint_rates;
use super::{Rates, Sight};
use crate::chain::ArmPose;
use crate::machine::Arm;
use crate::vec3::{Vec3, add, scale};

/// What one arm's jog remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TipJog {
    ramp: Ramp,
    line: Option<Line>,
    /// For how long the line has been at rest, s.
    rested: f32,
}

impl TipJog {
    /// Nothing leads the tip any more.
    pub fn at_rest(&self) -> bool {
        self.ramp.at_rest()
    }

    /// Where the tip should be by now, m.
    pub fn wanted_tip(&self) -> Option<Vec3> {
        self.line.map(|line| line.tip)
    }

    /// The velocity at which the levers lead the tip, ramped, m/s.
    pub fn led_velocity(&self) -> Option<Vec3> {
        let [vx, vy, vz, ..] = self.ramp.rate;
        self.line.map(|_| [vx, vy, vz])
    }

    /// One tick: the rates of this arm's joints go into `rates`.
    pub(super) fn step(&mut self, sight: &Sight, arm: &Arm, pose: &ArmPose, rates: &mut Rates) {
        let dt = sight.posture.dt_s();
        let asked = sight.twist_asked(arm, pose);
        self.ramp.step(&asked, &full(arm), arm.tip_ramp, dt);
        self.rested = if self.ramp.at_rest() { self.rested + dt } else { 0.0 };
        let rested = self.rested;
        self.line = self.line.filter(|line| !line.is_over(pose, rested));
        if self.line.is_none() && self.ramp.at_rest() {
            return;
        }
        let line = self.line.get_or_insert(Line::new(arm, pose, sight.posture));
        let led = self.ramp.rate;
        let [vx, vy, vz, ..] = led;
        line.tip = add(line.tip, scale([vx, vy, vz], dt));
        line.on_leash(pose, self.rested);
        let back = line.back(arm, pose, sight.posture, &led);
        let joints = joint_rates(sight, arm, pose, &led, &back);
        rates.add(arm, &joints, joints.slowdown);
    }
}

/// Full speed in each row.
pub fn full(arm: &Arm) -> Twist {
    let (v, w) = (arm.tip_speed, arm.pitch_rate);
    [v, v, v, w, w, w]
}
