//! Dither: a small, fast to and fro of an open valve, so that its spool does not stick and shows no hysteresis.
//!
//! It does so where its amplitude is more than half of the hysteresis, and its period is too short for the spool to follow.

use crate::machine::Dither;

/// Where in its period it is, share of it.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Wave(f32);

impl Wave {
    /// What is added to the opening in this tick: the amplitude for one half of the period, as much the other way for the other.
    pub fn step(&mut self, dither: Dither, dt: f32) -> f32 {
        self.0 += dt * dither.frequency;
        if self.0 >= 1.0 {
            self.0 -= 1.0;
        }
        // A half that ends within a rounding of a tick has ended.
        if self.0 < 0.5 - 1e-3 {
            dither.amplitude
        } else {
            -dither.amplitude
        }
    }
}
