//! One axis that pushes a mass on an ideal supply, as a system of its own.
//!
//! The same axis as in a machine, with the same slopes; only the putting together is simpler: the joint is the mass, there
//! is no manifold, and everything is six numbers. A test holds it to the whole plant with one axis.

use bellcrank_machine::description::Oil;

use super::axis::{Axis, BURST_BLEND, Place};
use super::elimination::{AxisSlopes, Reduced};
use super::hydraulics::Root;
use super::integrator::{Accuracy, Kept, Stepper, System, Work};
use super::layout::{self, A, B, BLOCK, Block, Layout, RATE};
use super::oil::Law;
use super::{AxisParts, Inputs, PlantError};

/// The bench.
#[derive(Clone)]
pub(super) struct Bench {
    axis: Axis,
    law: Law,
    burst: Root,
    /// Its slopes leave nothing out.
    complete: bool,
    /// Pressure line and tank, Pa.
    circuit: (f64, f64),
    mass: f64,
    load: f64,
    slopes: AxisSlopes,
    reduced: Reduced,
    /// One over the coefficient of the mass's rate.
    pivot: f64,
}

impl Bench {
    /// An axis without a load-holding valve on a mass, kg, and a pressure line and a tank, Pa.
    pub(super) fn new(axis: Axis, law: Law, circuit: (f64, f64), mass: f64) -> Bench {
        Bench {
            complete: axis.can_be_complete(),
            axis,
            law,
            burst: Root::new(BURST_BLEND),
            circuit,
            mass,
            load: 0.0,
            slopes: AxisSlopes::default(),
            reduced: Reduced::default(),
            pivot: 1.0,
        }
    }

    /// Takes a signal to the valve and a load, N, at a time.
    pub(super) fn take(&mut self, time: f64, signal: f64, load: f64) {
        self.axis.now.told = Some(self.axis.path.demand(time, signal));
        self.load = load;
    }

    fn place(&self, now: &Block) -> Place {
        Place::new(now, None, self.circuit)
    }
}

/// A bench in time: what a [`super::Plant`] is to a machine.
pub(super) struct Stand {
    bench: Bench,
    stepper: Stepper<Bench>,
    states: Block,
    time: f64,
}

impl Stand {
    pub(super) fn new(
        parts: &AxisParts,
        circuit: (f64, f64),
        oil: &Oil,
        mass: f64,
        states: Block,
        accuracy: Accuracy,
    ) -> Stand {
        let bench = Bench::new(parts.axis(circuit.0), Law::new(oil), circuit, mass);
        Stand {
            stepper: Stepper::new(&bench, accuracy),
            bench,
            states,
            time: 0.0,
        }
    }

    /// Integrates until a time, s, over which the inputs hold; they may have jumped.
    pub(super) fn advance(
        &mut self,
        inputs: &Inputs,
        until: f64,
        mut look: impl FnMut(&Kept),
    ) -> Result<(), PlantError> {
        self.bench.take(self.time, inputs.spool[0], inputs.load);
        self.stepper.restart();
        let kept = |_: &mut Bench, kept: &Kept| look(kept);
        let span = until - self.time;
        let result = self
            .stepper
            .advance(&mut self.bench, self.time, span, &mut self.states, kept);
        self.time = until;
        result.map_err(|error| PlantError::new(&error, |state| Layout::single().name(state)))
    }

    pub(super) fn time(&self) -> f64 {
        self.time
    }

    pub(super) fn states(&self) -> &Block {
        &self.states
    }

    /// Rates of the states as they are.
    pub(super) fn rates(&mut self) -> Block {
        let mut rates = Bench::ZERO;
        self.bench.rates(self.time, &self.states, &mut rates);
        rates
    }

    pub(super) fn work(&self) -> Work {
        self.stepper.work()
    }
}

/// The states of a bench.
fn block(states: &[f64]) -> &Block {
    states.first_chunk().expect("a bench has six states")
}

impl System for Bench {
    type Vector = Block;
    const ZERO: Block = [0.0; BLOCK];

    fn count(&self) -> usize {
        BLOCK
    }

    fn size(&self, state: usize) -> f64 {
        layout::middling(state)
    }

    fn least(&self, state: usize) -> f64 {
        layout::least(matches!(state, A | B))
    }

    fn slopes_are_complete(&self) -> bool {
        self.complete
    }

    #[inline]
    fn rates(&mut self, _: f64, states: &[f64], rates: &mut [f64]) {
        let now = block(states);
        let rates = rates.first_chunk_mut().expect("a bench has six states");
        self.axis.measure(now);
        let place = self.place(now);
        let work = self.axis.work(now, &place, &self.law, &self.burst, rates);
        rates[RATE] = (work.torque - self.load) / self.mass;
    }

    #[inline]
    fn linearise(&mut self, _: f64, states: &[f64]) {
        let place = self.place(block(states));
        self.axis.slopes(&place, &self.law, &self.burst, &mut self.slopes);
        if self.complete {
            self.axis.finer_slopes(&place, &self.law, &mut self.slopes);
        }
    }

    #[inline]
    fn factor(&mut self, reach: f64) {
        self.reduced.reduce(&self.slopes, reach);
        self.pivot = 1.0 / (self.mass - reach * self.reduced.stiff(&self.slopes));
    }

