//! The plant as a system of equations: bodies, chambers, spools and supply put together, and taken apart again for the
//! implicit step.
//!
//! States: joint angles, joint rates, pressures A, pressures B, spools, spool rates (one block of each, an entry an
//! axis), then, with a pump, manifold pressure and pump flow. With stroke s(q), ratio r = ds/dq and rod force F = pA A
//! - pB B - friction ± ends:
//!
//! ```text
//! M(q) dv/dt = r F - c(q, v) - g(q)          dpA/dt = E/VA (QA - A r v)     dpB/dt = E/VB (QB + B r v)
//! ```
//!
//! An implicit step solves `(I - h J) x = b`. J has structure, so no general matrix is ever formed. A spool depends on
//! itself alone: solved first. An axis's two pressures depend on its own spool, its own rate, and the manifold: two
//! equations, expressed through the rate and the manifold's pressure. What is left is one symmetric system in the joint
//! rates, `M` plus a diagonal (oil spring, friction, stops), with the mechanism's own sparsity, and the manifold's
//! pressure as one border. J leaves out how M, c, g, r and V change; the method allows it.

use std::sync::Arc;

use bellcrank_machine::description::Oil;

use super::bodies::{Bodies, PerJoint, Pose, Tree, TreeMatrix};
use super::hydraulics::{ChamberSlopes, Flows, Ports, Section};
use super::integrator::System;
use super::linkage::Linkage;
use super::resistance::Resistance;
use super::supply::Source;
use super::tree::JOINTS_MAX;
use super::{Faults, Inputs, SpoolFault};

/// What moves.
#[derive(Debug, Clone)]
#[allow(clippy::large_enum_variant, reason = "there is one in a plant")]
pub enum Mechanism {
    /// Arms.
    Arms(Bodies),
    /// One sliding mass, kg, for a test bench.
    Mass(f64),
}

/// One axis: valve and chambers, friction and ends, and the way to the joint.
#[derive(Clone)]
pub struct Axis {
    /// Valve section and chambers.
    pub section: Section,
    /// Friction, cushions, stops.
    pub resistance: Resistance,
    /// Stroke over joint angle.
    pub linkage: Arc<dyn Linkage>,
}

/// Where each block of states starts, for `n` axes.
#[derive(Debug, Clone, Copy)]
pub struct Layout {
    n: usize,
}

impl Layout {
    /// For so many axes.
    pub fn new(n: usize) -> Layout {
        Layout { n }
    }
    /// Rate of a joint; its angle is the joint's number.
    pub fn rate(self, axis: usize) -> usize {
        self.n + axis
    }
    /// Pressure of the extending chamber.
    pub fn a(self, axis: usize) -> usize {
        2 * self.n + axis
    }
    /// Pressure of the retracting chamber.
    pub fn b(self, axis: usize) -> usize {
        3 * self.n + axis
    }
    /// Spool.
    pub fn spool(self, axis: usize) -> usize {
        4 * self.n + axis
    }
    /// Spool rate.
    pub fn spool_rate(self, axis: usize) -> usize {
        5 * self.n + axis
    }
    /// Manifold pressure.
    pub fn manifold(self) -> usize {
        6 * self.n
    }
    /// Pump flow.
    pub fn pump(self) -> usize {
        6 * self.n + 1
    }
}

/// The equations with the inputs of now.
#[derive(Clone)]
pub struct Model {
    pub(super) mechanism: Mechanism,
    pub(super) axes: Vec<Axis>,
    pub(super) source: Source,
    pub(super) bulk_modulus: f64,
    pub(super) faults: Faults,
    pub(super) inputs: Inputs,
    /// Opening of the dump valve when the inputs came, and the time then.
    pub(super) dump: (f64, f64),
    pub(super) at: Layout,
    tree: Tree,
    work: Work,
}

/// What one evaluation leaves for the next question about the same states.
#[derive(Clone)]
struct Work {
    pose: Pose,
    stroke: PerJoint,
    ratio: PerJoint,
    mass: TreeMatrix,
    factored: TreeMatrix,
    slopes: Slopes,
    reduced: Reduced,
}

/// The slopes at one point.
#[derive(Clone)]
struct Slopes {
    axis: [AxisSlopes; JOINTS_MAX],
    mass: TreeMatrix,
    /// Manifold: over its own pressure by the flows to tank, and pump flow over pressure and over itself.
    manifold: (f64, f64, f64),
}

#[derive(Debug, Clone, Copy, Default)]
struct AxisSlopes {
    chamber: [ChamberSlopes; 2],
    leakage: f64,
    stiffness: [f64; 2],
    /// Swept volume per joint angle, out of chamber A and out of chamber B.
    sweep: [f64; 2],
    /// Slopes of the joint torque over angle and rate, by stops, cushions and friction.
    spring: f64,
    damping: f64,
    /// Square of the spool's frequency and twice its decay; none where the spool does not move.
    spool: Option<(f64, f64)>,
}

