//! The gain curve above the deadband: straight lines between knots, rising all the way.
//!
//! The rates of all stretches, each at the spool that the play gives it and brought to the middle of the travel, are fitted with hats around the
//! knots, weighted by what they are trusted to; where the result falls, neighbours are pooled. A knot stands only where there is data to both sides
//! of it. Above the last tread nothing was measured: the last slope is carried on, and never beyond what is believed possible.

use nalgebra::DMatrix;
use schemars::JsonSchema;
use serde::Serialize;

use super::fit::{Estimate, linear, rising};
use super::valve::{Bottom, TRUST, TYPE_B};

/// Knots past the deadband: as far apart as keeps a curve that bends as far as notches do within a hundredth of full rate of its chords.
const KNOTS: [f64; 7] = [0.03, 0.075, 0.14, 0.24, 0.38, 0.56, 0.8];
/// A last knot is no nearer than this to the one before.
const APART: f64 = 0.04;

/// One knot of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Knot {
    /// Command in the middle of the hysteresis, share of full.
    pub command: f64,
    /// Rate there, m/s or rad/s.
    pub rate: Estimate,
}

/// One measured rate: at a spool, in the middle of the travel, with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Share of full travel.
    pub spool: f64,
    /// m/s or rad/s.
    pub rate: f64,
    /// Its own error.
    pub error: f64,
}

/// A curve.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Curve {
    /// Where it opens.
    pub deadband: f64,
    /// Its knots.
    pub knots: Vec<Knot>,
    /// The rate at full command, m/s or rad/s: carried on, where it was not measured.
    pub full_rate: f64,
    /// The command from which on it is that: below 1 where something else than the valve is at its end.
    pub full_at: f64,
    /// Highest command that was measured.
    pub measured_to: f64,
}

impl Curve {
    /// The rate at a spool.
    pub fn rate(&self, spool: f64) -> f64 {
        let mut below = (self.deadband, 0.0);
        if spool <= below.0 {
            return 0.0;
        }
        let ends = [(self.full_at, self.full_rate), (1.0, self.full_rate)];
        for above in self
            .knots
            .iter()
            .map(|knot| (knot.command, knot.rate.value))
            .chain(ends)
        {
            if spool <= above.0 {
                return below.1 + (above.1 - below.1) * (spool - below.0) / (above.0 - below.0);
            }
            below = above;
        }
        below.1
    }
}

/// The curve of one direction through its points, carried on to `most` at most, m/s or rad/s. None where there are too few.
pub fn curve(bottom: &Bottom, way: usize, points: &[Point], most: f64) -> Option<Curve> {
    let deadband = bottom.deadband[way].value;
    let top = points.iter().map(|point| point.spool).fold(0.0, f64::max);
    let mut at: Vec<f64> = KNOTS
        .iter()
        .map(|knot| deadband + knot)
        .filter(|knot| knot + APART < top)
        .collect();
    at.push(top.min(1.0));
    // Nothing between two knots tells them apart: the lower one goes.
    let between = |low: f64, high: f64| {
        points
            .iter()
            .filter(|point| point.spool > low && point.spool <= high + 1e-9)
            .count()
    };
    let mut number = 0;
    while number + 1 < at.len() {
        let low = if number == 0 { deadband } else { at[number - 1] };
        if between(low, at[number]) == 0 || between(at[number], at[number + 1]) == 0 {
            at.remove(number);
        } else {
            number += 1;
        }
    }
    let hat = |knot: usize, spool: f64| {
        let low = if knot == 0 { deadband } else { at[knot - 1] };
        if spool <= low {
            0.0
        } else if spool <= at[knot] {
            (spool - low) / (at[knot] - low)
        } else if knot + 1 < at.len() && spool < at[knot + 1] {
            (at[knot + 1] - spool) / (at[knot + 1] - at[knot])
        } else {
            0.0
        }
    };
    let used: Vec<&Point> = points.iter().filter(|point| point.spool > deadband).collect();
    let x = DMatrix::from_fn(used.len(), at.len(), |row, column| hat(column, used[row].spool));
    let y: Vec<f64> = used.iter().map(|point| point.rate).collect();
    let trusted = |point: &Point| {
        point
            .error
            .hypot(TRUST * point.rate)
            .hypot(bottom.slope[way].value * 5e-4)
    };
    let mut weights: Vec<f64> = used.iter().map(|point| 1.0 / trusted(point)).collect();
    let mut fit = linear(&x, &y, Some(&weights))?;
    for _ in 0..3 {
        let left = &x * &fit.values;
        for ((weight, point), there) in weights.iter_mut().zip(&used).zip(left.iter()) {
            let off = (point.rate - there).abs() / trusted(point) / (3.0 * fit.scatter.max(0.3));
            *weight = (2.0 - off).clamp(1e-3, 1.0) / trusted(point);
        }
        fit = linear(&x, &y, Some(&weights))?;
    }
    let errors: Vec<f64> = (0..at.len()).map(|knot| fit.error(knot)).collect();
    let kept: Vec<f64> = errors.iter().map(|error| 1.0 / (error * error).max(1e-18)).collect();
    let rates = rising(fit.values.as_slice(), &kept);
    let knots: Vec<Knot> = at
        .iter()
        .zip(rates.iter().zip(&errors))
        .map(|(&command, (&rate, &error))| Knot {
            command,
            rate: Estimate::of(rate, error.hypot(TYPE_B.rate * rate), fit.freedom),
        })
        .collect();
    let last = knots.last()?;
    let (low, from) = match knots.len() {
        1 => (deadband, 0.0),
        count => (knots[count - 2].command, knots[count - 2].rate.value),
    };
    let slope = (last.rate.value - from) / (last.command - low);
    let full_rate = (last.rate.value + slope * (1.0 - last.command))
        .min(most)
        .max(last.rate.value);
    let full_at = if slope > 0.0 {
        (last.command + (full_rate - last.rate.value) / slope).min(1.0)
    } else {
        last.command
    };
    Some(Curve {
        deadband,
        measured_to: last.command,
        full_rate,
        full_at,
        knots,
    })
}
