//! Integration in time: adaptive, linearly implicit, and never silently wrong.
//!
//! Which method (`method.rs`): the classical one where a system's slopes are complete, else the one that does not
//! mind what they leave out, so that a system may leave out what is awkward to derive and not stiff. Nor does that one
//! mind slopes that are a little old: while steps are easy they are kept from one to the next.
//!
//! The largest error of any state, weighed by `rel (size + |state|)`, decides on each step and on the length of the
//! next. Where a state has a least value, the weight shrinks towards it, and no step goes past it.

use super::method::{Method, STAGES};

/// A system of ordinary differential equations, with what an implicit step needs of it.
pub trait System {
    /// Room for one number for each state.
    type Vector: AsRef<[f64]> + AsMut<[f64]> + Copy + std::fmt::Debug;
    /// Nothing but zeros.
    const ZERO: Self::Vector;
    /// Number of states.
    fn count(&self) -> usize;
    /// What counts as a middling value of a state: where it is near zero, errors are measured against this.
    fn size(&self, state: usize) -> f64;
    /// What a state cannot fall to, such as absolute pressure zero.
    fn least(&self, _state: usize) -> f64 {
        f64::NEG_INFINITY
    }
    /// Whether the slopes leave nothing out.
    fn slopes_are_complete(&self) -> bool {
        false
    }
    /// Rates of all states, where a step starts.
    fn rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]);
    /// Rates of all states at a stage of the step that started where [`System::rates`] was called last. A system may know
    /// a cheaper way to them than working them out.
    fn stage_rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]) {
        self.rates(time, states, rates);
    }
    /// Takes the slopes where [`System::rates`] was called last, which is at these arguments.
    fn linearise(&mut self, time: f64, states: &[f64]);
    /// Makes `I - reach J` of the slopes ready for solving.
    fn factor(&mut self, reach: f64);
    /// Solves `(I - reach J) x = x` in place.
    fn solve(&self, x: &mut [f64]);
}

/// How accurately to integrate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Accuracy {
    /// Error allowed in each step, relative to `size + |state|`. Infinite: all steps are `longest`, whatever the error.
    pub rel: f64,
    /// Longest step, s.
    pub longest: f64,
}

impl Default for Accuracy {
    /// For rehearsals: some 1e-4 of the travel.
    fn default() -> Accuracy {
        Accuracy {
            rel: 2e-3,
            longest: 0.1,
        }
    }
}

impl Accuracy {
    /// For checking other runs against.
    pub fn tight() -> Accuracy {
        Accuracy {
            rel: 1e-9,
            longest: 0.1,
        }
    }

    /// Steps of one length, for studies of the method.
    pub fn fixed(step: f64) -> Accuracy {
        Accuracy {
            rel: f64::INFINITY,
            longest: step,
        }
    }
}

/// Work done.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Work {
    /// Steps that were kept.
    pub steps: u64,
    /// Steps that were too inaccurate and were done again, shorter.
    pub rejected: u64,
    /// Evaluations of the rates.
    pub evaluations: u64,
}

/// Why an integration ended early.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum StepError {
    /// No step was short enough; `state` had the largest error.
    #[error("at {time} s state {state} needs steps shorter than {SHORTEST} s")]
    TooStiff {
        /// Time reached, s.
        time: f64,
        /// The state with the largest error.
        state: usize,
    },
    /// A state or its rate is no number.
    #[error("at {time} s state {state} is not finite")]
    NotFinite {
        /// Time reached, s.
        time: f64,
        /// The first such state.
        state: usize,
    },
}

/// Below this a step is given up, s.
const SHORTEST: f64 = 1e-10;
/// Share of the length that the last error suggests: with less of it fewer steps fail.
const SAFETY: f64 = 0.8;
/// No error weighs less than if this many times the room above its least value were the size of its state.
const ROOM: f64 = 10.0;
/// After a step with an error of this share of what is allowed the slopes are kept: the method minds no slopes that are
/// a little old, and they are as dear as a stage.
const EASY: f64 = 0.1;
/// First step after a start or a jump of the inputs, s.
const FIRST: f64 = 3e-3;

/// A step that was kept, with the rates where it started: what a curve through it takes.
#[derive(Debug, Clone, Copy)]
pub struct Kept<'a> {
    /// When it ends, s.
    pub time: f64,
    /// Its length, s.
    pub step: f64,
    /// States where it started.
    pub from: &'a [f64],
    /// Rates there.
    pub rates: &'a [f64],
    /// States where it ends.
    pub to: &'a [f64],
}

/// Steps a system through time, and remembers how long a step it can take.
#[derive(Debug, Clone)]
pub struct Stepper<S: System> {
    accuracy: Accuracy,
    method: Method,
    next: f64,
    /// The last step's error was so small that the next may do with its slopes.
    easy: bool,
    /// The step that the system is factored for; zero if for none.
    factored: f64,
    work: Work,
    size: S::Vector,
    least: S::Vector,
    rates: S::Vector,
    now: S::Vector,
    trial: S::Vector,
    stage: [S::Vector; STAGES],
}

