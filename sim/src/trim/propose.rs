//! What the machine file should say of a valve that was identified.

use std::f64::consts::{PI, TAU};

use bellcrank_machine::Description;
use bellcrank_machine::description::{Axis, Drive};
use schemars::JsonSchema;
use serde::Serialize;

use super::curve::Curve;
use super::estimate::{Identified, ON_ONE_SIDE, kind};
use super::fit::Estimate;
use super::margins::{Loop, Margins};
use crate::survey::survey;

/// Margins that a proposed gain keeps over the whole range of loads: a gain of two and a half times, 60 degrees (common practice, no source).
pub const GAIN_MARGIN: f64 = 2.5;
/// See there.
pub const PHASE_MARGIN_DEG: f64 = 60.0;
/// No gain above this is proposed, 1/s: tracking gains little by more and noise goes through.
const GAIN_MOST: f64 = 8.0;
/// Smoothing times that are tried, s.
const SMOOTH_S: [f64; 6] = [0.0, 0.03, 0.045, 0.06, 0.09, 0.12];
/// Damping ratio where none was seen: that of the least damped cylinders (common practice, no source).
const ZETA: f64 = 0.1;
/// Beyond half of the hysteresis dither needs this, share of full command: the stiction of a spool.
const STICTION: f64 = 0.005;
/// Least and greatest amplitude of dither, share of full command.
const DITHER: (f64, f64) = (0.004, 0.05);

/// A ramp is no shorter and no longer than this, s, and one up no longer than that (common practice, no source).
const RAMP_S: (f64, f64) = (0.05, 0.7);
/// See there.
const RAMP_UP_S: f64 = 0.5;
/// Periods of what swings that a ramp down takes, by trial: longer, a slow valve is no longer ahead of its lever; shorter, a boom overshoots.
const PERIODS_DOWN: f64 = 2.2;
/// So long a lever is on its way from one place to another, s (common practice, no source; of 0.2 and 0.25 s the better one by trial). Meanwhile
/// whatever is elastic or has a lag of a higher order than the first falls behind by its acceleration, and is given ahead by as much.
const CHANGE_S: f64 = 0.2;
/// No valve is given ahead by more, s.
const LEAD_MOST_S: f64 = 0.5;
/// An axis that goes back after its valve has closed is let go beyond its place by this share of that, by trial: then it is off by the least.
const GOES_BACK: f64 = 0.75;
/// A ramp down slows an axis by so many times what the guard trusts it to at least (common practice, no source).
const BRAKES: f64 = 1.25;

/// What is proposed for one axis, and why it is stable.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// The axis' own drive, as it should be.
    pub drive: Drive,
    /// Its loop at the load that is worst for it.
    pub stability: Stability,
}

/// How stable the loop is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Stability {
    /// The least margins over the range of loads.
    pub margins: Margins,
    /// Frequencies between which the load may swing, Hz.
    pub hz: (f64, f64),
    /// Damping ratio that was assumed.
    pub zeta: f64,
    /// The frequencies were seen in the log, not only computed from the machine file.
    pub seen: bool,
}

/// Natural frequency of each axis in the machine file, Hz: the least with the rated load, and in the middle of the stroke without.
pub fn computed_hz(machine: &Description) -> Vec<Option<(f64, f64)>> {
    let payload = machine.arms.iter().map(|arm| arm.payload).fold(0.0, f64::max);
    let Ok(survey) = survey(machine, payload) else {
        return vec![None; machine.axes.len()];
    };
    let pick = |axis: &crate::survey::AxisSurvey| {
        let bare = axis.natural.as_ref()?;
        let loaded = axis.natural_payload.as_ref().unwrap_or(bare);
        Some((loaded.least_hz.min(bare.least_hz), bare.mid_hz))
    };
    machine
        .axes
        .iter()
        .map(|axis| survey.axes.iter().find(|found| found.axis == axis.name).and_then(pick))
        .collect()
}

