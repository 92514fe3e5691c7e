//! How an axis answers a step of its command: how late, how much oil goes into the lines first, how far it goes on after it, and how the load swings
//! on its oil then.
//!
//! - *Late*: a step from one open command to another bends the way that the axis goes. Where the line before and the line after meet is late by all
//!   delays and lags between command and motion together, whatever their order (the mean of their step response): what feed-forward has to be
//!   ahead by.
//! - *Fill*: at a step from rest the line after starts from lower than where the axis stood, by the lag times the rate and by what the lines took;
//!   over several rates the second is what is left at rate nothing.
//! - *Run-on*: where it has come to rest lies beyond where it was told to stop, by the lag times the rate and by what the axis goes on, or back, as the
//!   line that is not held empties; again the second is what is left at rate nothing.
//! - *Swing*: what remains after a stop is a constant and a dying swing. Frequency and damping are found by variable projection (Golub and Pereyra,
//!   *SIAM J. Numerical Analysis* 10, 1973; from memory): the swing's two amplitudes are linear and are solved for inside.

use std::f64::consts::TAU;

use nalgebra::DMatrix;

use super::fit::{Estimate, Linear, linear, nonlinear};
use super::holds::{Hold, Row, Series};

/// A step counts that changes the rate by this share of the greatest rate.
const STEP_LEAST: f64 = 0.04;
/// A rate is one that is so many times its standard error.
const SURE: f64 = 8.0;
/// After a stop the valve has closed by then, s.
const CLOSED_S: f64 = 0.14;
/// A swing is looked at for so long, s.
const LOOK_S: f64 = 0.9;
/// Frequencies and damping ratios between which a swing is looked for.
const HZ: (f64, f64) = (0.8, 25.0);
const ZETA: (f64, f64) = (0.005, 0.9);
/// A swing is one that takes this share off the squares of what a constant leaves.
const SWINGS: f64 = 0.6;
/// And is so many times as high as the scatter about it.
const HIGH: f64 = 3.0;
/// So many stops must show a swing.
const STOPS: usize = 4;

/// How the load swings on its oil.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Swing {
    /// Natural frequency, Hz.
    pub hz: Estimate,
    /// Damping ratio.
    pub zeta: Estimate,
}

/// By how much motion is later than its command, s. None where too few steps tell.
pub fn lag(holds: &[Hold]) -> Option<Estimate> {
    let most = holds.iter().map(|hold| hold.rate.abs()).fold(0.0, f64::max);
    let steps = pairs(holds).filter(|(before, after)| {
        before.command * after.command > 0.0
            && (after.rate - before.rate).abs() > STEP_LEAST * most
            && before.rate != 0.0
    });
    let mut lags: Vec<(f64, f64)> = steps
        .map(|(before, after)| {
            let bend = after.rate - before.rate;
            // From the last row before the step to the step itself.
            let there = before.ends.0 + before.rate * (after.from - before.until);
            let late = (there - after.meets.0) / bend;
            let error = before
                .ends
                .1
                .hypot(after.meets.1)
                .hypot(late * before.error.hypot(after.error))
                / bend;
            (late, 1.0 / (error * error + 1e-6))
        })
        .collect();
    keep_together(&mut lags);
    Estimate::mean(&lags)
}

/// What the axis would have gone by for the oil that its lines take, each way, m or rad.
pub fn fill(holds: &[Hold]) -> [Option<Estimate>; 2] {
    [1.0, -1.0].map(|sign| {
        let starts = pairs(holds).filter(|(before, after)| {
            before.command == 0.0 && after.command * sign > 0.0 && after.rate * sign > SURE * after.error
        });
        at_no_rate(starts.map(|(before, after)| {
            let behind = (before.ends.0 - after.meets.0) * sign;
            (after.rate * sign, behind, before.ends.1.hypot(after.meets.1))
        }))
    })
}

/// What the axis goes on by after its valve has closed, each way, in the direction it went, m or rad.
pub fn run_on(holds: &[Hold]) -> [Option<Estimate>; 2] {
    [1.0, -1.0].map(|sign| {
        let own = stops(holds).filter(|(before, _)| before.command * sign > 0.0 && before.rate * sign > 0.0);
        at_no_rate(own.map(|(before, after)| {
            let there = before.ends.0 + before.rate * (after.from - before.until);
            let beyond = (after.place - there) * sign;
            (before.rate * sign, beyond, before.ends.1.hypot(after.meets.1))
        }))
    })
}

/// Each stretch and the one that follows it at once.
fn pairs(holds: &[Hold]) -> impl Iterator<Item = (&Hold, &Hold)> {
    holds
        .iter()
        .zip(holds.iter().skip(1))
        .filter(|(before, after)| before.rows.end == after.rows.start)
}

/// Each stretch in motion that a rest follows, and that rest.
fn stops(holds: &[Hold]) -> impl Iterator<Item = (&Hold, &Hold)> {
    pairs(holds).filter(|(before, after)| {
        before.command != 0.0 && after.command == 0.0 && before.rate.abs() > SURE * before.error
    })
}