impl<S: System> Stepper<S> {
    /// Ready for the first step of a system.
    pub fn new(system: &S, accuracy: Accuracy) -> Stepper<S> {
        let mut stepper: Stepper<S> = Stepper {
            accuracy,
            method: if system.slopes_are_complete() {
                Method::classical()
            } else {
                Method::any_slopes()
            },
            next: 0.0,
            easy: false,
            factored: 0.0,
            work: Work::default(),
            size: S::ZERO,
            least: S::ZERO,
            rates: S::ZERO,
            now: S::ZERO,
            trial: S::ZERO,
            stage: [S::ZERO; STAGES],
        };
        for state in 0..system.count() {
            stepper.size.as_mut()[state] = system.size(state);
            stepper.least.as_mut()[state] = system.least(state);
        }
        stepper.restart();
        stepper
    }

    /// Forgets the step length: to be called where an input jumps far.
    pub fn restart(&mut self) {
        self.easy = false;
        let fixed = self.accuracy.rel.is_infinite();
        self.next = if fixed {
            self.accuracy.longest
        } else {
            FIRST.min(self.accuracy.longest)
        };
    }

    /// Work so far.
    pub fn work(&self) -> Work {
        self.work
    }

    /// Integrates from `start` over exactly `span`. `kept` hears of every step that is kept.
    ///
    /// # Errors
    /// [`StepError`] where the system cannot be integrated; the states are then those of the last step that was kept.
    pub fn advance(
        &mut self,
        system: &mut S,
        start: f64,
        span: f64,
        states: &mut [f64],
        mut kept: impl FnMut(&mut S, &Kept),
    ) -> Result<(), StepError> {
        let len = system.count();
        let mut done = 0.0;
        while done < span {
            let time = start + done;
            system.rates(time, states, &mut self.rates.as_mut()[..len]);
            self.work.evaluations += 1;
            check_finite(time, &self.rates.as_ref()[..len])?;
            let mut stale = self.easy && !system.slopes_are_complete();
            if !stale {
                system.linearise(time, states);
                self.factored = 0.0;
            }
            loop {
                let step = fitted(self.next, span - done);
                if step != self.factored {
                    system.factor(self.method.gamma * step);
                    self.factored = step;
                }
                let (error, worst) = self.attempt(system, time, step, states);
                self.easy = error <= EASY;
                let growth = growth(error, self.method.estimate);
                if error <= 1.0 {
                    self.work.steps += 1;
                    // A step cut short by the end of the span says little about the length that is possible.
                    self.next = (step * growth)
                        .max(if step < self.next { self.next } else { 0.0 })
                        .min(self.accuracy.longest);
                    done = if step >= span - done { span } else { done + step };
                    let step = Kept {
                        time: start + done,
                        step: start + done - time,
                        from: states,
                        rates: &self.rates.as_ref()[..len],
                        to: &self.trial.as_ref()[..len],
                    };
                    kept(system, &step);
                    states.copy_from_slice(&self.trial.as_ref()[..len]);
                    break;
                }
                self.work.rejected += 1;
                self.next = step * growth.min(0.9);
                if self.next < SHORTEST {
                    check_finite(time, &self.trial.as_ref()[..len])?;
                    return Err(StepError::TooStiff { time, state: worst });
                }
                if stale {
                    system.rates(time, states, &mut self.rates.as_mut()[..len]);
                    self.work.evaluations += 1;
                    system.linearise(time, states);
                    (stale, self.factored) = (false, 0.0);
                }
            }
        }
        Ok(())
    }

