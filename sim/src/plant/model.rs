//! The plant as a system of equations: bodies, chambers, spools and supply put together.
//!
//! States: for each axis joint angle and rate, pressures A and B, spool and spool rate; then manifold pressure and swash of
//! each pump, the engine's speed, and the pressures of the lines of load-holding valves ([`Layout`]). With stroke s(q),
//! ratio r = ds/dq and rod force F = pA A - pB B - friction ± ends:
//!
//! ```text
//! M(q) dv/dt = r F - c(q, v) - g(q)          dpA/dt = E/VA (v QA - A r dq/dt)     dpB/dt = E/VB (v QB + B r dq/dt)
//! ```
//!
//! An implicit step needs the slopes of all that: `elimination`.

use bellcrank_machine::description::Oil;

use super::axis::{Axis, AxisFlows, BURST_BLEND, Place};
use super::elimination::{Elimination, PumpSlopes};
use super::hydraulics::Root;
use super::integrator::System;
use super::layout::{self, A, ANGLE, B, Layout, RATE, STATES_MAX};
use super::mechanics::{Mechanics, Mechanism};
use super::oil::{self, Law};
use super::supply::{PUMPS_MAX, Pump, Running, Source};
use super::tree::{JOINTS_MAX, PerJoint};
use super::{Faults, Inputs, SpoolFault};

/// The equations with the inputs of now.
#[derive(Clone)]
pub struct Model {
    pub(super) mechanics: Mechanics,
    pub(super) axes: Vec<Axis>,
    pub(super) source: Source,
    pub(super) law: Law,
    pub(super) faults: Faults,
    pub(super) inputs: Inputs,
    /// Opening of the dump valves when the inputs came, and the time then.
    pub(super) dump: ([f64; PUMPS_MAX], f64),
    /// They stay there.
    dump_stuck: bool,
    pub(super) at: Layout,
    /// Some pump goes by the load pressures.
    load_sensing: bool,
    /// It is a test bench, whose slopes leave nothing out.
    complete: bool,
    /// Error allowed in each step, relative.
    rel: f64,
    burst: Root,
    /// Greatest load pressure of each circuit at the last evaluation.
    load: [f64; PUMPS_MAX],
    elimination: Elimination,
}

impl Model {
    pub(super) fn new(mechanism: Mechanism, axes: Vec<Axis>, source: Source, oil: &Oil, rel: f64) -> Model {
        let bench = matches!((&mechanism, &source), (Mechanism::Mass(_), Source::Ideal { .. }));
        let mechanics = Mechanics::new(mechanism);
        assert_eq!(mechanics.tree().len(), axes.len(), "one axis for each joint");
        let lines: Vec<bool> = axes.iter().map(|axis| axis.holding.is_some()).collect();
        Model {
            complete: bench && axes.iter().all(Axis::can_be_complete),
            load_sensing: source.all().iter().any(Pump::senses_load),
            at: Layout::new(&lines, source.all().len(), source.engine().is_some()),
            mechanics,
            axes,
            source,
            law: Law::new(oil),
            faults: Faults::default(),
            inputs: Inputs::default(),
            dump: ([1.0; PUMPS_MAX], 0.0),
            dump_stuck: false,
            rel,
            burst: Root::new(BURST_BLEND),
            load: [0.0; PUMPS_MAX],
            elimination: Elimination::default(),
        }
    }

    /// Makes the oil so many times as viscous as at its working temperature.
    pub(super) fn thicken(&mut self, ratio: f64) {
        for axis in &mut self.axes {
            axis.section.thicken(ratio);
            axis.chambers.thicken(ratio);
            axis.resistance.thicken(ratio);
        }
        if let Source::Pumps { pumps, .. } = &mut self.source {
            for pump in pumps {
                pump.thicken(ratio);
            }
        }
    }

    /// Makes the oil another: with more air, say.
    pub(super) fn fill_with(&mut self, oil: &Oil) {
        self.law = Law::new(oil);
    }

