//! How far the position loop of an axis is from swinging by itself.
//!
//! The loop, broken open: gain and integral, the smoothing of the lag, everything that comes late between command and motion as one dead time, the
//! load on its oil as a second-order lag, and the stroke as the integral of the rate:
//! `K (1 + 1/(s Ti)) / (s T + 1) e^(-s L) W² / (s² + 2 ζ W s + W²) / s`. Without the lags it is stable for `K < 2 ζ W` (Merritt, *Hydraulic Control
//! Systems*, 1967, chapter 8; from memory; PV-42 of the project's check values).

use std::f64::consts::{PI, TAU};

use nalgebra::Complex;
use schemars::JsonSchema;
use serde::Serialize;

/// Frequencies looked at, from, to, rad/s, and how many.
const LOOK: (f64, f64, usize) = (0.05, 400.0, 4000);

/// What is in the loop beside its gain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loop {
    /// Dead time and lags but the oil's, s.
    pub late: f64,
    /// Time over which the lag is smoothed, s.
    pub smooth: f64,
    /// Integral time, s. 0: none.
    pub integral: f64,
    /// Natural frequency of the load on its oil, Hz.
    pub hz: f64,
    /// Its damping ratio.
    pub zeta: f64,
}

/// By how much the loop is stable.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Margins {
    /// The gain could be so many times as high.
    pub gain: f64,
    /// The phase could be so much later, degrees; below zero, so much less late it would have to be.
    pub phase_deg: f64,
}

impl Loop {
    /// The open loop at an angular frequency, rad/s, for a gain, 1/s.
    pub fn response(&self, gain: f64, w: f64) -> Complex<f64> {
        let s = Complex::new(0.0, w);
        let natural = TAU * self.hz;
        let oil = natural * natural / (s * s + s * 2.0 * self.zeta * natural + natural * natural);
        let integral = if self.integral > 0.0 {
            Complex::from(1.0) + (s * self.integral).inv()
        } else {
            Complex::from(1.0)
        };
        integral * gain / (s * self.smooth + 1.0) * (-s * self.late).exp() * oil / s
    }

    /// Its margins at a gain, 1/s: the least of all crossings.
    pub fn margins(&self, gain: f64) -> Margins {
        let (low, high, count) = LOOK;
        let at = |k: usize| low * (high / low).powf(k as f64 / count as f64);
        let mut margins = Margins {
            gain: f64::INFINITY,
            phase_deg: f64::INFINITY,
        };
        let mut before = self.response(gain, at(0));
        for k in 1..=count {
            let now = self.response(gain, at(k));
            if (before.norm() - 1.0) * (now.norm() - 1.0) <= 0.0 {
                // How far the phase is from half a turn, on whichever side of it.
                let phase = (now.arg() + PI).rem_euclid(TAU);
                let from_half = if phase > PI { phase - TAU } else { phase }.to_degrees();
                if from_half.abs() < margins.phase_deg.abs() {
                    margins.phase_deg = from_half;
                }
            }
            // Through the negative real axis.
            if before.im * now.im <= 0.0 && before.re < 0.0 && now.re < 0.0 {
                let part = if now.im == before.im {
                    0.0
                } else {
                    before.im / (before.im - now.im)
                };
                let crossing = before.re + part * (now.re - before.re);
                // Below where the integral turns it, the loop is far above one there, and rightly so.
                if crossing.abs() < 1.0 || margins.gain.is_infinite() {
                    margins.gain = margins.gain.min(-1.0 / crossing);
                }
            }
            before = now;
        }
        margins
    }
}
