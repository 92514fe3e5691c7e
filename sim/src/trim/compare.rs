//! The machine driven before and after: a step of one axis, a creep, rest. What the plant did, not what the core believes.

use bellcrank_core::inputs::Mode;
use bellcrank_machine::Description;
use schemars::JsonSchema;
use serde::Serialize;

use super::stand::{by_one_lever, deflection, scenario};
use super::step;
use crate::run::{RunError, rehearse_sampled};
use crate::scenario::{Act, Hand};
use crate::trace::AxisSample;

/// A step is this share of full rate, a creep that.
pub const STEP: f64 = 0.2;
/// See there.
pub const CREEP: f64 = 0.02;
const CREEP_AT_S: f64 = 1.5;
const STEP_S: f64 = 1.2;
const REST_S: f64 = 2.5;
const CREEP_S: f64 = 0.5 * HALVES as f64;
/// When the step out begins, and the one back, and when all is over, s.
const OUT_AT_S: f64 = CREEP_AT_S + CREEP_S + 1.0;
/// See there.
const BACK_AT_S: f64 = OUT_AT_S + STEP_S + REST_S;
/// See there.
const END_S: f64 = BACK_AT_S + STEP_S + REST_S;
/// The creep is looked at in so many stretches of half a second, after the first two.
const HALVES: u32 = 12;
const SAMPLE_S: f64 = 0.01;
/// At rest it moves by less than this share of its stroke.
const STILL: f64 = 4e-4;

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Driven {
    /// Mean rate at the end of the step over the rate asked for.
    pub reached: f64,
    /// How far the stroke went beyond where it came to rest, share of the way.
    pub overshoot: f64,
    /// From the lever back at neutral until the stroke stays within 2 % of its way of where it comes to rest, s.
    pub settled_s: f64,
    /// Greatest pressure in the cylinder or motor, bar.
    pub pressure_bar: f64,
    /// Greatest distance from where it was asked to be, over the rate asked for, s.
    pub late_s: f64,
    /// Least rate of the creep in any half second over the rate asked for.
    pub creep_least: f64,
    /// It was still in the last second.
    pub still: bool,
}

/// A moment of the two steps, out and back.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Time since shortly before the first, s.
    pub t: f64,
    /// Where it was asked to be, counted from where each step began, m or rad.
    pub asked: f64,
    /// Where it was, m or rad.
    pub stroke: f64,
    /// Pressures at ports A and B of the cylinder or motor, Pa.
    pub pressures: [f64; 2],
}

/// So long before the first step its course begins, s.
const BEFORE_S: f64 = 0.3;

/// Drives one axis out and back.
///
/// # Errors
/// The machine cannot be simulated.
pub fn drive(
    machine: &Description,
    axis: usize,
    start: &[f64],
    asked: [f64; 2],
    seed: u64,
) -> Result<Driven, RunError> {
    course(machine, axis, start, asked, seed).map(|(driven, _)| driven)
}

