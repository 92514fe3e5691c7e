//! A proportional-integral law that does not wind up.

use crate::math;

/// What it remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Pi {
    integral: f32,
}

impl Pi {
    /// `gain * error` plus its integral over `integral_time` (0: none), within `range`. The integral stands still while the output is at an
    /// end of the range and the error would push it further (conditional integration; Åström and Hägglund, *PID Controllers*, 1995,
    /// from memory).
    pub fn step(&mut self, error: f32, gain: f32, integral_time: f32, range: (f32, f32), dt: f32) -> f32 {
        let wanted = gain * error + self.integral;
        let given = math::clamp(wanted, range.0, range.1);
        let saturated = wanted != given && error * wanted > 0.0;
        if integral_time > 0.0 && !saturated {
            self.integral += gain * error * dt / integral_time;
        }
        given
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PV-85. Source: computed for `x += dt u`, |u| <= 0.2, a step of 1, gains 2 and 1, dt 10 ms, the output before the integral:
    /// 1.3670 % overshoot, within 2 % for good from 5.13 s on; without anti-windup 66 % and 13.15 s. In f32 it comes off its limit a tick
    /// sooner, which is 0.03 % of overshoot.
    #[test]
    fn it_does_not_wind_up() {
        let (mut pi, mut x, mut highest, mut settled) = (Pi::default(), 0.0_f32, 0.0_f32, 0.0);
        for k in 0..4000 {
            if (x - 1.0).abs() > 0.02 {
                settled = 0.01 * f64::from(k + 1);
            }
            x += 0.01 * pi.step(1.0 - x, 2.0, 2.0, (-0.2, 0.2), 0.01);
            highest = math::max(highest, x);
        }
        assert!((highest - 1.01367).abs() < 5e-4, "{highest}");
        assert!((settled - 5.13).abs() < 0.011, "{settled}");
    }

    #[test]
    fn without_an_integral_time_it_is_a_gain_within_its_range() {
        let mut pi = Pi::default();
        for (error, wanted) in [(0.1, 0.3), (0.1, 0.3), (1.0, 0.5), (-1.0, -0.4)] {
            assert!((pi.step(error, 3.0, 0.0, (-0.4, 0.5), 0.01) - wanted).abs() < 1e-6);
        }
    }
}
