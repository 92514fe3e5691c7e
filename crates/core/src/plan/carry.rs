//! Carry: what the arms hold between them is moved by one set of levers, and their tips keep their places to one another.
//!
//! The levers of the first arm lead the middle between the tips; each tip has its place beside that, kept from the first tick of
//! the mode. Whatever holds one arm back holds back all: where one cannot go as fast, all are slowed alike, and while the tips are off
//! their places the middle waits. So that the guard slows all alike too, the rates say that the arms belong together.

use super::line::{LEASH_M, Line, beyond_leash};
use super::orientation::{along, frame, turning};
use super::profile::{Ramp, Twist};
use super::tip::full;
use super::twist::{JointRates, joint_rates};
use super::{Rates, Sight};
use crate::chain::ArmPose;
use crate::machine::{ARMS_MAX, Arm};
use crate::math;
use crate::vec3::{Vec3, add, cross, norm, scale, sub};

/// So far off their places to one another the tips may be before all go slower, m.
const FREE_M: f32 = 0.003;
/// So far off they wait, m.
const WAIT_M: f32 = 0.009;

/// What carrying remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Carry {
    /// Velocity of the middle (m/s) and its turning about the machine's axes (rad/s).
    ramp: Ramp,
    /// Each tip's place, from the first tick on.
    lines: [Option<Line>; ARMS_MAX],
    /// At which velocity each is led.
    led: [Option<Vec3>; ARMS_MAX],
    /// For how long the middle has been at rest, s.
    rested: f32,
}

impl Carry {
    /// Where each tip should be by now, while something leads it.
    pub fn tips(&self) -> [Option<Vec3>; ARMS_MAX] {
        let mut tips = [None; ARMS_MAX];
        for (tip, (line, led)) in tips.iter_mut().zip(self.lines.iter().zip(&self.led)) {
            *tip = line.as_ref().filter(|_| led.is_some()).map(|line| line.tip);
        }
        tips
    }

    /// At which velocity each is led.
    pub fn led(&self) -> [Option<Vec3>; ARMS_MAX] {
        self.led
    }

    /// One tick. The rates of all arms' joints go into `rates`.
    pub(super) fn step(&mut self, sight: &Sight, rates: &mut Rates) {
        let arms = sight.machine.arms();
        let Some((first, pose)) = arms.first().zip(sight.posture.arm(0)) else {
            *self = Self::default();
            return;
        };
        if (0..arms.len()).any(|index| sight.posture.arm(index).is_none()) {
            *self = Self::default();
            return;
        }
        let dt = sight.posture.dt_s();
        let moving_before = self.led.iter().any(Option::is_some);
        self.ramp
            .step(&asked(sight, first, pose), &full(first), first.tip_ramp, dt);
        self.rested = if self.ramp.at_rest() { self.rested + dt } else { 0.0 };
        for ((index, arm), line) in arms.iter().enumerate().zip(&mut self.lines) {
            if let Some(pose) = sight.posture.arm(index) {
                line.get_or_insert(Line::new(arm, pose, sight.posture));
            }
        }
        self.led = [None; ARMS_MAX];
        if self.is_over(sight) || (self.ramp.at_rest() && !moving_before) {
            return;
        }
        rates.together = true;
        if !moving_before {
            // From where they are now; what they are off one another is made good again.
            self.shift(sight, |mean, _| mean);
        }
        let patience = self.patience(sight);
        let [vx, vy, vz, wx, wy, wz] = self.ramp.rate.map(|rate| patience * rate);
        let about = [wx, wy, wz];
        self.lead(sight, [vx, vy, vz], about, dt);
        let mut joints: [JointRates; ARMS_MAX] = Default::default();
        let mut slowdown = 1.0;
        for (((index, arm), joints), (line, led)) in arms
            .iter()
            .enumerate()
            .zip(&mut joints)
            .zip(self.lines.iter_mut().zip(&self.led))
        {
            let (Some(line), Some([x, y, z]), Some(pose)) = (line, led, sight.posture.arm(index)) else {
                continue;
            };
            let [a, b, c] = turning(arm, pose, about);
            let led = [*x, *y, *z, a, b, c];
            let back = line.back(arm, pose, sight.posture, &led);
            *joints = joint_rates(sight, arm, pose, &led, &back);
            slowdown = math::max(slowdown, joints.slowdown);
        }
        for (arm, joints) in arms.iter().zip(&joints) {
            rates.add(arm, joints, slowdown);
        }
    }