/// The same, and how the steps went.
///
/// # Errors
/// The machine cannot be simulated.
pub fn course(
    machine: &Description,
    axis: usize,
    start: &[f64],
    asked: [f64; 2],
    seed: u64,
) -> Result<(Driven, Vec<Moment>), RunError> {
    let machine = by_one_lever(machine, axis);
    let full = machine.axes[axis].drive.full_rate;
    let travel = machine.axes[axis].actuator.travel;
    let mut scenario = scenario(machine, start, Mode::Joint, Vec::new());
    // The same rates before and after, whatever the file believes full to be.
    let share = |rate: f64, full: f64| deflection((rate / full).min(1.0));
    let (creep, step) = (share(CREEP * asked[0], full.0), share(STEP * asked[0], full.0));
    let back = share(STEP * asked[1], full.1);
    scenario.hands = hands(axis, creep, step, back);
    scenario.length = END_S;
    let trace = rehearse_sampled(&scenario, seed, SAMPLE_S)?;
    let samples: Vec<_> = trace
        .samples
        .iter()
        .map(|sample| (sample.t, &sample.axes[axis]))
        .collect();
    let stroke = |t: f64| {
        samples
            .iter()
            .find(|(at, _)| *at >= t - 1e-6)
            .map_or(f64::NAN, |(_, sample)| sample.stroke)
    };
    let step = |from: f64, rate: f64| {
        let (start, end) = (stroke(from), stroke(from + STEP_S + REST_S - 0.05));
        let gone = end - start;
        let along = samples
            .iter()
            .filter(|(t, _)| (from..from + STEP_S + REST_S).contains(t));
        let moments: Vec<(f64, f64)> = along.clone().map(|(t, sample)| (*t, sample.stroke)).collect();
        let figures = step::figures(&moments, start, end);
        let late = along.map(|(t, sample)| {
            let wanted = start + rate * (t - from).min(STEP_S);
            (wanted - sample.stroke).abs() / rate.abs()
        });
        let settled = (stroke(from + STEP_S) - stroke(from + STEP_S - 0.4)) / 0.4 / rate;
        (
            settled,
            // Of one that hardly went anywhere, not a share of that.
            figures.beyond * gone.abs() / gone.abs().max(1e-3 * travel),
            late.fold(0.0, f64::max),
            (figures.settled - from - STEP_S).max(0.0),
        )
    };
    let (there, home_step) = (step(OUT_AT_S, STEP * asked[0]), step(BACK_AT_S, -STEP * asked[1]));
    let crept = (2..HALVES).map(|half| {
        let from = CREEP_AT_S + 0.5 * f64::from(half);
        (stroke(from + 0.5) - stroke(from)) / 0.5 / (CREEP * asked[0])
    });
    let last = samples
        .iter()
        .filter(|(t, _)| *t > END_S - 1.0)
        .map(|(_, sample)| sample.stroke);
    let (low, high) = last.fold((f64::MAX, f64::MIN), |(low, high), stroke| {
        (low.min(stroke), high.max(stroke))
    });
    let pressures = samples
        .iter()
        .filter(|(t, _)| *t > CREEP_AT_S)
        .map(|(_, sample)| sample.pressure_a.max(sample.pressure_b));
    let moment = |&(t, sample): &(f64, &AxisSample)| {
        let (from, rate) = if t < BACK_AT_S {
            (OUT_AT_S, STEP * asked[0])
        } else {
            (BACK_AT_S, -STEP * asked[1])
        };
        Moment {
            t: t - OUT_AT_S + BEFORE_S,
            asked: stroke(from) + rate * (t - from).clamp(0.0, STEP_S),
            stroke: sample.stroke,
            pressures: [sample.pressure_a, sample.pressure_b],
        }
    };
    let steps = samples.iter().filter(|(t, _)| *t >= OUT_AT_S - BEFORE_S);
    let moments = steps.map(moment).collect();
    let driven = Driven {
        reached: if (there.0 - 1.0).abs() > (home_step.0 - 1.0).abs() {
            there.0
        } else {
            home_step.0
        },
        overshoot: there.1.max(home_step.1),
        pressure_bar: pressures.fold(0.0, f64::max) / 1e5,
        late_s: there.2.max(home_step.2),
        settled_s: there.3.max(home_step.3),
        creep_least: crept.fold(f64::INFINITY, f64::min),
        still: high - low < STILL * travel,
    };
    Ok((driven, moments))
}

/// What the lever of the axis does: a creep, a step out, a step back.
fn hands(axis: usize, creep: f64, step: f64, back: f64) -> Vec<Hand> {
    let lever = |at: f64, share: f64| Hand {
        at,
        act: Act::Lever { axis, share },
    };
    let neutral = |at: f64| Hand { at, act: Act::Neutral };
    vec![
        Hand {
            at: 0.5,
            act: Act::Enable(true),
        },
        lever(CREEP_AT_S, creep),
        neutral(CREEP_AT_S + CREEP_S),
        lever(OUT_AT_S, step),
        neutral(OUT_AT_S + STEP_S),
        lever(BACK_AT_S, -back),
        neutral(BACK_AT_S + STEP_S),
    ]
}
