//! The plant as a system of equations: bodies, chambers, spools and supply put together.
//!
//! States: joint angles, joint rates, pressures A, pressures B, spools, spool rates (one block of each, an entry an
//! axis), then manifold pressure and swash of each pump, the engine's speed, and the pressures of the lines of
//! load-holding valves ([`Layout`]). With stroke s(q), ratio r = ds/dq and rod force F = pA A - pB B - friction ± ends:
//!
//! ```text
//! M(q) dv/dt = r F - c(q, v) - g(q)          dpA/dt = E/VA (v QA - A r dq/dt)     dpB/dt = E/VB (v QB + B r dq/dt)
//! ```
//!
//! An implicit step needs the slopes of all that: `elimination`.

use std::sync::Arc;

use bellcrank_machine::description::Oil;

use super::chambers::Chambers;
use super::elimination::{AxisSlopes, Elimination, Node, PumpSlopes};
use super::holding::HoldingValve;
use super::hydraulics::{Flows, Ports, Root, Section};
use super::integrator::System;
use super::layout::Layout;
use super::linkage::Linkage;
use super::mechanics::{Mechanics, Mechanism};
use super::oil::{self, Law, Squeezed};
use super::resistance::Resistance;
use super::spool::{Path, Spool};
use super::supply::{PUMPS_MAX, Pump, Running, Source};
use super::tree::{JOINTS_MAX, PerJoint};
use super::{Faults, Inputs, SpoolFault};

/// A burst hose's flow starts laminar below this pressure, Pa.
const BURST_BLEND: f64 = 1e5;
/// A middling pressure, Pa.
const PRESSURE: f64 = 1e6;

/// One axis: valve, chambers, friction and ends, and the way to the joint.
#[derive(Clone)]
pub struct Axis {
    /// Valve section.
    pub section: Section,
    /// From the signal to what the spool is told.
    pub path: Path,
    /// How the spool follows that.
    pub spool: Spool,
    /// A load-holding valve between section and chambers.
    pub holding: Option<HoldingValve>,
    /// The chambers.
    pub chambers: Chambers,
    /// Friction, cushions, stops.
    pub resistance: Resistance,
    /// Stroke over joint angle.
    pub linkage: Arc<dyn Linkage>,
    /// The pump that feeds it.
    pub pump: usize,
}

/// Every flow of an axis apart, m³/s.
#[derive(Debug, Clone, Copy, Default)]
pub struct AxisFlows {
    /// Of the valve section.
    pub section: Flows,
    /// From A to B past the piston.
    pub leak: f64,
    /// From each line to its chamber; none without lines.
    pub through: [f64; 2],
    /// Out of each port's hose into the open.
    pub burst: [f64; 2],
}

/// The pressures of an axis: chambers, and the ports of its valve section (the same where there are no lines).
#[derive(Debug, Clone, Copy)]
pub struct Pressures {
    /// Chambers A and B.
    pub chamber: [f64; 2],
    /// Ports A and B.
    pub port: [f64; 2],
}

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
    pub(super) at: Layout,
    /// What the spools are told.
    told: PerJoint,
    /// Some pump goes by the load pressures.
    load_sensing: bool,
    /// Error allowed in each step, relative.
    rel: f64,
    burst: Root,
    stroke: PerJoint,
    ratio: PerJoint,
    /// Greatest load pressure of each circuit at the last evaluation.
    load: [f64; PUMPS_MAX],
    elimination: Elimination,
}