    /// One step into `trial`: the largest weighed error, and the state that has it.
    fn attempt(&mut self, system: &mut S, time: f64, step: f64, states: &[f64]) -> (f64, usize) {
        let len = system.count();
        let m = &self.method;
        let [s0, s1, s2, s3] = self.stage.each_mut().map(|stage| &mut stage.as_mut()[..len]);
        let (trial, now) = (&mut self.trial.as_mut()[..len], &mut self.now.as_mut()[..len]);
        let (states, size) = (&states[..len], &self.size.as_ref()[..len]);
        let least = &self.least.as_ref()[..len];
        let reach = m.gamma * step;

        sum(s0, [&self.rates.as_ref()[..len]], [reach]);
        system.solve(s0);

        sum(trial, [states, s0], [1.0, m.a[1][0]]);
        system.stage_rates(time + m.at[1] * step, trial, now);
        sum(s1, [now, s0], [reach, m.c[1][0]]);
        system.solve(s1);

        sum(trial, [states, s0, s1], [1.0, m.a[2][0], m.a[2][1]]);
        system.stage_rates(time + m.at[2] * step, trial, now);
        sum(s2, [now, s0, s1], [reach, m.c[2][0], m.c[2][1]]);
        system.solve(s2);

        if !m.repeats {
            sum(trial, [states, s0, s1, s2], [1.0, m.a[3][0], m.a[3][1], m.a[3][2]]);
            system.stage_rates(time + m.at[3] * step, trial, now);
        }
        sum(s3, [now, s0, s1, s2], [reach, m.c[3][0], m.c[3][1], m.c[3][2]]);
        system.solve(s3);
        self.work.evaluations += if m.repeats { 2 } else { 3 };

        let [w0, w1, w2, w3] = m.weights;
        sum(trial, [states, s0, s1, s2, s3], [1.0, w0, w1, w2, w3]);
        sum(now, [&*s0, s1, s2, s3], m.error);
        let (mut largest, mut worst, mut all_sound) = (0.0, 0, true);
        let sound = |k: usize| now[k].abs() + trial[k].abs() < f64::INFINITY && trial[k] > least[k];
        for k in 0..len {
            // Comparisons rather than `max` and `min`: what is no number is found by `sound`.
            let (from, to, room) = (states[k].abs(), trial[k].abs(), ROOM * (trial[k] - least[k]));
            let weight = size[k] + if from > to { from } else { to };
            let allowed = self.accuracy.rel * if weight < room { weight } else { room };
            let error = now[k].abs();
            if error > largest * allowed {
                (largest, worst) = (error / allowed, k);
            }
            all_sound &= sound(k);
        }
        if all_sound {
            (largest, worst)
        } else {
            (f64::NAN, (0..len).find(|&k| !sound(k)).unwrap_or(worst))
        }
    }
}

/// By how much the next step may be longer than one of this weighed error.
#[allow(clippy::cast_possible_truncation, reason = "it is a rough guide, and cheaper so")]
fn growth(error: f64, estimate: u32) -> f64 {
    if error.is_finite() {
        (SAFETY * f64::from((error as f32).powf(-1.0 / (estimate + 1) as f32))).clamp(0.2, 4.0)
    } else {
        0.1
    }
}

/// The next step, so that the rest of the span needs no sliver of a step after it.
fn fitted(next: f64, left: f64) -> f64 {
    if next * 1.000_001 >= left {
        left
    } else if next * 2.0 > left {
        0.5 * left
    } else {
        next
    }
}

/// The weighted sum of some rows.
#[allow(
    clippy::inline_always,
    reason = "a small system's rows have a length known only where this is called"
)]
#[inline(always)]
fn sum<const N: usize>(out: &mut [f64], rows: [&[f64]; N], weights: [f64; N]) {
    let rows = rows.map(|row| &row[..out.len()]);
    for (k, out) in out.iter_mut().enumerate() {
        let mut sum = weights[0] * rows[0][k];
        for n in 1..N {
            sum += weights[n] * rows[n][k];
        }
        *out = sum;
    }
}

fn check_finite(time: f64, values: &[f64]) -> Result<(), StepError> {
    match values.iter().position(|value| !value.is_finite()) {
        Some(state) => Err(StepError::NotFinite { time, state }),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `y' = z, z' = -y - stiff (z - cos t)` with slopes that are half wrong: a W-method must not mind.
    struct Forced {
        stiff: f64,
        reach: f64,
    }

    impl System for Forced {
        type Vector = [f64; 2];
        const ZERO: [f64; 2] = [0.0; 2];

        fn count(&self) -> usize {
            2
        }
        fn size(&self, _: usize) -> f64 {
            1.0
        }
        fn rates(&mut self, time: f64, y: &[f64], rates: &mut [f64]) {
            rates[0] = y[1];
            rates[1] = -time.sin() - self.stiff * (y[1] - time.cos()) - (y[0] - time.sin());
        }
        fn linearise(&mut self, _: f64, _: &[f64]) {}
        fn factor(&mut self, reach: f64) {
            self.reach = reach;
        }
        fn solve(&self, x: &mut [f64]) {
            x[1] /= 1.0 + self.reach * 0.5 * self.stiff;
        }
    }

    #[test]
    fn halving_the_step_shows_order_three_with_wrong_slopes() {
        let error = |step: f64| {
            let (mut system, mut y) = (Forced { stiff: 4.0, reach: 0.0 }, [0.0, 1.0]);
            Stepper::new(&system, Accuracy::fixed(step))
                .advance(&mut system, 0.0, 2.0, &mut y, |_, _| {})
                .expect("smooth");
            (y[0] - 2f64.sin()).abs()
        };
        let order = (error(0.02) / error(0.01)).log2();
        assert!((2.8..3.3).contains(&order), "order {order}");
    }

    #[test]
    fn an_error_names_time_and_state() {
        let (mut system, mut y) = (
            Forced {
                stiff: f64::NAN,
                reach: 0.0,
            },
            [0.0, 1.0],
        );
        let mut stepper = Stepper::new(&system, Accuracy::default());
        let result = stepper.advance(&mut system, 3.0, 1.0, &mut y, |_, _| {});
        assert_eq!(result, Err(StepError::NotFinite { time: 3.0, state: 1 }));
    }
}
