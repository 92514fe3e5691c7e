//! The linear system of an implicit step, taken apart by hand.
//!
//! An implicit step solves `(I - h J) x = b`. J has structure, so no general matrix is ever formed. A spool depends on
//! itself alone: solved first. An axis's pressures (two, or four with the lines of a load-holding valve) depend on each
//! other, its own spool, its own rate, and its pump's manifold: a small matrix, expressed through the rate and the
//! manifold's pressure. What is left is one symmetric system in the joint rates, `M` plus a diagonal (oil spring,
//! friction, stops), with the mechanism's own sparsity, and the manifolds' pressures as a border of one or two columns. J
//! leaves out how M, c, g, r, V, E and v change, the engine, and what load sensing passes on; the method allows it.

use nalgebra::Matrix4;

use super::hydraulics::PortSlopes;
use super::layout::Layout;
use super::supply::PUMPS_MAX;
use super::tree::{JOINTS_MAX, PerJoint, Tree, TreeMatrix};

/// Nodes of an axis: chambers A and B, lines A and B.
const NODES: usize = 4;
type PerNode = [f64; NODES];

/// How the net flow into one oil space changes, and what flow does to its pressure.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Node {
    /// Pressure rise per net flow at atmospheric density, Pa/m³.
    push: f64,
    /// Net flow, per pressure in each node of the axis.
    pub by: PerNode,
    /// Net flow, per pressure in the pressure line, and per spool position.
    supply: f64,
    spool: f64,
}

impl Node {
    pub(super) fn new(push: f64) -> Node {
        Node {
            push,
            ..Node::default()
        }
    }

    /// Joins it to a port of the valve section.
    pub(super) fn feed(&mut self, port: &PortSlopes) {
        (self.supply, self.spool) = (port.supply, port.spool);
    }
}

/// The slopes of one axis.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct AxisSlopes {
    pub node: [Node; NODES],
    /// The two ports of its valve section.
    pub port: [PortSlopes; 2],
    /// The first of its two line states, if it has lines.
    pub lines: Option<usize>,
    /// Swept volume per joint angle, out of chamber A and out of chamber B; also the joint torque per pressure.
    pub sweep: [f64; 2],
    /// Pressure rise per volume in each chamber, Pa/m³.
    pub rise: [f64; 2],
    /// Slopes of the joint torque over angle and rate, by stops, cushions and friction.
    pub spring: f64,
    pub damping: f64,
    /// Slopes of the spool's acceleration; none where the spool does not move.
    pub spool: Option<(f64, f64)>,
    /// The pump that feeds it.
    pub pump: usize,
}

impl AxisSlopes {
    /// How many of its nodes are oil spaces of their own, and which of them its ports lead to.
    fn nodes(&self) -> usize {
        if self.lines.is_some() { NODES } else { 2 }
    }

    fn port_node(&self, side: usize) -> usize {
        if self.lines.is_some() { 2 + side } else { side }
    }
}

/// The slopes of one pump and its manifold.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct PumpSlopes {
    /// Pressure rise per net flow, Pa/m³.
    pub push: f64,
    /// Net flow (what the axes draw left out), per pressure and per swash.
    pub own: f64,
    pub by_swash: f64,
    /// Rate of the swash, per pressure and per swash.
    pub swash_by_pressure: f64,
    pub swash_own: f64,
}

/// Everything about one axis, for one step length.
#[derive(Debug, Clone, Copy, Default)]
struct Reduced {
    /// Inverse of the nodes' matrix.
    inverse: [PerNode; NODES],
    /// Node pressures per joint rate and per manifold pressure.
    by_rate: PerNode,
    by_manifold: PerNode,
}

/// The slopes at one point, and what they come to for one step length.
#[derive(Debug, Clone)]
pub(super) struct Elimination {
    pub axis: [AxisSlopes; JOINTS_MAX],
    pub pump: [PumpSlopes; PUMPS_MAX],
    reach: f64,
    reduced: [Reduced; JOINTS_MAX],
    /// Factored.
    rates: TreeMatrix,
    /// Joint rates per pressure of each manifold.
    border: [PerJoint; PUMPS_MAX],
    /// Inverse of the manifolds' own matrix.
    manifolds: [[f64; PUMPS_MAX]; PUMPS_MAX],
}

