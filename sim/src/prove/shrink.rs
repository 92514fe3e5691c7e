//! A failing run made smaller: the least fault and the shortest scenario that still fail for the same reason.
//!
//! One thing at a time, each tried on a whole run: without a fault, in simpler hands, sooner, less bad, shorter. What still fails is kept. The
//! order is that in which what is left is easiest to read; the number of trials is bounded.

use super::operator::Operator;
use super::outcome::{DROPPED_M, Outcome, Verdict, judge};
use super::suite::{Run, Suite};
use crate::run::{RunError, rehearse};
use crate::scenario::{Expect, Scenario};

/// Runs that are tried at most.
pub const TRIALS: u32 = 60;
/// Halvings of a number: to a thirty-second of where it was.
const HALVINGS: u32 = 5;
/// No fault sooner than this, s: the machine has to be enabled and moving.
const SOONEST_S: f64 = 1.0;

/// A run that fails, and what became of it.
pub struct Shrunk {
    /// What is left.
    pub run: Run,
    /// As a scenario that expects what does not hold.
    pub scenario: Scenario,
    /// What came of it.
    pub outcome: Outcome,
    /// Runs that were tried.
    pub trials: u32,
}

/// Makes a run smaller. None if it does not fail.
///
/// # Errors
/// The run cannot be simulated.
pub fn shrink(suite: &Suite, run: Run) -> Result<Option<Shrunk>, RunError> {
    let length = suite.works[run.work].length;
    let whole = Small { run, length };
    let outcome = whole.outcome(suite)?;
    if outcome.verdict != Verdict::Failed {
        return Ok(None);
    }
    let reason = kinds(&outcome.reason).next().unwrap_or_default();
    let mut search = Search {
        suite,
        reason,
        best: whole,
        outcome,
        trials: 1,
    };
    search.fewer_faults();
    search.simpler_hands();
    search.sooner();
    search.less_bad();
    search.shorter();
    let mut scenario = search.best.scenario(suite);
    scenario.expect = expected(suite, &search.best.run, &search.outcome);
    Ok(Some(Shrunk {
        run: search.best.run,
        scenario,
        outcome: search.outcome,
        trials: search.trials,
    }))
}

/// A run, and how much of its work is done.
#[derive(Clone)]
struct Small {
    run: Run,
    /// s
    length: f64,
}

impl Small {
    fn scenario(&self, suite: &Suite) -> Scenario {
        let mut scenario = suite.scenario(&self.run);
        scenario.length = self.length;
        scenario.hands.retain(|hand| hand.at <= self.length);
        for load in &mut scenario.payloads {
            load.until = load.until.filter(|until| *until <= self.length);
        }
        scenario.payloads.retain(|load| load.from <= self.length);
        scenario
    }

    fn outcome(&self, suite: &Suite) -> Result<Outcome, RunError> {
        let scenario = self.scenario(suite);
        Ok(judge(suite, &self.run, &scenario, &rehearse(&scenario, self.run.seed)?))
    }
}

/// The reasons of an outcome without their figures.
fn kinds(reason: &str) -> impl Iterator<Item = String> {
    let plain = |reason: &str| reason.chars().filter(|c| !c.is_ascii_digit()).collect();
    reason.split("; ").map(plain)
}

struct Search<'s> {
    suite: &'s Suite,
    /// What it has to go on failing for.
    reason: String,
    best: Small,
    outcome: Outcome,
    trials: u32,
}

impl Search<'_> {
    /// Keeps a smaller run if it still fails for the same reason. One that cannot be simulated does not.
    fn keep(&mut self, change: impl FnOnce(&mut Small)) -> bool {
        let mut small = self.best.clone();
        change(&mut small);
        if self.trials >= TRIALS {
            return false;
        }
        self.trials += 1;
        let Ok(outcome) = small.outcome(self.suite) else {
            return false;
        };
        let fails = outcome.verdict == Verdict::Failed && kinds(&outcome.reason).any(|kind| kind == self.reason);
        if fails {
            (self.best, self.outcome) = (small, outcome);
        }
        fails
    }

    fn fewer_faults(&mut self) {
        for index in (0..self.best.run.faults.len()).rev() {
            self.keep(|small| {
                small.run.faults.remove(index);
            });
        }
    }

    fn simpler_hands(&mut self) {
        if self.best.run.anywhere {
            self.keep(|small| small.run.anywhere = false);
        }
        let simple = [Operator::Frozen, Operator::Smooth, Operator::Clumsy];
        let own = self.best.run.operator;
        for simpler in simple.into_iter().take_while(|simpler| *simpler != own) {
            if self.keep(|small| small.run.operator = simpler) {
                break;
            }
        }
    }

    fn sooner(&mut self) {
        for index in 0..self.best.run.faults.len() {
            let at = self.best.run.faults[index].at;
            if at > SOONEST_S {
                self.toward(at, SOONEST_S, |small, at| small.run.faults[index].at = at);
            }
        }
    }

    fn less_bad(&mut self) {
        for index in 0..self.best.run.faults.len() {
            let placed = self.best.run.faults[index];
            self.toward(placed.amount, placed.entry.mildest, |small, amount| {
                small.run.faults[index].amount = amount;
            });
        }
    }

    fn shorter(&mut self) {
        let last = self.best.run.faults.iter().map(|placed| placed.at);
        let soonest = last.fold(SOONEST_S, f64::max);
        self.toward(self.best.length, soonest, |small, length| small.length = length);
    }

    /// Brings a number from where it is as near to another as it still fails, the nearest first and then by halving what is left.
    fn toward(&mut self, from: f64, to: f64, set: impl Fn(&mut Small, f64)) {
        let (mut fails, mut holds) = (from, to);
        if self.keep(|small| set(small, to)) {
            return;
        }
        for _ in 0..HALVINGS {
            // In hundredths: a number that can be read.
            let middle = (50.0 * (fails + holds)).round() / 100.0;
            if self.keep(|small| set(small, middle)) {
                fails = middle;
            } else {
                holds = middle;
            }
        }
    }
}

/// What must hold in the scenario and does not, in the words of scenario files. Its clocks start at the fault.
fn expected(suite: &Suite, run: &Run, outcome: &Outcome) -> Expect {
    let mut expect = Expect::default();
    let limits = &suite.limits;
    let blamed = run.faults.first();
    for reason in outcome.reason.split("; ") {
        if reason.ends_with("was not noticed") || reason.starts_with("noticed only after") {
            expect.noticed = Some(limits.noticed);
        } else if reason.starts_with("named untruly") {
            expect.cause = blamed
                .and_then(|placed| placed.entry.names.first())
                .map(|cause| cause.name().to_owned());
        } else if reason == "named on another axis" {
            expect.axis = blamed.and_then(|placed| placed.axis);
        } else if reason.starts_with("at rest only") || reason == "never at rest" {
            expect.stopped = Some(1e-3 * outcome.noticed_ms.unwrap_or(0.0) + limits.stopped);
        } else if reason.starts_with("a tip moved on") {
            expect.travel = Some(limits.travel);
        } else if reason.starts_with("a tip sank") {
            expect.travel = Some(DROPPED_M);
        } else if reason.starts_with("it started again") {
            expect.state = Some(bellcrank_core::supervise::State::Fault);
        }
    }
    expect
}
