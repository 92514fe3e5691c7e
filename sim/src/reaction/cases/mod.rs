//! All cases. One more cause is one more row.
//!
//! A budget is the machine file's own time for the cause and a tick, since a fault comes between two ticks. Beside that it allows what comes
//! before the core: the time between two frames of a hand control or two readings of a sensor, and, where motion is judged, the time in
//! which the sense stage's rate follows. Nothing here was taken from what was measured.

mod board;
mod motion;
mod sensors;

use bellcrank_core::cause::Cause;
use bellcrank_core::sense::FILTER_TIME_S;
use bellcrank_machine::geometry::Geometry;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::case::{Case, Shows, Work};
use super::trial::Trial;
use crate::scenario::FaultKind;
use crate::trace::AxisSample;

/// Every case that can be provoked, in the order of [`Cause::ALL`].
pub fn all() -> impl Iterator<Item = &'static Case> + Clone {
    board::CASES.iter().chain(sensors::CASES).chain(motion::CASES)
}

/// Causes that nothing outside the core can provoke, and what holds them in place of a trial.
pub const NOT_PROVOKED: &[(Cause, &str)] = &[
    (
        Cause::StageOrder,
        "no input leaves out a stage: tests/gate.rs does, by the stages' own doors",
    ),
    (
        Cause::BadDuty,
        "no input of a checked machine makes a signal that is none: tests/drive.rs makes one inside",
    ),
];

/// What most cases have in common.
const PLAIN: Case = Case {
    cause: Cause::StopButton,
    fault: "",
    from: "the fault",
    budget: "",
    work: Work::Any,
    on: None,
    runs: false,
    hidden_at_most: 0.0,
    make: |_, _| vec![(FaultKind::StopButton, None)],
    shows: Shows::At(|trial| Some(trial.fault_at)),
    within: demand,
    instead: &[],
    open: None,
    fit: |_| {},
};

/// A case about the motion of an axis that is driven.
const OF_MOTION: Case = Case {
    work: Work::Driven,
    on: Some(|_| true),
    runs: true,
    hidden_at_most: HIDDEN_S,
    ..PLAIN
};

/// An axis that goes no faster than `rate_most_percent` of its curve, 250 at most, is not called faster, and when it stops the rate of the sense stage
/// must come down from there to a tenth: of a step `(1 + t/T) exp(-t/T)` is left (its two equal poles), a twenty-fifth after 5.01 of its time
/// constants.
const TIME_CONSTANTS: f64 = 5.01;
/// The longest that anything here stays hidden, s.
const HIDDEN_S: f64 = 1.5;

/// By when an open stop chain is a stop, s.
fn demand(trial: &Trial) -> f64 {
    trial.scenario.machine.control.stop_pulse + trial.timing().tick
}

/// The time in which the sense stage's rate follows a step, s. Its pole is that of its time constant and half a tick more, as its delay has it.
fn settled(trial: &Trial) -> f64 {
    TIME_CONSTANTS * (f64::from(FILTER_TIME_S) + 0.5 * trial.timing().tick)
}

fn is_asked(trial: &Trial, axis: &AxisSample) -> bool {
    axis.asked.abs() > trial.watch().still_rate && axis.opening != 0.0
}

fn either_way(rng: &mut ChaCha8Rng) -> f64 {
    if rng.random_bool(0.5) { 1.0 } else { -1.0 }
}

/// From where it starts, the way to the middle of the axis's stroke: to where there is room.
fn to_the_middle(trial: &Trial) -> f64 {
    let axis = trial.described();
    let stroke = Geometry::of(axis).and_then(|linkage| linkage.stroke(trial.scenario.start[trial.axis]));
    let beyond = stroke.is_ok_and(|stroke| stroke > 0.5 * axis.actuator.travel);
    if beyond { -1.0 } else { 1.0 }
}
