//! Reaction: how long it takes from a fault to its being noticed, and from there to rest; for every cause that the core knows.
//!
//! A *trial* is a rehearsal in random working conditions ([`trial`]) in which one fault is put in while the machine really moves, at a random
//! moment and on a random axis. What is measured is held to budgets that follow from the machine file: how each cause is provoked, from when
//! it can show and by when it must be noticed stands in one list, [`cases`]. [`table`] is what many trials show. A trial is a function of case,
//! machine and seed.
//!
//! *Noticed* counts from the moment at which the fault can show, stop and travel from the fault itself:
//!
//! | figure | budget |
//! |---|---|
//! | noticed | that of the case |
//! | stopped: each tip stays within half the least margin of the guard of where it ends | until it can show; noticed; a tick; the stop budget if the category is 1; then the longest time to settle of all axes |
//! | moved on | every axis at the fastest it may be going all that time until the stop begins, its reaction time and its braking, all adding up at the tip; and the same half margin for its sway |
//!
//! Beside *stopped* stands *at rest*: when all tips are slower than what counts as rest, for good. That is also the sway of a load on its trapped
//! oil, which nothing but friction ends. No number of a machine file says how long it takes, so it is told, but held to nothing.

pub mod case;
pub mod cases;
pub mod table;
mod travel;
pub mod trial;

use std::sync::Arc;

use bellcrank_core::cause::{Category, Cause};
use bellcrank_machine::description::Description;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::findings::{moved_on, rest_after};
use crate::run::{RunError, rehearse_sampled};
use crate::trace::{Noticed, Sample, Trace};
use case::{Case, Shows};
use trial::Trial;

/// The built-in machines that it looks at. The servo digger is the yard digger with other valves.
pub const MACHINES: [&str; 2] = ["yard-digger", "drystone-setter"];
/// Trials drawn for one in which the machine does what the case needs.
const TRIES: u32 = 2000;

/// Something measured, and the most that it may be. What never came is infinite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// s or m.
    pub value: f64,
    /// s or m.
    pub budget: f64,
}

impl Measured {
    /// It is within its budget, but for the rounding of a time to its microsecond.
    pub fn inside(self) -> bool {
        self.value <= self.budget + 1e-6
    }

    /// The share of its budget that it takes.
    pub fn share(self) -> f64 {
        self.value / self.budget
    }
}

/// A cause as the core latched it, and the axis it named.
pub type Named = (Cause, Option<usize>);

/// What came of a trial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Its seed.
    pub seed: u64,
    /// The cause of the case was latched, on the right axis.
    pub named: bool,
    /// What was latched first, of all that was.
    pub first: Option<Named>,
    /// What was latched before anything was wrong, in a trial that was drawn before this one and is void.
    pub false_alarm: Option<Named>,
    /// From when it could show until it was noticed, s: the cause of the case, or one that may stand for it.
    pub noticed: Measured,
    /// From the fault until each tip stays where it ends, but for its sway, s.
    pub stopped: Measured,
    /// From the fault until all tips are at rest for good, sway and all, s.
    pub at_rest: f64,
    /// How far the tip that moved on furthest moved on after the fault, m.
    pub moved_on: Measured,
}

impl Outcome {
    /// Nothing is beyond its budget.
    pub fn good(&self) -> bool {
        [self.noticed, self.stopped, self.moved_on]
            .into_iter()
            .all(Measured::inside)
    }
}

/// One trial of a case on a machine. None where no random work of the machine is what the case needs.
///
/// # Errors
/// As for a rehearsal.
pub fn run(case: &Case, machine: &Arc<Description>, seed: u64) -> Result<Option<Outcome>, RunError> {
    let machine = &case.fitted(machine);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(case.cause as u64);
    if !machine.axes.iter().any(|axis| case.applies(axis)) {
        return Ok(None);
    }
    let mut false_alarm = None;
    for _ in 0..TRIES {
        let trial = Trial::draw(case, machine, &mut rng);
        if matches!(case.shows, Shows::At(at) if at(&trial).is_none()) {
            continue;
        }
        let trace = rehearse_sampled(&trial.scenario, seed, machine.timing.tick)?;
        let alarm = first(&trace, |event| event.t < trial.fault_at);
        false_alarm = false_alarm.or(alarm);
        if alarm.is_none()
            && trial.at_work(case, &trace)
            && let Some(outcome) = measure(case, &trial, &trace)
        {
            return Ok(Some(Outcome {
                seed,
                false_alarm,
                ..outcome
            }));
        }
    }
    Ok(None)
}

/// What a trace shows; none where the fault could not show and was not noticed either.
fn measure(case: &Case, trial: &Trial, trace: &Trace) -> Option<Outcome> {
    let expected = (case.cause, case.names_axis().then_some(trial.axis));
    let fits =
        |event: &Noticed| named(event).is_some_and(|found| found == expected || case.stands_for(found, expected));
    let since = |event: &Noticed| event.t >= trial.fault_at;
    let at = trace
        .events
        .iter()
        .find(|event| since(event) && fits(event))
        .map(|event| event.t);
    let within = (case.within)(trial);
    // What is noticed before it had to show is noticed at once; but where the trial itself says that it cannot show, there was no fault.
    let sooner = at.filter(|_| !matches!(case.shows, Shows::At(_)));
    let shows = case.shows(trial, trace, at.unwrap_or(f64::INFINITY)).or(sooner)?;
    let hidden = (shows - trial.fault_at).max(0.0);

    let timing = &trial.scenario.machine.timing;
    let ramp = match case.cause.category() {
        Category::Zero => 0.0,
        Category::One => timing.stop_budget,
    };
    let begun = hidden + within + timing.tick;
    Some(Outcome {
        seed: 0,
        false_alarm: None,
        named: trace
            .events
            .iter()
            .any(|event| since(event) && named(event) == Some(expected)),
        first: first(trace, since),
        noticed: Measured {
            value: at.map_or(f64::INFINITY, |at| at - shows),
            budget: within,
        },
        stopped: Measured {
            value: stays_after(trial, trace),
            budget: case.open.map_or(begun + ramp + trial.settle(), |_| f64::INFINITY),
        },
        at_rest: rest_after(trace, trial.fault_at).unwrap_or(f64::INFINITY),
        moved_on: Measured {
            value: moved_on(trace, trial.fault_at),
            budget: travel::most(case, trial, trace, begun) + trial.sway(),
        },
    })
}

/// How long after the fault the last tip comes to where it stays, but for its sway, s.
fn stays_after(trial: &Trial, trace: &Trace) -> f64 {
    let Some(end) = trace.samples.last() else { return 0.0 };
    let near = trial.sway();
    let away = |sample: &Sample| {
        let tips = sample.arms.iter().zip(&end.arms);
        tips.map(|(arm, end)| (arm.tip() - end.tip()).norm())
            .any(|off| off > near)
    };
    let last = trace.samples.iter().rfind(|sample| away(sample));
    last.map_or(0.0, |last| (last.t + trial.timing().tick - trial.fault_at).max(0.0))
}

fn named(event: &Noticed) -> Option<Named> {
    event.cause().map(|cause| (cause, event.axis))
}

fn first(trace: &Trace, when: impl Fn(&Noticed) -> bool) -> Option<Named> {
    trace.events.iter().filter(|event| when(event)).find_map(named)
}