impl Model {
    pub(super) fn new(mechanism: Mechanism, axes: Vec<Axis>, source: Source, oil: &Oil, rel: f64) -> Model {
        let mechanics = Mechanics::new(mechanism);
        assert_eq!(mechanics.tree().len(), axes.len(), "one axis for each joint");
        let lines: Vec<bool> = axes.iter().map(|axis| axis.holding.is_some()).collect();
        Model {
            load_sensing: source.all().iter().any(Pump::senses_load),
            at: Layout::new(&lines, source.all().len(), source.engine().is_some()),
            mechanics,
            axes,
            source,
            law: Law::new(oil),
            faults: Faults::default(),
            inputs: Inputs::default(),
            dump: ([1.0; PUMPS_MAX], 0.0),
            told: [0.0; JOINTS_MAX],
            rel,
            burst: Root::new(BURST_BLEND),
            stroke: [0.0; JOINTS_MAX],
            ratio: [0.0; JOINTS_MAX],
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

    /// Takes new inputs at a time. `states` are those of now: the spools' rates are set to zero where they stick.
    pub(super) fn take(&mut self, time: f64, inputs: &Inputs, states: &mut [f64]) {
        for pump in 0..self.source.all().len() {
            self.dump.0[pump] = self.dump_opening(pump, time);
        }
        self.dump.1 = time;
        for (i, axis) in self.axes.iter_mut().enumerate() {
            let told = axis.path.demand(time, inputs.spool[i]);
            self.told[i] = match self.faults.spool[i] {
                SpoolFault::Forced(position) => position,
                _ if inputs.valve_power => self.faults.demand_scale[i] * told,
                _ => 0.0,
            };
            if self.faults.spool[i] == SpoolFault::Frozen {
                states[self.at.spool_rate(i)] = 0.0;
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
        (self.stroke[axis], self.ratio[axis])
    }

    /// Pressure in a pressure line.
    pub(super) fn manifold(&self, pump: usize, states: &[f64]) -> f64 {
        match self.source {
            Source::Ideal { pressure, .. } => pressure,
            Source::Pumps { .. } => states[self.at.manifold(pump)],
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
            p.dump_opening(self.dump.0[pump], self.inputs.dump_current, after)
        })
    }

    /// The pressures of an axis.
    #[inline]
    pub(super) fn pressures(&self, axis: usize, states: &[f64]) -> Pressures {
        let chamber = [states[self.at.a(axis)], states[self.at.b(axis)]];
        let port = match self.at.line(axis) {
            Some(line) => [states[line], states[line + 1]],
            None => chamber,
        };
        Pressures { chamber, port }
    }

    #[inline]
    fn ports(&self, axis: usize, states: &[f64], port: [f64; 2]) -> Ports {
        let pump = self.axes[axis].pump;
        Ports {
            supply: self.manifold(pump, states),
            tank: self.source.tank(pump),
            a: port[0],
            b: port[1],
            spool: states[self.at.spool(axis)],
        }
    }

    /// All flows of an axis.
    #[inline]
    pub(super) fn flows(&self, i: usize, states: &[f64], at: &Pressures) -> AxisFlows {
        let axis = &self.axes[i];
        let leak = axis.chambers.leak() + self.faults.extra_leak[i];
        let mut flows = AxisFlows {
            section: axis.section.flows(&self.ports(i, states, at.port)),
            leak: leak * (at.chamber[0] - at.chamber[1]),
            ..AxisFlows::default()
        };
        for side in 0..2 {
            if self.faults.burst[i][side] > 0.0 {
                flows.burst[side] = self.faults.burst[i][side] * self.burst.of(at.port[side]);
            }
            if let Some(holding) = &axis.holding {
                flows.through[side] = holding.flow(side, at.port[side], at.chamber[side], at.port[1 - side]);
            }
        }
        flows
    }

    fn frozen(&self, axis: usize) -> bool {
        self.faults.spool[axis] == SpoolFault::Frozen
    }

    /// Places the mechanism at these states.
    pub(super) fn place(&mut self, states: &[f64]) {
        self.mechanics.place(states);
        self.measure(states);
    }

    /// Strokes and ratios.
    fn measure(&mut self, states: &[f64]) {
        for (i, axis) in self.axes.iter().enumerate() {
            (self.stroke[i], self.ratio[i]) = axis.linkage.stroke_and_ratio(states[i]);
        }
    }

    /// Rates of everything but the joints, and the torques of the actuators.
    fn evaluate(&mut self, time: f64, states: &[f64], rates: &mut [f64]) -> PerJoint {
        let mut torque = [0.0; JOINTS_MAX];
        let mut drawn = [0.0; PUMPS_MAX];
        let load_sensing = self.load_sensing;
        for pump in 0..self.source.all().len() {
            self.load[pump] = self.source.tank(pump);
        }
        for i in 0..self.axes.len() {
            let p = self.pressures(i, states);
            let flows = self.flows(i, states, &p);
            let axis = &self.axes[i];
            let (stroke, ratio) = (self.stroke[i], self.ratio[i]);
            let speed = ratio * states[self.at.rate(i)];
            let force = axis.chambers.force(p.chamber) + axis.resistance.forces(stroke, speed).total();
            torque[i] = ratio * force;
            rates[i] = states[self.at.rate(i)];

            let oil = p.chamber.map(|p| self.law.at(p));
            let rise = axis.chambers.stiffness(stroke, p.chamber, oil);
            let swept = axis.chambers.swept(speed, oil);
            let from_valve = [
                flows.section.into_a() - flows.burst[0],
                flows.section.into_b() - flows.burst[1],
            ];
            let into = match (self.at.line(i), &axis.holding) {
                (Some(line), Some(holding)) => {
                    let volume = holding.lines();
                    for side in 0..2 {
                        let oil = self.law.at(p.port[side]);
                        let net = from_valve[side] - flows.through[side];
                        rates[line + side] = oil.modulus * oil.volume / volume[side] * net;
                    }
                    flows.through
                }
                _ => from_valve,
            };
            rates[self.at.a(i)] = rise[0] * (oil[0].volume * (into[0] - flows.leak) - swept[0]);
            rates[self.at.b(i)] = rise[1] * (oil[1].volume * (into[1] + flows.leak) - swept[1]);

            let (spool, rate) = (states[self.at.spool(i)], states[self.at.spool_rate(i)]);
            (rates[self.at.spool(i)], rates[self.at.spool_rate(i)]) = if self.frozen(i) {
                (0.0, 0.0)
            } else {
                (rate, axis.spool.acceleration(self.told[i], spool, rate))
            };
            drawn[axis.pump] += flows.section.from_supply();
            if load_sensing {
                let (out, back) = axis.section.openings(spool);
                let load = &mut self.load[axis.pump];
                if out > 0.0 {
                    *load = load.max(p.port[0]);
                } else if back > 0.0 {
                    *load = load.max(p.port[1]);
                }
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
            rates[self.at.manifold(k)] = oil.modulus * oil.volume / pump.supply().volume * net;
            rates[self.at.swash(k)] = pump.swash_rate(&running, driven);
            power += pump.torque_power(&running);
        }
        if let (Some(engine), Some(at)) = (self.source.engine(), self.at.engine()) {
            rates[at] = engine.speed_rate(states[at], power);
        }
    }

    fn axis_slopes(&self, i: usize, states: &[f64]) -> AxisSlopes {
        let (at, axis) = (&self.at, &self.axes[i]);
        let p = self.pressures(i, states);
        let (stroke, ratio) = (self.stroke[i], self.ratio[i]);
        let (spring, damping) = axis.resistance.slopes(stroke, ratio * states[at.rate(i)]);
        let area = axis.chambers.areas();
        let oil = p.chamber.map(|p| self.law.at(p));
        let rise = axis.chambers.stiffness(stroke, p.chamber, oil);
        let push = |side: usize| rise[side] * oil[side].volume;
        let port = axis.section.slopes(&self.ports(i, states, p.port));
        let mut slopes = AxisSlopes {
            pump: axis.pump,
            sweep: [area[0] * ratio, -area[1] * ratio],
            rise,
            spring: ratio * ratio * spring,
            damping: ratio * ratio * damping,
            spool: (!self.frozen(i)).then(|| axis.spool.slopes(self.told[i], states[at.spool(i)])),
            lines: at.line(i),
            port,
            ..AxisSlopes::default()
        };
        let nodes = &mut slopes.node;
        let leak = axis.chambers.leak() + self.faults.extra_leak[i];
        for side in 0..2 {
            nodes[side] = Node::new(push(side));
            nodes[side].by[side] = -leak;
            nodes[side].by[1 - side] = leak;
        }
        let burst = |side: usize| {
            if self.faults.burst[i][side] > 0.0 {
                self.faults.burst[i][side] * self.burst.slope(p.port[side])
            } else {
                0.0
            }
        };
        let Some(holding) = &axis.holding else {
            for side in 0..2 {
                nodes[side].feed(&port[side]);
                nodes[side].by[side] += port[side].own - burst(side);
            }
            return slopes;
        };
        let volume = holding.lines();
        for side in 0..2 {
            let (line, other) = (2 + side, 3 - side);
            let oil: Squeezed = self.law.at(p.port[side]);
            let through = holding.through(side, p.port[side], p.chamber[side], p.port[1 - side]);
            nodes[line] = Node::new(oil.modulus * oil.volume / volume[side]);
            nodes[line].feed(&port[side]);
            nodes[line].by[line] = port[side].own - burst(side) - through.line;
            nodes[line].by[side] = -through.chamber;
            nodes[line].by[other] = -through.pilot;
            nodes[side].by[side] += through.chamber;
            nodes[side].by[line] = through.line;
            nodes[side].by[other] = through.pilot;
        }
        slopes
    }

    fn pump_slopes(&self, k: usize, pump: &Pump, time: f64, states: &[f64]) -> PumpSlopes {
        let running = self.running(k, states);
        let oil = self.law.at(running.pressure);
        let (own, by_swash) = pump.delivered_slopes(&running);
        let (swash_by_pressure, swash_own) = pump.swash_slopes(&running, self.driven());
        PumpSlopes {
            push: oil.modulus * oil.volume / pump.supply().volume,
            own: own - pump.flows_slope(running.pressure, self.dump_opening(k, time)),
            by_swash,
            swash_by_pressure,
            swash_own,
        }
    }
}

impl System for Model {
    fn count(&self) -> usize {
        self.at.count()
    }

    fn size(&self, state: usize) -> f64 {
        match state / self.axes.len() {
            0 | 1 | 4 => 0.1,
            5 => 10.0,
            _ if Some(state) == self.at.engine() => 0.1,
            _ if (0..self.source.all().len()).any(|pump| state == self.at.swash(pump)) => 0.1,
            _ => PRESSURE,
        }
    }

    fn least(&self, state: usize) -> f64 {
        if self.size(state) == PRESSURE {
            -oil::ATMOSPHERE
        } else {
            f64::NEG_INFINITY
        }
    }

    fn rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]) {
        let n = self.axes.len();
        self.measure(states);
        let mut torque = self.evaluate(time, states, rates);
        self.mechanics.start(time, states, &states[n..2 * n]);
        self.mechanics.accelerate_at_start(&mut torque[..n]);
        rates[n..2 * n].copy_from_slice(&torque[..n]);
        let rel = self.rel;
        self.mechanics
            .go_on(&torque[..n], |i| rel * (0.1 + states[n + i].abs()));
    }

    fn stage_rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]) {
        let n = self.axes.len();
        self.measure(states);
        let mut torque = self.evaluate(time, states, rates);
        self.mechanics.stage(time, states, &states[n..2 * n]);
        self.mechanics.accelerate(&mut torque[..n]);
        rates[n..2 * n].copy_from_slice(&torque[..n]);
    }

    fn linearise(&mut self, time: f64, states: &[f64]) {
        for i in 0..self.axes.len() {
            self.elimination.axis[i] = self.axis_slopes(i, states);
        }
        for (k, pump) in self.source.all().iter().enumerate() {
            self.elimination.pump[k] = self.pump_slopes(k, pump, time, states);
        }
    }

    fn factor(&mut self, reach: f64) {
        let pumps = self.source.all().len();
        self.elimination
            .factor(self.mechanics.tree(), self.mechanics.mass(), pumps, reach);
    }

    fn solve(&self, x: &mut [f64]) {
        let pumps = self.source.all().len();
        self.elimination
            .solve(self.mechanics.tree(), self.mechanics.mass(), &self.at, pumps, x);
    }
}

/// How many times as viscous as at its working temperature an oil is at another, °C.
pub(super) fn thickening(oil: &Oil, celsius: f64) -> f64 {
    oil::viscosity(oil, celsius) / oil::viscosity(oil, oil.temperature)
}

#[cfg(test)]
mod tests;
