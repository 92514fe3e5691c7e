//! Feed-forward plus feedback on stroke: the asked rate, corrected so that the stroke gets to where it should be by now.

use crate::machine::Axis;
use crate::math;
use crate::sense::AxisPosture;

/// Furthest that the correction may reach, as a share of full rate.
const MOST_CORRECTION: f32 = 0.5;

/// What feedback remembers of one axis.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Feedback {
    /// Where the stroke should be by now; none while nothing is asked.
    goal: Option<f32>,
    lag: f32,
    integral: f32,
}

impl Feedback {
    /// How far the stroke is behind its goal.
    pub fn lag(&self) -> f32 {
        self.lag
    }

    /// The corrected stroke rate. At rest (nothing asked) it asks for nothing: what is held by trapped oil is not chased.
    pub fn step(&mut self, axis: &Axis, now: &AxisPosture, asked: f32, dt: f32) -> f32 {
        if asked == 0.0 || !now.known {
            *self = Self::default();
            return 0.0;
        }
        let tracking = &axis.tracking;
        let full = axis.valve.full_rate.toward(asked);
        let goal = self.goal.unwrap_or(now.stroke) + asked * dt;
        self.lag = goal - now.stroke;
        self.goal = Some(goal);

        let most = MOST_CORRECTION * full;
        let proportional = tracking.gain * self.lag;
        let corrected = asked + proportional + self.integral;
        // The integral stands still while the valve can give no more in the direction that it would push.
        let saturated = math::abs(corrected) >= full && corrected * self.lag > 0.0;
        if tracking.integral_time > 0.0 && !saturated {
            self.integral = math::clamp(self.integral + proportional * dt / tracking.integral_time, -most, most);
        }
        let corrected = asked + math::clamp(proportional + self.integral, -most, most);
        // Feedback may stop an axis but never turn it against the hand.
        if corrected * asked > 0.0 { corrected } else { 0.0 }
    }
}
