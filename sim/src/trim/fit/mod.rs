//! Least squares with its intervals, and the two fits of which no library knows: where motion starts, and what only rises.
//!
//! Intervals are the usual ones of least squares: from the residual scatter and Student's t (Draper and Smith, *Applied Regression Analysis*,
//! chapters 2 and 24; from memory). The decompositions are `nalgebra`'s, the Levenberg-Marquardt steps `rmpfit`'s (MINPACK's), the quantiles
//! `statrs`'s. What comes out is held to the certified values of the NIST Statistical Reference Datasets by `tests/trim_numbers.rs`.

mod change;
mod linear;
mod monotone;
mod nonlinear;

use schemars::JsonSchema;
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};

pub use change::{Start, start_of_motion};
pub use linear::{Linear, linear};
pub use monotone::rising;
pub use nonlinear::{Nonlinear, nonlinear};

/// A number with what is known of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Estimate {
    /// The best value.
    pub value: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end of it.
    pub high: f64,
}

impl Estimate {
    /// A value with its standard error, on so many degrees of freedom.
    pub fn of(value: f64, error: f64, freedom: f64) -> Estimate {
        let half = error * student(freedom);
        Estimate {
            value,
            low: value - half,
            high: value + half,
        }
    }

    /// The mean of several measurements of one thing, each with the weight given: its error comes of how they scatter.
    pub fn mean(values: &[(f64, f64)]) -> Option<Estimate> {
        let weight: f64 = values.iter().map(|(_, weight)| weight).sum();
        if values.len() < 2 || weight <= 0.0 {
            return None;
        }
        let mean = values.iter().map(|(value, weight)| value * weight).sum::<f64>() / weight;
        let spread: f64 = values
            .iter()
            .map(|(value, own)| own * own * (value - mean) * (value - mean))
            .sum();
        // As many as an even weight would have been worth (Kish, Survey Sampling, 1965; from memory).
        let squares: f64 = values.iter().map(|(_, weight)| weight * weight).sum();
        let worth = weight * weight / squares;
        if worth <= 1.0 {
            return None;
        }
        let error = (spread / (weight * weight) * worth / (worth - 1.0)).sqrt();
        Some(Estimate::of(mean, error, worth - 1.0))
    }

    /// The same of something so many times as great.
    pub fn times(self, factor: f64) -> Estimate {
        let (low, high) = (self.low * factor, self.high * factor);
        Estimate {
            value: self.value * factor,
            low: low.min(high),
            high: low.max(high),
        }
    }

    /// Half the width of its interval.
    pub fn half(self) -> f64 {
        0.5 * (self.high - self.low)
    }

    /// Whether the interval has this number in it.
    pub fn covers(self, truth: f64) -> bool {
        self.low <= truth && truth <= self.high
    }
}

/// By how many standard errors a 95 % interval reaches to each side.
pub fn student(freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom.clamp(1.0, 1e7)).map_or(f64::INFINITY, |t| t.inverse_cdf(0.975))
}

/// The value in the middle.
pub fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
