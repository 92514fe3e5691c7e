//! Integrators with a fixed step: what is usual where nobody controls the error.

use bellcrank_sim::plant::integrator::System;
use bellcrank_sim::plant::layout::STATES_MAX;
use bellcrank_sim::plant::rig::Sample;
use nalgebra::{SMatrix, SVector};

use crate::plain::{Piece, STATES, SingleCylinder, sample};

/// A way to take one step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// The classical explicit Runge-Kutta method of order 4.
    RungeKutta4,
    /// Euler's method, implicit, with one solve of the linearised equations.
    ImplicitEuler,
}

impl Step {
    /// What it is called.
    pub fn name(self) -> &'static str {
        match self {
            Step::RungeKutta4 => "RK4, fixed step",
            Step::ImplicitEuler => "linearly implicit Euler",
        }
    }
}

/// So many equal steps, each at most as long as asked: their number and their length.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "some thousands at most"
)]
fn divided(span: f64, longest: f64) -> (u64, f64) {
    let steps = (span / longest * (1.0 - 1e-9)).ceil().max(1.0);
    (steps as u64, span / steps)
}

/// One step of the classical Runge-Kutta method; the first `now.len()` states count.
fn runge_kutta(time: f64, step: f64, now: &mut [f64], mut rates: impl FnMut(f64, &[f64], &mut [f64])) {
    let mut stage = [[0.0; STATES_MAX]; 4];
    let mut trial = [0.0; STATES_MAX];
    let len = now.len();
    for (i, share) in [0.0, 0.5, 0.5, 1.0].into_iter().enumerate() {
        let before = stage[i.saturating_sub(1)];
        for k in 0..len {
            trial[k] = now[k] + share * step * before[k];
        }
        rates(time + share * step, &trial[..len], &mut stage[i][..len]);
    }
    for k in 0..len {
        now[k] += step / 6.0 * (stage[0][k] + 2.0 * stage[1][k] + 2.0 * stage[2][k] + stage[3][k]);
    }
}

/// Takes a plant's equations over a span, in equal steps at most as long as asked: how many.
pub fn advance(step: Step, system: &mut impl System, time: f64, span: f64, longest: f64, now: &mut [f64]) -> u64 {
    let (steps, length) = divided(span, longest);
    let mut change = [0.0; STATES_MAX];
    let change = &mut change[..now.len()];
    for taken in 0..steps {
        let time = time + taken as f64 * length;
        match step {
            Step::RungeKutta4 => runge_kutta(time, length, now, |t, states, rates| system.rates(t, states, rates)),
            Step::ImplicitEuler => {
                system.rates(time, now, change);
                system.linearise(time, now);
                system.factor(length);
                for rate in &mut *change {
                    *rate *= length;
                }
                system.solve(change);
                for (state, change) in now.iter_mut().zip(&*change) {
                    *state += change;
                }
            }
        }
    }
    steps
}

/// The single cylinder, looked at every `interval`: the samples and the number of steps.
pub fn single_cylinder(plain: &SingleCylinder, step: Step, longest: f64, interval: f64) -> (Vec<Sample>, u64) {
    let mut now = plain.start();
    let mut samples = vec![sample(0.0, &now)];
    let mut taken = 0;
    for piece in plain.pieces() {
        let (looks, between) = divided(piece.to - piece.from, interval);
        for _ in 0..looks {
            let (steps, length) = divided(between, longest);
            for _ in 0..steps {
                match step {
                    Step::RungeKutta4 => {
                        runge_kutta(0.0, length, &mut now, |_, y, rates| plain.rates(&piece, y, rates));
                    }
                    Step::ImplicitEuler => implicit_euler(plain, &piece, length, &mut now),
                }
            }
            taken += steps;
            samples.push(sample(samples.len() as f64 * interval, &now));
        }
    }
    (samples, taken)
}

fn implicit_euler(plain: &SingleCylinder, piece: &Piece, length: f64, now: &mut [f64; STATES]) {
    let mut rates = [0.0; STATES];
    plain.rates(piece, now, &mut rates);
    let jacobian = plain.jacobian(piece, now);
    let matrix = SMatrix::<f64, STATES, STATES>::from_fn(|i, j| f64::from(u8::from(i == j)) - length * jacobian[i][j]);
    let mut change = SVector::from(rates) * length;
    // No step is so long that this is singular; if one were, the errors in the table would say so.
    if !matrix.lu().solve_mut(&mut change) {
        change.fill(f64::NAN);
    }
    for (state, change) in now.iter_mut().zip(&change) {
        *state += change;
    }
}