impl Default for Elimination {
    fn default() -> Elimination {
        Elimination {
            axis: [AxisSlopes::default(); JOINTS_MAX],
            pump: [PumpSlopes::default(); PUMPS_MAX],
            reach: 0.0,
            reduced: [Reduced::default(); JOINTS_MAX],
            rates: TreeMatrix::zero(),
            border: [[0.0; JOINTS_MAX]; PUMPS_MAX],
            manifolds: [[0.0; PUMPS_MAX]; PUMPS_MAX],
        }
    }
}

impl Elimination {
    /// Makes `I - reach J` ready for solving, with `pumps` manifolds.
    pub(super) fn factor(&mut self, tree: &Tree, mass: &TreeMatrix, pumps: usize, reach: f64) {
        self.reach = reach;
        self.rates.copy(tree, mass);
        let n = tree.len();
        for border in &mut self.border[..pumps] {
            border[..n].fill(0.0);
        }
        for i in 0..n {
            let s = &self.axis[i];
            let r = &mut self.reduced[i];
            let flow = |k: usize| reach * s.node[k].push;
            if s.lines.is_some() {
                let matrix = Matrix4::from_fn(|k, l| f64::from(u8::from(k == l)) - flow(k) * s.node[k].by[l]);
                // A singular one makes a step of no numbers, which the integrator throws away.
                let inverse = matrix.try_inverse().unwrap_or_else(|| Matrix4::from_element(f64::NAN));
                r.inverse = std::array::from_fn(|k| std::array::from_fn(|l| inverse[(k, l)]));
            } else {
                let (a, b) = (flow(0), flow(1));
                let (aa, bb) = (1.0 - a * s.node[0].by[0], 1.0 - b * s.node[1].by[1]);
                let (ab, ba) = (-a * s.node[0].by[1], -b * s.node[1].by[0]);
                let per = 1.0 / (aa * bb - ab * ba);
                r.inverse[0][..2].copy_from_slice(&[bb * per, -ab * per]);
                r.inverse[1][..2].copy_from_slice(&[-ba * per, aa * per]);
            }
            let m = s.nodes();
            let swept = [0, 1].map(|side| -reach * s.rise[side] * s.sweep[side]);
            for k in 0..m {
                r.by_rate[k] = r.inverse[k][0] * swept[0] + r.inverse[k][1] * swept[1];
                r.by_manifold[k] = (0..2)
                    .map(|side| s.port_node(side))
                    .map(|l| r.inverse[k][l] * flow(l) * s.node[l].supply)
                    .sum();
            }
            let stiff = s.damping + reach * s.spring + dot(s.sweep, &r.by_rate);
            self.rates.add(i, -reach * stiff);
            if pumps > 0 {
                self.border[s.pump][i] = reach * dot(s.sweep, &r.by_manifold);
            }
        }
        self.rates.factor(tree);
        let mut own = [[0.0; PUMPS_MAX]; PUMPS_MAX];
        for k in 0..pumps {
            self.rates.solve(tree, &mut self.border[k][..n]);
        }
        for k in 0..pumps {
            let p = &self.pump[k];
            let lag = 1.0 / (1.0 - reach * p.swash_own);
            own[k][k] = p.own + p.by_swash * lag * reach * p.swash_by_pressure;
        }
        for i in (0..n).filter(|_| pumps > 0) {
            let (s, r) = (&self.axis[i], &self.reduced[i]);
            let drawn =
                s.port[0].drawn_own * r.by_rate[s.port_node(0)] + s.port[1].drawn_own * r.by_rate[s.port_node(1)];
            for (k, border) in self.border[..pumps].iter().enumerate() {
                own[s.pump][k] -= drawn * border[i];
            }
            for side in 0..2 {
                own[s.pump][s.pump] -= s.port[side].drawn_own * (r.by_manifold[s.port_node(side)] - 1.0);
            }
        }
        let row = |k: usize, l: usize| f64::from(u8::from(k == l)) - reach * self.pump[k].push * own[k][l];
        let det = row(0, 0) * row(1, 1) - row(0, 1) * row(1, 0);
        self.manifolds = [[row(1, 1) / det, -row(0, 1) / det], [-row(1, 0) / det, row(0, 0) / det]];
    }

