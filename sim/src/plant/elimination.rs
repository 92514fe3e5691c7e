//! The linear system of an implicit step, taken apart by hand.
//!
//! An implicit step solves `(I - h J) x = b`. J has structure, so no general matrix is ever formed. A spool depends on
//! itself alone: solved first. An axis's pressures (two, or four with the lines of a load-holding valve) depend on each
//! other, its own spool, its own rate, and its pump's manifold: a small matrix, expressed through the rate and the
//! manifold's pressure. What is left is one symmetric system in the joint rates, `M` plus a diagonal (oil spring,
//! friction, stops), with the mechanism's own sparsity, and the manifolds' pressures as a border of one or two columns. J
//! leaves out how M, c, g and r change with the pose, how E and v change in manifolds and lines, what engine and pumps do
//! to each other, and what load sensing passes on; on a test bench nothing of that is there, and J is complete.

use nalgebra::Matrix4;

use super::hydraulics::PortSlopes;
use super::layout::{self, A, ANGLE, B, Block, Layout, RATE, SPOOL, SPOOL_RATE};
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
    /// The first of its two line states, counted from what is behind the axes' blocks, if it has lines.
    pub lines: Option<usize>,
    /// Swept volume per joint angle, out of chamber A and out of chamber B; also the joint torque per pressure.
    pub sweep: [f64; 2],
    /// Pressure rise per volume in each chamber, Pa/m³.
    pub rise: [f64; 2],
    /// Rate of each chamber's pressure, per joint angle, Pa/s.
    pub by_angle: [f64; 2],
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

    fn port_nodes(&self) -> [usize; 2] {
        if self.lines.is_some() { [2, 3] } else { [0, 1] }
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

impl PumpSlopes {
    /// Share of a change of the swash that is there at the end of a step.
    fn lag(&self, reach: f64) -> f64 {
        1.0 / (1.0 - reach * self.swash_own)
    }
}

/// Everything about one axis, for one step length.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Reduced {
    /// Inverse of the nodes' matrix.
    inverse: [PerNode; NODES],
    /// Node pressures per spool position, joint rate and manifold pressure.
    by_spool: PerNode,
    by_rate: PerNode,
    by_manifold: PerNode,
    /// Chamber pressures per joint angle, before the nodes act on each other.
    by_angle: [f64; 2],
    reach: f64,
    /// Of the spool: what its position takes from its rate, one over the rate's own coefficient, and what the rate gives
    /// to the position.
    spool_pull: f64,
    spool_share: f64,
    spool_reach: f64,
    /// Joint torque per angle and per pressure of each chamber, over the step.
    spring: f64,
    torque: [f64; 2],
    /// Flow drawn from the manifold per pressure in each port, per spool position, and per joint rate.
    drawn: [f64; 2],
    drawn_spool: f64,
    drawn_by_rate: f64,
}