    /// Takes new inputs at a time. `states` are those of now: the spools' rates are set to zero where they stick.
    pub(super) fn take(&mut self, time: f64, inputs: &Inputs, states: &mut [f64]) {
        for pump in 0..self.source.all().len() {
            self.dump.0[pump] = self.dump_opening(pump, time);
        }
        self.dump.1 = time;
        self.dump_stuck = self.faults.dump_stuck;
        if let Source::Pumps { pumps, .. } = &mut self.source {
            for pump in pumps {
                pump.hold_relief_open(self.faults.relief_open);
            }
        }
        for (i, axis) in self.axes.iter_mut().enumerate() {
            let told = axis.path.demand(time, inputs.spool[i]);
            axis.now.told = match self.faults.spool[i] {
                SpoolFault::Frozen => None,
                SpoolFault::Forced(position) => Some(position),
                SpoolFault::None if inputs.valve_power => Some(self.faults.demand_scale[i] * told),
                SpoolFault::None => Some(0.0),
            };
            if axis.now.told.is_none() {
                states[self.at.spool_rate(i)] = 0.0;
            }
            let burst = self.faults.burst[i];
            axis.now.burst = (burst != [0.0; 2]).then_some(burst);
            axis.now.extra_leak = self.faults.extra_leak[i];
            axis.spool.hamper(self.faults.quickness[i]);
            axis.section
                .wear(self.faults.extra_overlap[i], self.faults.land_leak[i]);
            if let Some(holding) = &mut axis.holding {
                holding.stick_open(self.faults.holding_open[i]);
            }
        }
        if let (
            Source::Pumps {
                engine: Some(engine), ..
            },
            Some(at),
        ) = (&mut self.source, self.at.engine())
        {
            engine.switch(self.inputs.engine, inputs.engine, states[at]);
        }
        self.inputs = *inputs;
        self.mechanics.load = inputs.load;
    }

    /// Stroke and ratio of an axis at the last evaluation.
    pub(super) fn stroke_and_ratio(&self, axis: usize) -> (f64, f64) {
        (self.axes[axis].now.stroke, self.axes[axis].now.ratio)
    }

    /// Pressure in a pressure line.
    pub(super) fn manifold(&self, pump: usize, states: &[f64]) -> f64 {
        match self.source {
            Source::Ideal { pressure, .. } => pressure,
            Source::Pumps { .. } => states[self.at.manifold(pump)],
        }
    }

    fn is_pressure(&self, state: usize) -> bool {
        if state < self.at.behind() {
            return matches!(state % layout::BLOCK, A | B);
        }
        let swash = (0..self.source.all().len()).any(|pump| state == self.at.swash(pump));
        Some(state) != self.at.engine() && !swash
    }

    /// Pressure line and tank of each circuit.
    fn circuits(&self, states: &[f64]) -> [(f64, f64); PUMPS_MAX] {
        match &self.source {
            Source::Ideal { pressure, tank } => [(*pressure, *tank); PUMPS_MAX],
            Source::Pumps { pumps, .. } => {
                let mut circuits = [(0.0, 0.0); PUMPS_MAX];
                for (k, pump) in pumps.iter().enumerate() {
                    circuits[k] = (states[self.at.manifold(k)], pump.supply().tank);
                }
                circuits
            }
        }
    }

    /// Whether something turns the pumps.
    pub(super) fn driven(&self) -> bool {
        self.source
            .engine()
            .map_or(self.inputs.engine, super::engine::Governed::fires)
    }

    /// What a pump goes by.
    pub(super) fn running(&self, pump: usize, states: &[f64]) -> Running {
        Running {
            pressure: states[self.at.manifold(pump)],
            load: self.load[pump],
            swash: states[self.at.swash(pump)],
            speed: self.at.engine().map_or(1.0, |at| states[at].max(0.0)),
            share: self.faults.pump_scale,
        }
    }

    pub(super) fn dump_opening(&self, pump: usize, time: f64) -> f64 {
        let after = time - self.dump.1;
        self.source.all().get(pump).map_or(0.0, |p| {
            if self.dump_stuck {
                return self.dump.0[pump];
            }
            p.dump_opening(self.dump.0[pump], self.inputs.dump_current, after)
        })
    }