    #[inline]
    fn solve(&self, x: &mut [f64]) {
        let x = x.first_chunk_mut().expect("a bench has six states");
        let (torque, _) = self.reduced.solve_own(x, None);
        let rate = (self.mass * x[RATE] + torque) * self.pivot;
        self.reduced.put_in(rate, 0.0, x, None);
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use bellcrank_machine::description::{Actuator, ActuatorKind, Answer, Notches, Oil, Valve};

    use super::*;
    use crate::plant::Direct;

    /// The slopes that an implicit step works with, from what it solves: column by column of `(I - h J)⁻¹`.
    fn slopes(bench: &mut Bench, at: &Block, reach: f64) -> nalgebra::Matrix6<f64> {
        let mut rates = Bench::ZERO;
        bench.rates(0.0, at, &mut rates);
        bench.linearise(0.0, at);
        bench.factor(reach);
        let columns = [0, 1, 2, 3, 4, 5].map(|k| {
            let mut column = Bench::ZERO;
            column[k] = 1.0;
            bench.solve(&mut column);
            nalgebra::Vector6::from(column)
        });
        let inverse = nalgebra::Matrix6::from_columns(&columns);
        (nalgebra::Matrix6::identity() - inverse.try_inverse().expect("it is regular")) / reach
    }

    /// The same by differences.
    fn differences(bench: &mut Bench, at: &Block) -> nalgebra::Matrix6<f64> {
        let columns = [0, 1, 2, 3, 4, 5].map(|k| {
            let step = 1e-6 * (bench.size(k) + at[k].abs());
            let mut rates = [Bench::ZERO; 2];
            for (sign, rates) in [1.0, -1.0].into_iter().zip(&mut rates) {
                let mut moved = *at;
                moved[k] += sign * step;
                bench.rates(0.0, &moved, rates);
            }
            let [above, below] = rates.map(nalgebra::Vector6::from);
            (above - below) / (2.0 * step)
        });
        nalgebra::Matrix6::from_columns(&columns)
    }

    fn bench(oil: &Oil) -> Bench {
        let actuator = Actuator {
            kind: ActuatorKind::Cylinder { bore: 0.05, rod: 0.03 },
            area_a: 2e-3,
            area_b: 1.2e-3,
            travel: 0.5,
            dead_a: 2e-4,
            dead_b: 3e-4,
            swell: [2e-13, 3e-13],
            leak: 1e-13,
            viscous: 900.0,
            coulomb: 300.0,
            coulomb_speed: 0.02,
            breakaway: 500.0,
            breakaway_speed: 0.05,
            cushion: 0.03,
        };
        let valve = Valve {
            rated_flow: 1e-3,
            rated_drop: 5e5,
            blend: 2e5,
            overlap_out: 0.1,
            overlap_in: 0.15,
            notches: Notches {
                share: [1.0, 0.6, 0.9, 1.1],
                progression: 0.4,
                leak: 1e-13,
                vent: 1e-11,
            },
            spool_hz: 12.0,
            spool_zeta: 0.8,
            answer: Answer::default(),
            check_flow: 1e-3,
            check_drop: 2e5,
            port_relief: Some(2.2e7),
            load_check: true,
        };
        let parts = AxisParts {
            actuator: &actuator,
            valve: &valve,
            holding: None,
            pump: 0,
            linkage: Arc::new(Direct { zero: 0.0 }),
        };
        Bench::new(parts.axis(2e7), Law::new(oil), (1.8e7, 2e5), 400.0)
    }

    #[test]
    fn the_slopes_leave_nothing_out() {
        let textbook = Oil::textbook(870.0, 1.4e9);
        let aerated = Oil {
            air: Some(0.01),
            ..textbook.clone()
        };
        // Angle, rate, A, B, spool, spool rate: extending, retracting against a relief, in the middle with a cavity, in a
        // cushion, against a stop.
        let places: [Block; 5] = [
            [0.2, 0.11, 6.1e6, 3.2e6, 0.7, 0.3],
            [0.3, -0.04, 2.25e7, 9.3e6, -0.5, -1.0],
            [0.1, 0.06, 4.0e6, -0.98e5, 0.05, 0.1],
            [0.485, 0.2, 8.0e6, 1.2e7, 0.4, 0.0],
            [0.5004, 0.01, 1.5e7, 1.0e6, 0.2, 0.0],
        ];
        for oil in [textbook, aerated] {
            let mut bench = bench(&oil);
            assert!(bench.slopes_are_complete());
            bench.take(0.0, 0.45, 1e3);
            for at in places {
                let (ours, by_differences) = (slopes(&mut bench, &at, 1e-3), differences(&mut bench, &at));
                // In units of middling states and milliseconds.
                let scaled =
                    |m: &nalgebra::Matrix6<f64>, i: usize, k: usize| m[(i, k)] * bench.size(k) / bench.size(i) * 1e-3;
                for (i, k) in (0..BLOCK).flat_map(|i| (0..BLOCK).map(move |k| (i, k))) {
                    let (ours, wanted) = (scaled(&ours, i, k), scaled(&by_differences, i, k));
                    assert!(
                        (ours - wanted).abs() < 1e-4 * wanted.abs() + 1e-5,
                        "rate of state {i} over state {k} at {at:?}: {ours} for {wanted}"
                    );
                }
            }
        }
    }
}