    /// Whether nothing more is asked of any arm.
    fn is_over(&self, sight: &Sight) -> bool {
        self.lines.iter().enumerate().any(|(index, line)| {
            let pose = sight.posture.arm(index);
            line.as_ref()
                .zip(pose)
                .is_some_and(|(line, pose)| line.is_over(pose, self.rested))
        })
    }

    /// Takes each tip's place on with the middle.
    fn lead(&mut self, sight: &Sight, velocity: Vec3, about: Vec3, dt: f32) {
        let middle = mean(self.lines.iter().flatten().map(|line| line.tip));
        for (line, led) in self.lines.iter_mut().zip(&mut self.led) {
            if let Some(line) = line {
                let round = cross(about, sub(line.tip, middle));
                let velocity = add(velocity, round);
                line.tip = add(line.tip, scale(velocity, dt));
                *led = Some(velocity);
            }
        }
        // On a leash, all by the same.
        let rested = self.rested;
        self.shift(sight, |_, furthest| beyond_leash(furthest, rested));
    }

    /// Brings all places back by the same: by what `by` makes of how far the tips are behind in the mean, and of how far that is which
    /// is furthest behind.
    fn shift(&mut self, sight: &Sight, by: impl Fn(Vec3, Vec3) -> Vec3) {
        let furthest = self.behind(sight).fold([0.0; 3], |furthest: Vec3, behind| {
            if norm(behind) > norm(furthest) {
                behind
            } else {
                furthest
            }
        });
        let by = by(mean(self.behind(sight)), furthest);
        for line in self.lines.iter_mut().flatten() {
            line.tip = sub(line.tip, by);
        }
    }

    /// How much of the speed is left for tips that are off their places to one another, or too far behind.
    fn patience(&self, sight: &Sight) -> f32 {
        let mean = mean(self.behind(sight));
        let apart = self.behind(sight).map(|behind| 2.0 * norm(sub(behind, mean)));
        let apart = apart.fold(0.0, math::max);
        let late = self.behind(sight).map(norm).fold(0.0, math::max);
        let left = |of: f32, free: f32, wait: f32| math::clamp((wait - of) / (wait - free), 0.0, 1.0);
        math::min(left(apart, FREE_M, WAIT_M), left(late, 0.5 * LEASH_M, LEASH_M))
    }

    fn behind<'s>(&'s self, sight: &'s Sight) -> impl Iterator<Item = Vec3> + 's {
        let lines = self.lines.iter().enumerate();
        lines.filter_map(|(index, line)| Some(line.as_ref()?.behind(sight.posture.arm(index)?)))
    }
}

/// What the first arm's levers ask of the middle.
fn asked(sight: &Sight, arm: &Arm, pose: &ArmPose) -> Twist {
    let [forward, left, up, pitch, roll, yaw] = sight.tip_levers(arm);
    let (axes, _) = frame(sight.hand.frame, sight.machine, pose);
    let [vx, vy, vz] = along(&axes, [forward, left, up].map(|share| share * arm.tip_speed));
    let [wx, wy, wz] = along(&axes, [roll, pitch, yaw].map(|share| share * arm.pitch_rate));
    [vx, vy, vz, wx, wy, wz]
}

fn mean(of: impl Iterator<Item = Vec3>) -> Vec3 {
    let (mut sum, mut count) = ([0.0; 3], 0.0);
    for vector in of {
        sum = add(sum, vector);
        count += 1.0;
    }
    scale(sum, 1.0 / math::max(count, 1.0))
}
