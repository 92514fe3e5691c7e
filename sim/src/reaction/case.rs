//! A case: how one cause is provoked, from when it can show, and by when it must be noticed.

use std::sync::Arc;

use bellcrank_core::cause::Cause;
use bellcrank_machine::description::{self, Description};
use rand_chacha::ChaCha8Rng;

use super::Named;
use super::trial::Trial;
use crate::scenario::FaultKind;
use crate::trace::{AxisSample, Sample, Trace};

/// What the machine must be doing when the fault comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Work {
    /// A tip moves.
    Any,
    /// The axis at fault moves as it is asked to, and a tip with it.
    Driven,
    /// The axis at fault is not asked to move, but a tip moves.
    Resting,
}

/// What goes wrong, and for how long, s.
pub type Made = Vec<(FaultKind, Option<f64>)>;

/// From when a fault can show.
#[derive(Clone, Copy)]
pub enum Shows {
    /// From a time on that the trial itself gives, s. None where it cannot.
    At(fn(&Trial) -> Option<f64>),
    /// From when the second holds of the axis for the first time while the first goes on, which it must until it is noticed, or for as long as
    /// that may take.
    Once(fn(&Trial, &AxisSample) -> bool, fn(&Trial, &AxisSample) -> bool),
    /// From when the axis is too far behind where it was asked to be, as the core counts that: it leads what has all that its valve can give no further
    /// ahead.
    Behind,
}

/// How one cause is provoked and what must come of it.
pub struct Case {
    /// The cause that must be named.
    pub cause: Cause,
    /// What is put in.
    pub fault: &'static str,
    /// From when it can show.
    pub from: &'static str,
    /// The budget in words: numbers of the machine file by their names.
    pub budget: &'static str,
    /// What the machine must be doing.
    pub work: Work,
    /// The axes that it can happen to; None where it is about no axis.
    pub on: Option<fn(&description::Axis) -> bool>,
    /// The axis at fault no longer does as it is told.
    pub runs: bool,
    /// The longest that it may take until it can show, s.
    pub hidden_at_most: f64,
    /// What is put in at once, and how long each lasts, s; to the end where that is not told.
    pub make: fn(&Trial, &mut ChaCha8Rng) -> Made,
    /// From when it can show.
    pub shows: Shows,
    /// By when it must then be noticed, s.
    pub within: fn(&Trial) -> f64,
    /// Causes that may come first in its place, and why that is right.
    pub instead: &'static [(Cause, &'static str)],
    /// What else than the core decides how it stops, so that no number of the machine file says for how long and how far.
    pub open: Option<&'static str>,
    /// What the machine has to be fitted with for it.
    pub fit: fn(&mut Description),
}

impl Case {
    /// It can happen to this axis.
    pub fn applies(&self, axis: &description::Axis) -> bool {
        self.on.is_none_or(|on| on(axis))
    }

    /// When it could show, s, given when it was noticed. None where it has not been able to.
    pub fn shows(&self, trial: &Trial, trace: &Trace, noticed: f64) -> Option<f64> {
        match self.shows {
            Shows::At(at) => at(trial),
            Shows::Once(goes_on, shows) => {
                let within = (self.within)(trial);
                once(
                    trial,
                    trace,
                    noticed,
                    within,
                    |axis| goes_on(trial, axis),
                    |axis| shows(trial, axis),
                )
            }
            Shows::Behind => behind(trial, trace),
        }
    }

    /// The core names an axis with it.
    pub fn names_axis(&self) -> bool {
        self.on.is_some()
    }

    /// What was found may stand for what was expected: a cause that may come first, on the same axis if it names one.
    pub fn stands_for(&self, found: Named, expected: Named) -> bool {
        let listed = self.instead.iter().any(|(cause, _)| *cause == found.0);
        listed && (found.1.is_none() || found.1 == expected.1)
    }

    /// The machine with what it has to be fitted with.
    pub fn fitted(&self, machine: &Arc<Description>) -> Arc<Description> {
        let mut fitted = Description::clone(machine);
        (self.fit)(&mut fitted);
        Arc::new(fitted)
    }
}

/// See [`Shows::Once`].
fn once(
    trial: &Trial,
    trace: &Trace,
    noticed: f64,
    within: f64,
    goes_on: impl Fn(&AxisSample) -> bool,
    shows: impl Fn(&AxisSample) -> bool,
) -> Option<f64> {
    let mut since = None;
    for sample in trace.samples.iter().filter(|sample| sample.t >= trial.fault_at) {
        let long = since.is_some_and(|since| sample.t - since > within);
        if long || sample.t > noticed - 1e-6 {
            return since;
        }
        let axis = &sample.axes[trial.axis];
        since = since
            .or_else(|| shows(axis).then_some(sample.t))
            .filter(|_| goes_on(axis));
    }
    None
}

/// When the core counts the axis as following_ behind where it was asked to be, s.
fn behind(trial: &Trial, trace: &Trace) -> Option<f64> {
    let mut after = trace.samples.iter().filter(|sample| sample.t >= trial.fault_at);
    let far = |sample: &&Sample| sample.axes[trial.axis].lag.abs() > trial.watch().following;
    after.find(far).map(|sample| sample.t)
}