/// Makes it. `computed` is that axis' of [`computed_hz`].
pub fn propose(machine: &Description, axis: &Axis, found: &Identified, computed: Option<(f64, f64)>) -> Proposal {
    let tick = machine.timing.tick;
    // What was seen after a stop is the load on its closed valve. Where one side alone is held, the other line is let out to tank then, and the
    // load swings on half of its oil, slower than it ever does while the valve leads it.
    let led = found.swing.filter(|_| kind(axis) != ON_ONE_SIDE);
    let (hz, zeta, seen) = match (led, computed) {
        // A load slows what was seen empty as much as it does in the machine file.
        (Some(swing), Some((low, middle))) => (
            (swing.hz.value * (low / middle).min(1.0), swing.hz.value),
            swing.zeta.low,
            true,
        ),
        (Some(swing), None) => ((0.7 * swing.hz.value, swing.hz.value), swing.zeta.low, true),
        (None, Some(range)) => (range, ZETA, false),
        (None, None) => ((2.0, 5.0), ZETA, false),
    };
    let zeta = zeta.clamp(0.03, 0.3);
    let lag = found.lag_s.map_or(machine.timing.reaction, |lag| lag.value.max(0.0));
    // The oil's own lag is in what was measured; the tick and half of it are not.
    let unseen = 1.5 * tick;
    let middle = (hz.0 * hz.1).sqrt();
    let integral = axis.drive.integral_time;
    let least = |gain: f64, smooth: f64| {
        let at = |hz: f64| {
            let late = (found.lag_s.map_or(lag, |lag| lag.high) - zeta / (PI * hz)).max(0.0) + unseen;
            Loop {
                late,
                smooth,
                integral,
                hz,
                zeta,
            }
            .margins(gain)
        };
        [hz.0, middle, hz.1].map(at).into_iter().fold(
            Margins {
                gain: f64::INFINITY,
                phase_deg: f64::INFINITY,
            },
            |least, at| Margins {
                gain: least.gain.min(at.gain),
                phase_deg: least.phase_deg.min(at.phase_deg),
            },
        )
    };
    let keeps = |gain: f64, smooth: f64| {
        let margins = least(gain, smooth);
        margins.gain >= GAIN_MARGIN && margins.phase_deg >= PHASE_MARGIN_DEG
    };
    let steps = || {
        (1..=80_u32)
            .map(|k| 0.1 * f64::from(k))
            .filter(|gain| *gain <= GAIN_MOST + 1e-9)
    };
    let best = SMOOTH_S.into_iter().map(|smooth| {
        // Not only until one fails: at the very low ones the integral is too fast for the phase.
        let highest = steps().rfind(|gain| keeps(*gain, smooth)).unwrap_or(0.5);
        (highest, smooth)
    });
    let (gain, smooth) = best.fold(
        (0.0, 0.0),
        |best, tried| if tried.0 > 1.1 * best.0 { tried } else { best },
    );
    let [out, inward] = &found.curves;
    let needed = 0.5 * found.hysteresis.high.max(0.0) + STICTION;
    // What the load is behind its valve by for each m/s² it is asked to change by, m: the mean of both ends of the range.
    let give = 0.5 * ((TAU * hz.0).powi(-2) + (TAU * hz.1).powi(-2));
    let (ramp_up, ramp_down) = ramps(middle);
    let slowest = out.full_rate.min(inward.full_rate);
    let drive = Drive {
        deadband: (tenth_percent(out.deadband), tenth_percent(inward.deadband)),
        full_rate: (out.full_rate, inward.full_rate),
        curve: [shares(out), shares(inward)],
        gain,
        smooth,
        lead: (lag + unseen + (give + 0.5 * lag * lag) / CHANGE_S).min(LEAD_MOST_S),
        fill: {
            let [out, inward] = found.fill.map(|fill| fill.map_or(0.0, |fill| fill.value.max(0.0)));
            // What cannot be told from nothing is nothing.
            (out, inward)
        },
        run_on: {
            let [out, inward] = found.run_on.map(|on| on.map_or(0.0, runs_on));
            (out, inward)
        },
        ramp_up,
        ramp_down,
        // The guard trusts an axis to no more than it now brakes by when a lever is let go of.
        braking: axis.drive.braking.min(slowest / (BRAKES * ramp_down)),
        dither: (needed > DITHER.0).then(|| (needed.min(DITHER.1), (0.25 / tick).min(1000.0))),
        ..axis.drive.clone()
    };
    Proposal {
        stability: Stability {
            margins: least(gain, smooth),
            hz,
            zeta,
            seen,
        },
        drive,
    }
}

/// Times from nothing to full command and back, s. Up a period of what swings, so that a change of command all the way leaves nothing swinging (a ramp
/// has no part in it whose period is its own length; the zero of input shaping, Singer and Seering, *J. Dynamic Systems, Measurement, and Control*
/// 112, 1990; from memory). Down more than twice that: most stops are from a part of full rate, and a ramp takes only that part of its time. A
/// category 1 stop has its own, `stop_ramp`, which is left as it is.
fn ramps(hz: f64) -> (f64, f64) {
    let ramp = |periods: f64| {
        let ms = (1e3 * (periods / hz).clamp(RAMP_S.0, RAMP_S.1)).floor();
        1e-3 * ms
    };
    (ramp(1.0).min(RAMP_UP_S), ramp(PERIODS_DOWN))
}

/// What a drive is told of how far an axis goes on, m or rad. In the test no spool was shaken when it closed: shaken, it closes better, and the axis
/// goes on by rather more, to the high end of the interval. What cannot be told from nothing is nothing.
fn runs_on(seen: Estimate) -> f64 {
    if seen.low > 0.0 {
        seen.high
    } else if seen.high < 0.0 {
        GOES_BACK * seen.value
    } else {
        0.0
    }
}

fn tenth_percent(share: f64) -> f64 {
    (share.max(0.0) * 1e4).round() / 1e4
}

/// The knots as the machine file has them: command, share of the full rate.
fn shares(curve: &Curve) -> Vec<(f64, f64)> {
    let mut before = (tenth_percent(curve.deadband), 0.0);
    let mut points = Vec::new();
    for knot in &curve.knots {
        let point = (
            tenth_percent(knot.command),
            tenth_percent(knot.rate.value / curve.full_rate),
        );
        if point.0 > before.0 + 1e-3 && point.1 > before.1 + 1e-3 && point.1 <= 1.0 && point.0 < 1.0 {
            points.push(point);
            before = point;
        }
    }
    if before.1 < 0.999 && curve.full_at < 0.97 {
        points.push((tenth_percent(curve.full_at.max(before.0 + 2e-3)), 1.0));
    }
    points
}