/// The slopes, eliminated for one step length.
#[derive(Clone)]
struct Reduced {
    reach: f64,
    axis: [AxisReduced; JOINTS_MAX],
    /// Factored.
    rates: TreeMatrix,
    /// Joint rates per manifold pressure.
    border: PerJoint,
    pivot: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct AxisReduced {
    /// Inverse of the pressures' two by two.
    inverse: [[f64; 2]; 2],
    /// Pressures per joint rate and per manifold pressure.
    by_rate: [f64; 2],
    by_manifold: [f64; 2],
    /// Joint torque by the two pressures.
    torque: [f64; 2],
}

impl Model {
    pub(super) fn new(mechanism: Mechanism, axes: Vec<Axis>, source: Source, oil: &Oil) -> Model {
        let tree = match &mechanism {
            Mechanism::Arms(bodies) => *bodies.tree(),
            Mechanism::Mass(_) => Tree::single(),
        };
        assert_eq!(tree.len(), axes.len(), "one axis for each joint");
        let zero = [0.0; JOINTS_MAX];
        let mass = TreeMatrix::zero();
        let slopes = Slopes {
            axis: [AxisSlopes::default(); JOINTS_MAX],
            mass,
            manifold: (0.0, 0.0, 0.0),
        };
        let axis = [AxisReduced::default(); JOINTS_MAX];
        let reduced = Reduced {
            reach: 0.0,
            axis,
            rates: mass,
            border: zero,
            pivot: 1.0,
        };
        let work = Work {
            pose: Pose::default(),
            stroke: zero,
            ratio: zero,
            mass,
            factored: mass,
            slopes,
            reduced,
        };
        let (faults, inputs, at) = (Faults::default(), Inputs::default(), Layout::new(axes.len()));
        Model {
            mechanism,
            axes,
            source,
            bulk_modulus: oil.bulk_modulus,
            faults,
            inputs,
            dump: (1.0, 0.0),
            at,
            tree,
            work,
        }
    }

    /// Pose of the last evaluation.
    pub(super) fn pose(&self) -> &Pose {
        &self.work.pose
    }

    /// Stroke and ratio of an axis at the last evaluation.
    pub(super) fn stroke_and_ratio(&self, axis: usize) -> (f64, f64) {
        (self.work.stroke[axis], self.work.ratio[axis])
    }

    /// Pressure in the pressure line.
    pub(super) fn manifold(&self, states: &[f64]) -> f64 {
        match self.source {
            Source::Ideal { pressure, .. } => pressure,
            Source::Pump(_) => states[self.at.manifold()],
        }
    }

    /// Share of its full flow that the pump can give.
    pub(super) fn pump_share(&self) -> f64 {
        if self.inputs.engine {
            self.faults.pump_scale
        } else {
            0.0
        }
    }

    pub(super) fn dump_opening(&self, time: f64) -> f64 {
        match &self.source {
            Source::Ideal { .. } => 0.0,
            Source::Pump(pump) => pump.dump_opening(self.dump.0, self.inputs.dump_current, time - self.dump.1),
        }
    }

    /// Pressures on a section and where it stands, the stroke as of the last evaluation.
    pub(super) fn ports(&self, axis: usize, states: &[f64]) -> Ports {
        Ports {
            supply: self.manifold(states),
            tank: self.source.tank(),
            a: states[self.at.a(axis)],
            b: states[self.at.b(axis)],
            spool: states[self.at.spool(axis)],
            stroke: self.work.stroke[axis],
            extra_leak: self.faults.extra_leak[axis],
        }
    }

    pub(super) fn flows(&self, axis: usize, states: &[f64]) -> Flows {
        self.axes[axis].section.flows(&self.ports(axis, states))
    }

    /// What the valve's coil asks of the spool.
    fn demand(&self, axis: usize) -> f64 {
        match self.faults.spool[axis] {
            SpoolFault::Forced(position) => position,
            _ if self.inputs.valve_power => self.faults.demand_scale[axis] * self.inputs.spool[axis],
            _ => 0.0,
        }
    }

    fn frozen(&self, axis: usize) -> bool {
        self.faults.spool[axis] == SpoolFault::Frozen
    }

    /// Places the mechanism at these states.
    pub(super) fn place(&mut self, states: &[f64]) {
        if let Mechanism::Arms(bodies) = &self.mechanism {
            bodies.place(states, &mut self.work.pose);
        }
        for (i, axis) in self.axes.iter().enumerate() {
            (self.work.stroke[i], self.work.ratio[i]) = axis.linkage.stroke_and_ratio(states[i]);
        }
    }

