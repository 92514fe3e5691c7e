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
