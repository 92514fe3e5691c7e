//! How fast a command may change, and how fast that change may.

use crate::machine::Tracking;
use crate::math;

/// A command on its way.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ramp {
    command: f32,
    /// Its change, 1/s.
    slope: f32,
}

impl Ramp {
    /// The command.
    pub fn command(self) -> f32 {
        self.command
    }

    /// Takes the command towards `wanted`: away from zero by the ramp up, towards it by the ramp down, through zero by way of zero. Where
    /// there is a jerk limit the slope grows and shrinks by no more than that, and is small again where the wanted command is reached.
    pub fn drive(&mut self, wanted: f32, tracking: &Tracking, dt: f32) {
        let target = if wanted * self.command < 0.0 { 0.0 } else { wanted };
        let most = if math::abs(target) < math::abs(self.command) {
            tracking.ramp_down
        } else {
            tracking.ramp_up
        };
        let left = target - self.command;
        self.slope = if tracking.jerk > 0.0 {
            // From this slope it can still come to rest at the target: `slope² = 2 jerk left`.
            let braked = math::sqrt(2.0 * tracking.jerk * math::abs(left));
            let slope = math::sign(left) * math::min(most, braked);
            toward(self.slope, slope, tracking.jerk * dt)
        } else {
            math::sign(left) * most
        };
        let step = self.slope * dt;
        if step * left >= 0.0 && math::abs(left) <= math::abs(step) {
            self.command = target;
            self.slope = 0.0;
        } else {
            self.command += step;
        }
    }

    /// Takes the command to zero by the ramp of a stop, which nothing rounds.
    pub fn stop(&mut self, tracking: &Tracking, dt: f32) {
        self.slope = 0.0;
        self.command = toward(self.command, 0.0, tracking.stop_ramp * dt);
    }

    /// No command, at once.
    pub fn cut(&mut self) {
        *self = Self::default();
    }
}

/// From `from` towards `to` by at most `step`, and exactly there when it is within reach.
fn toward(from: f32, to: f32, step: f32) -> f32 {
    let left = to - from;
    if math::abs(left) <= step {
        to
    } else {
        from + math::clamp(left, -step, step)
    }
}