    /// Torque that the axes must give for no acceleration; sets the mass matrix.
    fn bias(&mut self, states: &[f64]) -> PerJoint {
        let n = self.axes.len();
        match &self.mechanism {
            Mechanism::Arms(bodies) => {
                bodies.fill_mass_matrix(&self.work.pose, &mut self.work.mass);
                bodies.torque(&self.work.pose, &states[n..2 * n], &[0.0; JOINTS_MAX])
            }
            Mechanism::Mass(mass) => {
                self.work.mass.set(0, 0, *mass);
                let mut bias = [0.0; JOINTS_MAX];
                bias[0] = self.inputs.load;
                bias
            }
        }
    }
}

impl System for Model {
    fn count(&self) -> usize {
        6 * self.axes.len() + if matches!(self.source, Source::Pump(_)) { 2 } else { 0 }
    }

    fn size(&self, state: usize) -> f64 {
        let n = self.axes.len();
        match (state / n, &self.source) {
            (0 | 1 | 4, _) => 0.1,
            (5, _) => 10.0,
            (6, Source::Pump(pump)) if state == self.at.pump() => 0.1 * pump.flow(),
            _ => 1e6,
        }
    }

    fn rates(&mut self, time: f64, states: &[f64], rates: &mut [f64]) {
        let (n, at) = (self.axes.len(), self.at);
        self.place(states);
        let bias = self.bias(states);
        let mut torque = [0.0; JOINTS_MAX];
        let mut drawn = 0.0;
        for i in 0..n {
            let axis = &self.axes[i];
            let flows = self.flows(i, states);
            let (stroke, ratio) = (self.work.stroke[i], self.work.ratio[i]);
            let speed = ratio * states[at.rate(i)];
            let (a, b) = (states[at.a(i)], states[at.b(i)]);
            let force = axis.section.force(a, b) + axis.resistance.forces(stroke, speed).total();
            torque[i] = ratio * force - bias[i];
            let (area, stiffness) = (axis.section.areas(), axis.section.stiffness(stroke));
            rates[i] = states[at.rate(i)];
            rates[at.a(i)] = stiffness[0] * (flows.into_a() - area[0] * speed);
            rates[at.b(i)] = stiffness[1] * (flows.into_b() + area[1] * speed);
            let (spool, rate) = (states[at.spool(i)], states[at.spool_rate(i)]);
            (rates[at.spool(i)], rates[at.spool_rate(i)]) = if self.frozen(i) {
                (0.0, 0.0)
            } else {
                (rate, axis.section.spool_acceleration(self.demand(i), spool, rate))
            };
            drawn += flows.from_supply();
        }
        let Work { mass, factored, .. } = &mut self.work;
        factored.copy(&self.tree, mass);
        factored.factor(&self.tree);
        factored.solve(&self.tree, &mut torque[..n]);
        rates[n..2 * n].copy_from_slice(&torque[..n]);
        if let Source::Pump(pump) = &self.source {
            let (pressure, flow) = (states[at.manifold()], states[at.pump()]);
            let out = pump.flows(pressure, self.dump_opening(time));
            rates[at.manifold()] = pump.stiffness() * (flow - drawn - out.relief - out.dump);
            rates[at.pump()] = pump.flow_rate(pressure, flow, self.pump_share());
        }
    }

    fn linearise(&mut self, time: f64, states: &[f64]) {
        self.work.slopes.mass.copy(&self.tree, &self.work.mass);
        for i in 0..self.axes.len() {
            let axis = &self.axes[i];
            let (stroke, ratio) = (self.work.stroke[i], self.work.ratio[i]);
            let (spring, damping) = axis.resistance.slopes(stroke, ratio * states[self.at.rate(i)]);
            let area = axis.section.areas();
            self.work.slopes.axis[i] = AxisSlopes {
                chamber: axis.section.slopes(&self.ports(i, states)),
                leakage: axis.section.leakage(self.faults.extra_leak[i]),
                stiffness: axis.section.stiffness(stroke),
                sweep: [area[0] * ratio, -area[1] * ratio],
                spring: ratio * ratio * spring,
                damping: ratio * ratio * damping,
                spool: (!self.frozen(i)).then(|| axis.section.spool_terms()),
            };
        }
        if let Source::Pump(pump) = &self.source {
            let pressure = states[self.at.manifold()];
            let (by_pressure, by_flow) = pump.flow_rate_slopes(pressure, self.pump_share());
            self.work.slopes.manifold = (
                pump.flows_slope(pressure, self.dump_opening(time)),
                by_pressure,
                by_flow,
            );
        }
    }