    /// Solves `(I - reach J) x = x` in place.
    pub(super) fn solve(&self, tree: &Tree, mass: &TreeMatrix, at: &Layout, pumps: usize, x: &mut [f64]) {
        let (n, reach) = (tree.len(), self.reach);
        let mut rates = mass.times(tree, &x[n..2 * n]);
        let mut net = [0.0; PUMPS_MAX];
        for i in 0..n {
            let (s, r) = (&self.axis[i], &self.reduced[i]);
            if let Some((square, decay)) = s.spool {
                let (spool, rate) = (x[at.spool(i)], x[at.spool_rate(i)]);
                let rate = (rate - reach * square * spool) / (1.0 + reach * (decay + reach * square));
                (x[at.spool_rate(i)], x[at.spool(i)]) = (rate, spool + reach * rate);
            }
            let spool = x[at.spool(i)];
            let (a, b) = (at.a(i), at.b(i));
            let with_spool = |k: usize, x: f64| x + reach * s.node[k].push * s.node[k].spool * spool;
            let own = if let Some(line) = s.lines {
                let right = [
                    with_spool(0, x[a]),
                    with_spool(1, x[b]),
                    with_spool(2, x[line]),
                    with_spool(3, x[line + 1]),
                ];
                let own: PerNode = std::array::from_fn(|k| (0..NODES).map(|l| r.inverse[k][l] * right[l]).sum());
                (x[line], x[line + 1]) = (own[2], own[3]);
                own
            } else {
                let right = [with_spool(0, x[a]), with_spool(1, x[b])];
                let row = |k: usize| r.inverse[k][0] * right[0] + r.inverse[k][1] * right[1];
                [row(0), row(1), 0.0, 0.0]
            };
            (x[a], x[b]) = (own[0], own[1]);
            rates[i] += reach * (s.spring * x[i] + dot(s.sweep, &own));
            for side in 0..2 {
                net[s.pump] -= s.port[side].drawn_own * own[s.port_node(side)] + s.port[side].drawn_spool * spool;
            }
        }
        self.rates.solve(tree, &mut rates[..n]);
        let manifold = self.solve_manifolds(at, pumps, &rates, net, x);
        for i in 0..n {
            let (s, r) = (&self.axis[i], &self.reduced[i]);
            let line_pressure = manifold[s.pump];
            let mut rate = rates[i];
            for k in 0..pumps {
                rate += self.border[k][i] * manifold[k];
            }
            x[at.rate(i)] = rate;
            x[i] += reach * rate;
            x[at.a(i)] += r.by_rate[0] * rate + r.by_manifold[0] * line_pressure;
            x[at.b(i)] += r.by_rate[1] * rate + r.by_manifold[1] * line_pressure;
            if let Some(line) = s.lines {
                x[line] += r.by_rate[2] * rate + r.by_manifold[2] * line_pressure;
                x[line + 1] += r.by_rate[3] * rate + r.by_manifold[3] * line_pressure;
            }
        }
    }

    /// The manifolds' pressures, with the swashes behind them.
    fn solve_manifolds(
        &self,
        at: &Layout,
        pumps: usize,
        rates: &PerJoint,
        mut net: [f64; PUMPS_MAX],
        x: &mut [f64],
    ) -> [f64; PUMPS_MAX] {
        let mut manifold = [0.0; PUMPS_MAX];
        if pumps == 0 {
            return manifold;
        }
        for (i, rate) in rates.iter().enumerate().take(at.rate(0)) {
            let (s, r) = (&self.axis[i], &self.reduced[i]);
            for side in 0..2 {
                net[s.pump] -= s.port[side].drawn_own * r.by_rate[s.port_node(side)] * rate;
            }
        }
        let mut right = [0.0; PUMPS_MAX];
        for k in 0..pumps {
            let p = &self.pump[k];
            let swash = x[at.swash(k)] / (1.0 - self.reach * p.swash_own);
            right[k] = x[at.manifold(k)] + self.reach * p.push * (net[k] + p.by_swash * swash);
        }
        for k in 0..pumps {
            let p = &self.pump[k];
            manifold[k] = self.manifolds[k][0] * right[0] + self.manifolds[k][1] * right[1];
            x[at.manifold(k)] = manifold[k];
            let lag = 1.0 / (1.0 - self.reach * p.swash_own);
            x[at.swash(k)] = lag * (x[at.swash(k)] + self.reach * p.swash_by_pressure * manifold[k]);
        }
        manifold
    }
}

fn dot(a: [f64; 2], b: &PerNode) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}