/// The slopes at one point, and what they come to for one step length.
#[derive(Debug, Clone)]
pub(super) struct Elimination {
    pub axis: [AxisSlopes; JOINTS_MAX],
    pub pump: [PumpSlopes; PUMPS_MAX],
    /// Of the engine's speed over itself, 1/s.
    pub engine: f64,
    reach: f64,
    reduced: [Reduced; JOINTS_MAX],
    /// The mass matrix, and what belongs to the joint rates, factored.
    mass: TreeMatrix,
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
            engine: 0.0,
            reach: 0.0,
            reduced: [Reduced::default(); JOINTS_MAX],
            mass: TreeMatrix::zero(),
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
        self.mass.copy(tree, mass);
        self.rates.copy(tree, mass);
        let n = tree.len();
        for (i, (s, r)) in self.axis.iter().zip(&mut self.reduced).enumerate().take(n) {
            r.reduce(s, reach);
            self.rates.add(i, -reach * r.stiff(s));
        }
        self.rates.factor(tree);
        if pumps > 0 {
            self.factor_manifolds(tree, pumps);
        }
    }

    fn factor_manifolds(&mut self, tree: &Tree, pumps: usize) {
        let (n, reach) = (tree.len(), self.reach);
        let mut own = [[0.0; PUMPS_MAX]; PUMPS_MAX];
        for k in 0..pumps {
            let border = &mut self.border[k][..n];
            for (border, (s, r)) in border.iter_mut().zip(self.axis.iter().zip(&self.reduced)) {
                *border = if s.pump == k {
                    dot(r.torque, &r.by_manifold)
                } else {
                    0.0
                };
            }
            self.rates.solve(tree, border);
            let p = &self.pump[k];
            own[k][k] = p.own + p.by_swash * p.lag(reach) * reach * p.swash_by_pressure;
        }
        for (i, (s, r)) in self.axis.iter().zip(&self.reduced).enumerate().take(n) {
            let ports = s.port_nodes();
            for (own, border) in own[s.pump].iter_mut().zip(&self.border).take(pumps) {
                *own -= r.drawn_by_rate * border[i];
            }
            let of = |side: usize| r.drawn[side] * (r.by_manifold[ports[side]] - 1.0);
            own[s.pump][s.pump] -= of(0) + of(1);
        }
        let row = |k: usize, l: usize| f64::from(u8::from(k == l)) - reach * self.pump[k].push * own[k][l];
        let det = row(0, 0) * row(1, 1) - row(0, 1) * row(1, 0);
        self.manifolds = [[row(1, 1) / det, -row(0, 1) / det], [-row(1, 0) / det, row(0, 0) / det]];
    }

    /// Solves `(I - reach J) x = x` in place.
    pub(super) fn solve(&self, tree: &Tree, at: &Layout, x: &mut [f64]) {
        let n = tree.len();
        let (blocks, behind) = layout::blocks_mut(n, x);
        if let Some(engine) = at.engine() {
            behind[engine - at.behind()] /= 1.0 - self.reach * self.engine;
        }
        let mut rates = [0.0; JOINTS_MAX];
        for (rate, block) in rates.iter_mut().zip(&*blocks) {
            *rate = block[RATE];
        }
        let mut rates = self.mass.times(tree, &rates[..n]);
        let mut net = [0.0; PUMPS_MAX];
        for (((block, rate), s), r) in blocks.iter_mut().zip(&mut rates).zip(&self.axis).zip(&self.reduced) {
            let lines = s.lines.and_then(|line| behind[line..].first_chunk_mut());
            let (torque, drawn) = r.solve_own(block, lines);
            *rate += torque;
            net[s.pump] -= drawn;
        }
        self.rates.solve(tree, &mut rates[..n]);
        let manifold = self.solve_manifolds(at, &rates[..n], net, behind);
        for (i, (((block, rate), s), r)) in
            (blocks.iter_mut().zip(&rates).zip(&self.axis).zip(&self.reduced)).enumerate()
        {
            let rate = rate + self.border[0][i] * manifold[0] + self.border[1][i] * manifold[1];
            let lines = s.lines.and_then(|line| behind[line..].first_chunk_mut());
            r.put_in(rate, manifold[s.pump], block, lines);
        }
    }

    /// The manifolds' pressures, with the swashes behind them. `behind` is what is behind the axes' blocks.
    fn solve_manifolds(
        &self,
        at: &Layout,
        rates: &[f64],
        mut net: [f64; PUMPS_MAX],
        behind: &mut [f64],
    ) -> [f64; PUMPS_MAX] {
        let (mut manifold, mut right) = ([0.0; PUMPS_MAX], [0.0; PUMPS_MAX]);
        let pumps = at.pumps();
        if pumps == 0 {
            return manifold;
        }
        for ((s, r), rate) in self.axis.iter().zip(&self.reduced).zip(rates) {
            net[s.pump] -= r.drawn_by_rate * rate;
        }
        let swash = |k: usize| at.swash(k) - at.behind();
        let pressure = |k: usize| at.manifold(k) - at.behind();
        for (k, p) in self.pump.iter().enumerate().take(pumps) {
            let from_swash = p.by_swash * p.lag(self.reach) * behind[swash(k)];
            right[k] = behind[pressure(k)] + self.reach * p.push * (net[k] + from_swash);
        }
        for (k, p) in self.pump.iter().enumerate().take(pumps) {
            manifold[k] = self.manifolds[k][0] * right[0] + self.manifolds[k][1] * right[1];
            behind[pressure(k)] = manifold[k];
            behind[swash(k)] = p.lag(self.reach) * (behind[swash(k)] + self.reach * p.swash_by_pressure * manifold[k]);
        }
        manifold
    }
}