    fn factor(&mut self, reach: f64) {
        let (slopes, reduced) = (&self.work.slopes, &mut self.work.reduced);
        reduced.reach = reach;
        reduced.rates.copy(&self.tree, &slopes.mass);
        for i in 0..self.axes.len() {
            let s = &slopes.axis[i];
            let [a, b] = s.stiffness.map(|k| reach * k);
            // (1 - h J) of the two pressures: [[aa, ab], [ba, bb]].
            let aa = 1.0 - a * (s.chamber[0].own - s.leakage);
            let bb = 1.0 - b * (s.chamber[1].own - s.leakage);
            let (ab, ba) = (-a * s.leakage, -b * s.leakage);
            let det = aa * bb - ab * ba;
            let inverse = [[bb / det, -ab / det], [-ba / det, aa / det]];
            let torque = s.sweep;
            let by_rate = times(&inverse, [-a * s.sweep[0], -b * s.sweep[1]]);
            let by_manifold = times(&inverse, [a * s.chamber[0].supply, b * s.chamber[1].supply]);
            reduced.axis[i] = AxisReduced {
                inverse,
                by_rate,
                by_manifold,
                torque,
            };
            reduced
                .rates
                .add(i, -reach * (s.damping + reach * s.spring + dot(torque, by_rate)));
            reduced.border[i] = reach * dot(torque, by_manifold);
        }
        reduced.rates.factor(&self.tree);
        if let Source::Pump(pump) = &self.source {
            let n = self.axes.len();
            reduced.rates.solve(&self.tree, &mut reduced.border[..n]);
            let (out, pump_by_pressure, pump_by_flow) = slopes.manifold;
            let mut own = -out + reach * pump_by_pressure / (1.0 - reach * pump_by_flow);
            for i in 0..n {
                let (chamber, r) = (&slopes.axis[i].chamber, &reduced.axis[i]);
                for side in 0..2 {
                    let pressure = r.by_rate[side] * reduced.border[i] + r.by_manifold[side];
                    own -= chamber[side].drawn_own * (pressure - 1.0);
                }
            }
            reduced.pivot = 1.0 - reach * pump.stiffness() * own;
        }
    }

    fn solve(&self, x: &mut [f64]) {
        let (n, at) = (self.axes.len(), self.at);
        let (slopes, reduced) = (&self.work.slopes, &self.work.reduced);
        let reach = reduced.reach;
        let mut rates = slopes.mass.times(&self.tree, &x[n..2 * n]);
        for i in 0..n {
            let (s, r) = (&slopes.axis[i], &reduced.axis[i]);
            if let Some((square, decay)) = s.spool {
                let (spool, rate) = (x[at.spool(i)], x[at.spool_rate(i)]);
                let rate = (rate - reach * square * spool) / (1.0 + reach * (decay + reach * square));
                (x[at.spool_rate(i)], x[at.spool(i)]) = (rate, spool + reach * rate);
            }
            let spool = reach * x[at.spool(i)];
            let own = times(
                &r.inverse,
                [
                    x[at.a(i)] + s.stiffness[0] * s.chamber[0].spool * spool,
                    x[at.b(i)] + s.stiffness[1] * s.chamber[1].spool * spool,
                ],
            );
            (x[at.a(i)], x[at.b(i)]) = (own[0], own[1]);
            rates[i] += reach * (s.spring * x[i] + dot(r.torque, own));
        }
        reduced.rates.solve(&self.tree, &mut rates[..n]);
        let manifold = if let Source::Pump(pump) = &self.source {
            let (_, pump_by_pressure, pump_by_flow) = slopes.manifold;
            let lag = 1.0 / (1.0 - reach * pump_by_flow);
            let mut net = lag * x[at.pump()];
            for i in 0..n {
                let (chamber, r) = (&slopes.axis[i].chamber, &reduced.axis[i]);
                let own = [x[at.a(i)], x[at.b(i)]];
                for side in 0..2 {
                    let pressure = own[side] + r.by_rate[side] * rates[i];
                    net -= chamber[side].drawn_own * pressure + chamber[side].drawn_spool * x[at.spool(i)];
                }
            }
            let pressure = (x[at.manifold()] + reach * pump.stiffness() * net) / reduced.pivot;
            x[at.manifold()] = pressure;
            x[at.pump()] = lag * (x[at.pump()] + reach * pump_by_pressure * pressure);
            pressure
        } else {
            0.0
        };
        for i in 0..n {
            let r = &reduced.axis[i];
            let rate = rates[i] + reduced.border[i] * manifold;
            x[at.rate(i)] = rate;
            x[i] += reach * rate;
            x[at.a(i)] += r.by_rate[0] * rate + r.by_manifold[0] * manifold;
            x[at.b(i)] += r.by_rate[1] * rate + r.by_manifold[1] * manifold;
        }
    }
}

fn times(m: &[[f64; 2]; 2], x: [f64; 2]) -> [f64; 2] {
    [m[0][0] * x[0] + m[0][1] * x[1], m[1][0] * x[0] + m[1][1] * x[1]]
}

fn dot(a: [f64; 2], b: [f64; 2]) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}

#[cfg(test)]
mod tests;