    /// Where an axis is among its pressures.
    pub(super) fn place_of(&self, axis: usize, states: &[f64]) -> Place {
        let (blocks, _) = layout::blocks(self.axes.len(), states);
        let lines = self.at.line(axis).map(|line| [states[line], states[line + 1]]);
        Place::new(&blocks[axis], lines, self.circuits(states)[self.axes[axis].pump])
    }

    /// All flows of an axis.
    pub(super) fn flows(&self, axis: usize, at: &Place) -> AxisFlows {
        self.axes[axis].flows(at, &self.burst)
    }

    /// Places the mechanism at these states.
    pub(super) fn place(&mut self, states: &[f64]) {
        let (angle, _) = self.angles_and_rates(states);
        self.mechanics.place(&angle[..self.axes.len()]);
        self.measure(states);
    }

    /// Angles and rates of the joints.
    pub(super) fn angles_and_rates(&self, states: &[f64]) -> (PerJoint, PerJoint) {
        let (mut angle, mut rate) = ([0.0; JOINTS_MAX], [0.0; JOINTS_MAX]);
        let (blocks, _) = layout::blocks(self.axes.len(), states);
        for ((block, angle), rate) in blocks.iter().zip(&mut angle).zip(&mut rate) {
            (*angle, *rate) = (block[ANGLE], block[RATE]);
        }
        (angle, rate)
    }

    /// Strokes and ratios.
    fn measure(&mut self, states: &[f64]) {
        let (blocks, _) = layout::blocks(self.axes.len(), states);
        for (axis, block) in self.axes.iter_mut().zip(blocks) {
            axis.measure(block);
        }
    }

    /// Rates of everything but the joints, and the torques of the actuators.
    fn evaluate(&mut self, time: f64, states: &[f64], rates: &mut [f64]) -> PerJoint {
        let circuits = self.circuits(states);
        let mut torque = [0.0; JOINTS_MAX];
        let mut drawn = [0.0; PUMPS_MAX];
        self.load = circuits.map(|(_, tank)| tank);
        let n = self.axes.len();
        let (now, _) = layout::blocks(n, states);
        let (out, behind) = layout::blocks_mut(n, rates);
        for (i, (((axis, now), out), torque)) in self.axes.iter_mut().zip(now).zip(out).zip(&mut torque).enumerate() {
            let line = self.at.line(i);
            let at = Place::new(
                now,
                line.map(|line| [states[line], states[line + 1]]),
                circuits[axis.pump],
            );
            let work = axis.work(now, &at, &self.law, &self.burst, out);
            if let Some(line) = line {
                let line = line - self.at.behind();
                (behind[line], behind[line + 1]) = (work.lines[0], work.lines[1]);
            }
            *torque = work.torque;
            drawn[axis.pump] += work.drawn;
            if self.load_sensing {
                let load = &mut self.load[axis.pump];
                *load = load.max(axis.section.sensed(&at.ports));
            }
        }
        self.supply_rates(time, states, drawn, rates);
        torque
    }

    fn supply_rates(&self, time: f64, states: &[f64], drawn: [f64; PUMPS_MAX], rates: &mut [f64]) {
        let driven = self.driven();
        let mut power = 0.0;
        for (k, pump) in self.source.all().iter().enumerate() {
            let running = self.running(k, states);
            let out = pump.flows(running.pressure, self.dump_opening(k, time));
            let oil = self.law.at(running.pressure);
            let net = pump.delivered(&running) - drawn[k] - out.relief - out.dump;
            rates[self.at.manifold(k)] = oil.push(pump.supply().volume) * net;
            rates[self.at.swash(k)] = pump.swash_rate(&running, driven);
            power += pump.torque_power(&running);
        }
        if let (Some(engine), Some(at)) = (self.source.engine(), self.at.engine()) {
            rates[at] = engine.speed_rate(states[at], power);
        }
    }