/// How far it is off where its rate is nothing, from rates, how far it was off at each, and the standard errors of that: what its lag makes of the
/// rates is not in it.
fn at_no_rate(found: impl Iterator<Item = (f64, f64, f64)>) -> Option<Estimate> {
    let (mut rates, mut off, mut weights) = (Vec::new(), Vec::new(), Vec::new());
    for (rate, by, error) in found {
        rates.push(rate);
        off.push(by);
        weights.push(1.0 / error);
    }
    let x = DMatrix::from_fn(rates.len(), 2, |row, column| if column == 0 { 1.0 } else { rates[row] });
    let fit = linear(&x, &off, Some(&weights))?;
    Some(Estimate::of(fit.values[0], fit.error(0), fit.freedom))
}

/// How the load swings on its closed valve. None where no swing shows in enough stops.
pub fn swing(series: &Series, holds: &[Hold]) -> Option<Swing> {
    let mut found = Vec::new();
    for (_, stop) in stops(holds) {
        let rows: Vec<Row> = series.rows[stop.rows.clone()]
            .iter()
            .filter(|row| (CLOSED_S..CLOSED_S + LOOK_S).contains(&(row.t - stop.from)))
            .copied()
            .collect();
        found.extend(swing_of(&rows));
    }
    let estimate = |of: fn(&Found) -> (f64, f64)| {
        let mut values: Vec<(f64, f64)> = found.iter().map(of).collect();
        keep_together(&mut values);
        (values.len() >= STOPS).then(|| Estimate::mean(&values))?
    };
    Some(Swing {
        hz: estimate(|found| (found.hz, found.weight))?,
        zeta: estimate(|found| (found.zeta, found.weight))?,
    })
}

struct Found {
    hz: f64,
    zeta: f64,
    weight: f64,
}

fn swing_of(rows: &[Row]) -> Option<Found> {
    let start = rows.first()?.t;
    if rows.len() < 25 || rows.last()?.t - start < 0.5 * LOOK_S {
        return None;
    }
    let y: Vec<f64> = rows.iter().map(|row| row.stroke).collect();
    let squares = |fit: &Linear| fit.scatter * fit.scatter * fit.freedom;
    let still = linear(&DMatrix::from_element(rows.len(), 1, 1.0), &y, None)?;
    let fit = |hz: f64, zeta: f64| {
        let (whole, damped) = (TAU * hz, TAU * hz * (1.0 - zeta * zeta).sqrt());
        let x = DMatrix::from_fn(rows.len(), 3, |row, column| {
            let t = rows[row].t - start;
            let dies = (-zeta * whole * t).exp();
            match column {
                0 => 1.0,
                1 => dies * (damped * t).cos(),
                _ => dies * (damped * t).sin(),
            }
        });
        linear(&x, &y, None).map(|fit| (x, fit))
    };
    let grid =
        (0..24).flat_map(|k| [0.03, 0.1, 0.25].map(|zeta| (HZ.0 * (HZ.1 / HZ.0).powf(f64::from(k) / 23.0), zeta)));
    let tried = grid.filter_map(|(hz, zeta)| fit(hz, zeta).map(|(_, fit)| (hz, zeta, squares(&fit))));
    let (hz, zeta, _) = tried.min_by(|a, b| a.2.total_cmp(&b.2))?;
    let misfit = |values: &[f64], out: &mut [f64]| match fit(values[0], values[1]) {
        Some((x, fit)) => {
            let there = x * fit.values;
            out.iter_mut()
                .zip(&y)
                .zip(there.iter())
                .for_each(|((out, y), there)| *out = y - there);
        }
        None => out.fill(1.0),
    };
    let best = nonlinear(misfit, rows.len(), &[hz, zeta], &[HZ, ZETA])?;
    let (hz, zeta) = (best.values[0], best.values[1]);
    let (_, amplitudes) = fit(hz, zeta)?;
    let height = amplitudes.values[1].hypot(amplitudes.values[2]);
    let inside = hz > 1.05 * HZ.0 && hz < 0.95 * HZ.1 && zeta > 1.1 * ZETA.0 && zeta < 0.95 * ZETA.1;
    let shows = best.left < SWINGS * squares(&still) && height > HIGH * amplitudes.scatter;
    (inside && shows).then_some(Found {
        hz,
        zeta,
        weight: height / amplitudes.scatter,
    })
}

/// Leaves out what lies far from the middle of the rest.
fn keep_together(values: &mut Vec<(f64, f64)>) {
    let middle = super::fit::median(&mut values.iter().map(|value| value.0).collect::<Vec<_>>());
    let spread =
        1.4826 * super::fit::median(&mut values.iter().map(|value| (value.0 - middle).abs()).collect::<Vec<_>>());
    values.retain(|value| (value.0 - middle).abs() <= 4.0 * spread.max(1e-9));
}