impl Reduced {
    /// Solves an axis by itself, with its joint at rest and its manifold at no pressure: its share of the right-hand side
    /// of its joint, and the flow that it draws.
    #[inline]
    pub(super) fn solve_own(&self, block: &mut Block, lines: Option<&mut [f64; 2]>) -> (f64, f64) {
        block[SPOOL_RATE] = (block[SPOOL_RATE] - self.spool_pull * block[SPOOL]) * self.spool_share;
        block[SPOOL] += self.spool_reach * block[SPOOL_RATE];
        let angle = block[ANGLE];
        let spool = block[SPOOL];
        let (a, b) = (block[A] + self.by_angle[0] * angle, block[B] + self.by_angle[1] * angle);
        let two = |k: usize| self.inverse[k][0] * a + self.inverse[k][1] * b + self.by_spool[k] * spool;
        let mut own = [two(0), two(1)];
        let mut port = own;
        if let Some(lines) = lines {
            let [line_a, line_b] = lines;
            let four = |k: usize| two(k) + self.inverse[k][2] * *line_a + self.inverse[k][3] * *line_b;
            (own, port) = ([four(0), four(1)], [four(2), four(3)]);
            (*line_a, *line_b) = (port[0], port[1]);
        }
        (block[A], block[B]) = (own[0], own[1]);
        let torque = self.spring * block[ANGLE] + self.torque[0] * own[0] + self.torque[1] * own[1];
        let drawn = self.drawn[0] * port[0] + self.drawn[1] * port[1] + self.drawn_spool * spool;
        (torque, drawn)
    }

    /// Puts in the joint's rate and the manifold's pressure, once they are known.
    #[inline]
    pub(super) fn put_in(&self, rate: f64, manifold: f64, block: &mut Block, lines: Option<&mut [f64; 2]>) {
        block[RATE] = rate;
        block[ANGLE] += self.reach * rate;
        block[A] += self.by_rate[0] * rate + self.by_manifold[0] * manifold;
        block[B] += self.by_rate[1] * rate + self.by_manifold[1] * manifold;
        if let Some(lines) = lines {
            let [line_a, line_b] = lines;
            *line_a += self.by_rate[2] * rate + self.by_manifold[2] * manifold;
            *line_b += self.by_rate[3] * rate + self.by_manifold[3] * manifold;
        }
    }

    /// What the joint's own coefficient gains, over `reach`.
    #[inline]
    pub(super) fn stiff(&self, s: &AxisSlopes) -> f64 {
        s.damping + self.spring + dot(s.sweep, &self.by_rate)
    }

    /// What an axis's slopes come to.
    #[inline]
    pub(super) fn reduce(&mut self, s: &AxisSlopes, reach: f64) {
        self.reach = reach;
        // A spool that sticks is left as it is.
        (self.spool_pull, self.spool_share, self.spool_reach) = s.spool.map_or((0.0, 1.0, 0.0), |(square, decay)| {
            let share = 1.0 / (1.0 + reach * (decay + reach * square));
            (reach * square, share, reach)
        });
        let flow = |k: usize| reach * s.node[k].push;
        if s.lines.is_some() {
            let matrix = Matrix4::from_fn(|k, l| f64::from(u8::from(k == l)) - flow(k) * s.node[k].by[l]);
            // A singular one makes a step of no numbers, which the integrator throws away.
            let inverse = matrix.try_inverse().unwrap_or_else(|| Matrix4::from_element(f64::NAN));
            self.inverse = std::array::from_fn(|k| std::array::from_fn(|l| inverse[(k, l)]));
        } else {
            let (a, b) = (flow(0), flow(1));
            let (aa, bb) = (1.0 - a * s.node[0].by[0], 1.0 - b * s.node[1].by[1]);
            let (ab, ba) = (-a * s.node[0].by[1], -b * s.node[1].by[0]);
            let per = 1.0 / (aa * bb - ab * ba);
            (self.inverse[0][0], self.inverse[0][1]) = (bb * per, -ab * per);
            (self.inverse[1][0], self.inverse[1][1]) = (-ba * per, aa * per);
        }
        let ports = s.port_nodes();
        let fed = ports.map(|k| flow(k) * s.node[k].supply);
        let moved = ports.map(|k| flow(k) * s.node[k].spool);
        self.by_angle = s.by_angle.map(|by_angle| reach * by_angle);
        let swept = [0, 1].map(|side| reach * (self.by_angle[side] - s.rise[side] * s.sweep[side]));
        for k in 0..s.nodes() {
            let row = &self.inverse[k];
            self.by_rate[k] = row[0] * swept[0] + row[1] * swept[1];
            self.by_manifold[k] = row[ports[0]] * fed[0] + row[ports[1]] * fed[1];
            self.by_spool[k] = row[ports[0]] * moved[0] + row[ports[1]] * moved[1];
        }
        self.spring = reach * s.spring;
        self.torque = s.sweep.map(|sweep| reach * sweep);
        self.drawn = [s.port[0].drawn_own, s.port[1].drawn_own];
        self.drawn_spool = s.port[0].drawn_spool + s.port[1].drawn_spool;
        self.drawn_by_rate = self.drawn[0] * self.by_rate[ports[0]] + self.drawn[1] * self.by_rate[ports[1]];
    }
}

fn dot(a: [f64; 2], b: &PerNode) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}