    fn pump_slopes(&self, k: usize, pump: &Pump, time: f64, states: &[f64]) -> PumpSlopes {
        let running = self.running(k, states);
        let oil = self.law.at(running.pressure);
        let (own, by_swash) = pump.delivered_slopes(&running);
        let (swash_by_pressure, swash_own) = pump.swash_slopes(&running, self.driven());
        PumpSlopes {
            push: oil.push(pump.supply().volume),
            own: own - pump.flows_slope(running.pressure, self.dump_opening(k, time)),
            by_swash,
            swash_by_pressure,
            swash_own,
        }
    }
}

impl System for Model {
    type Vector = [f64; STATES_MAX];
    const ZERO: Self::Vector = [0.0; STATES_MAX];

    fn count(&self) -> usize {
        self.at.count()
    }

    fn size(&self, state: usize) -> f64 {
        if state < self.at.behind() {
            layout::middling(state % layout::BLOCK)
        } else if self.is_pressure(state) {
            layout::MIDDLING_PRESSURE
        } else {
            layout::MIDDLING
        }
    }

    fn least(&self, state: usize) -> f64 {
        layout::least(self.is_pressure(state))
    }

    fn slopes_are_complete(&self) -> bool {
        self.complete
    }

    fn rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]) {
        let n = self.axes.len();
        self.measure(states);
        let mut torque = self.evaluate(time, states, rates);
        let (angle, rate) = self.angles_and_rates(states);
        self.mechanics.start(time, &angle[..n], &rate[..n]);
        self.mechanics.accelerate_at_start(&mut torque[..n]);
        let rel = self.rel;
        self.mechanics
            .go_on(&torque[..n], |i| rel * (layout::middling(RATE) + rate[i].abs()));
        put_accelerations(&torque[..n], rates);
    }

    fn stage_rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]) {
        let n = self.axes.len();
        self.measure(states);
        let mut torque = self.evaluate(time, states, rates);
        if self.mechanics.lined() {
            self.mechanics.stage_on_line(time);
        } else {
            let (angle, rate) = self.angles_and_rates(states);
            self.mechanics.stage(&angle[..n], &rate[..n]);
        }
        self.mechanics.accelerate(&mut torque[..n]);
        put_accelerations(&torque[..n], rates);
    }

    fn linearise(&mut self, time: f64, states: &[f64]) {
        let circuits = self.circuits(states);
        let (now, _) = layout::blocks(self.axes.len(), states);
        for (i, (axis, now)) in self.axes.iter().zip(now).enumerate() {
            let slopes = &mut self.elimination.axis[i];
            slopes.lines = self.at.line(i).map(|line| line - self.at.behind());
            let lines = self.at.line(i).map(|line| [states[line], states[line + 1]]);
            let at = Place::new(now, lines, circuits[axis.pump]);
            axis.slopes(&at, &self.law, &self.burst, slopes);
            if self.complete {
                axis.finer_slopes(&at, &self.law, slopes);
            }
        }
        for (k, pump) in self.source.all().iter().enumerate() {
            self.elimination.pump[k] = self.pump_slopes(k, pump, time, states);
        }
        if let (Some(engine), Some(at)) = (self.source.engine(), self.at.engine()) {
            self.elimination.engine = engine.speed_slope(states[at]);
        }
    }

    fn factor(&mut self, reach: f64) {
        let pumps = self.source.all().len();
        self.elimination
            .factor(self.mechanics.tree(), self.mechanics.mass(), pumps, reach);
    }

    fn solve(&self, x: &mut [f64]) {
        self.elimination.solve(self.mechanics.tree(), &self.at, x);
    }
}

/// Puts the joints' accelerations where they belong in the rates.
fn put_accelerations(accelerations: &[f64], rates: &mut [f64]) {
    let (out, _) = layout::blocks_mut(accelerations.len(), rates);
    for (out, acceleration) in out.iter_mut().zip(accelerations) {
        out[RATE] = *acceleration;
    }
}

/// How many times as viscous as at its working temperature an oil is at another, °C.
pub(super) fn thickening(oil: &Oil, celsius: f64) -> f64 {
    oil::viscosity(oil, celsius) / oil::viscosity(oil, oil.temperature)
}

#[cfg(test)]
mod tests;
