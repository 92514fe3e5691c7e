//! One axis of the plant, from its valve section to its stroke: what it does, and the slopes of that.

use std::sync::Arc;

use super::chambers::Chambers;
use super::elimination::{AxisSlopes, Node};
use super::holding::HoldingValve;
use super::hydraulics::{Flows, Ports, Root, Section};
use super::layout::{A, ANGLE, B, Block, RATE, SPOOL, SPOOL_RATE};
use super::linkage::Linkage;
use super::oil::Law;
use super::resistance::Resistance;
use super::spool::{Path, Spool};

/// A burst hose's flow starts laminar below this pressure, Pa.
pub(super) const BURST_BLEND: f64 = 1e5;

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
    /// What holds until the next inputs, and where it is.
    pub now: Now,
}

/// What holds for an axis until the next inputs, and where it was at the last evaluation.
#[derive(Debug, Clone, Copy, Default)]
pub struct Now {
    /// What the spool is told; none while it sticks.
    pub(super) told: Option<f64>,
    /// Leakage by a fault, m³/(s Pa).
    pub(super) extra_leak: f64,
    /// Holes in the hoses at its ports, m³/(s √Pa).
    pub(super) burst: Option<[f64; 2]>,
    pub(super) stroke: f64,
    pub(super) ratio: f64,
    speed: f64,
    grip: f64,
    /// Pressure rise per volume in each chamber, Pa/m³, and per volume at atmospheric density.
    rise: [f64; 2],
    push: [f64; 2],
    /// Flow into each chamber at atmospheric density, and what moving sweeps out of it, m³/s.
    into: [f64; 2],
    swept: [f64; 2],
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

/// The pressures on an axis: in its chambers, and around its valve section (whose ports are the chambers where there are
/// no lines).
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Chambers A and B, Pa.
    pub chamber: [f64; 2],
    /// Around the valve section, with its spool.
    pub ports: Ports,
}

/// What an axis does to everything else.
#[derive(Debug, Clone, Copy)]
pub(super) struct Work {
    /// Torque on the joint, N m.
    pub torque: f64,
    /// Flow from the pressure line, m³/s.
    pub drawn: f64,
    /// Rates of the pressures in its lines, if it has lines, Pa/s.
    pub lines: [f64; 2],
}

impl Place {
    #[inline]
    pub(super) fn new(now: &Block, lines: Option<[f64; 2]>, (supply, tank): (f64, f64)) -> Place {
        let chamber = [now[A], now[B]];
        let [a, b] = lines.unwrap_or(chamber);
        let spool = now[SPOOL];
        let ports = Ports {
            supply,
            tank,
            a,
            b,
            spool,
        };
        Place { chamber, ports }
    }
}

impl Axis {
    /// All flows, each by itself.
    #[inline]
    pub(super) fn flows(&self, at: &Place, burst: &Root) -> AxisFlows {
        let leak = self.chambers.leak() + self.now.extra_leak;
        let (port, chamber) = ([at.ports.a, at.ports.b], at.chamber);
        let mut flows = AxisFlows {
            section: self.section.flows(&at.ports),
            leak: leak * (chamber[0] - chamber[1]),
            ..AxisFlows::default()
        };
        if let Some(hole) = self.now.burst {
            flows.burst = [hole[0] * burst.of(port[0]), hole[1] * burst.of(port[1])];
        }
        if let Some(holding) = &self.holding {
            let through = |side: usize| holding.flow(side, port[side], chamber[side], port[1 - side]);
            flows.through = [through(0), through(1)];
        }
        flows
    }

    /// Takes stroke, ratio and speed at these states.
    #[inline]
    pub(super) fn measure(&mut self, now: &Block) {
        (self.now.stroke, self.now.ratio) = self.linkage.stroke_and_ratio(now[ANGLE]);
        self.now.speed = self.now.ratio * now[RATE];
        self.now.grip = self.resistance.grip(self.now.speed);
    }

    /// Rates of its own states where it was measured, the joint's left out, and what it does to everything else.
    #[inline]
    pub(super) fn work(&mut self, now: &Block, at: &Place, law: &Law, burst: &Root, rates: &mut Block) -> Work {
        let Now { speed, grip, .. } = self.now;
        let force = self.chambers.force(at.chamber) + self.resistance.force(self.now.stroke, speed, grip);
        let oil = at.chamber.map(|p| law.at(p));
        let rise = self.chambers.stiffness(self.now.stroke, at.chamber, oil);
        (self.now.rise, self.now.push) = (rise, [rise[0] * oil[0].volume, rise[1] * oil[1].volume]);
        let swept = self.chambers.swept(speed, oil);
        let flows = self.flows(at, burst);
        let mut into = [
            flows.section.into_a() - flows.burst[0],
            flows.section.into_b() - flows.burst[1],
        ];
        let mut lines = [0.0; 2];
        if let Some(holding) = &self.holding {
            let (volume, port) = (holding.lines(), [at.ports.a, at.ports.b]);
            for side in 0..2 {
                lines[side] = law.at(port[side]).push(volume[side]) * (into[side] - flows.through[side]);
            }
            into = flows.through;
        }
        let into = [into[0] - flows.leak, into[1] + flows.leak];
        (self.now.into, self.now.swept) = (into, swept);
        rates[ANGLE] = now[RATE];
        rates[A] = rise[0] * (oil[0].volume * into[0] - swept[0]);
        rates[B] = rise[1] * (oil[1].volume * into[1] - swept[1]);
        (rates[SPOOL], rates[SPOOL_RATE]) = match self.now.told {
            Some(told) => (
                now[SPOOL_RATE],
                self.spool.acceleration(told, now[SPOOL], now[SPOOL_RATE]),
            ),
            None => (0.0, 0.0),
        };
        Work {
            torque: self.now.ratio * force,
            drawn: flows.section.from_supply(),
            lines,
        }
    }

    /// The slopes of [`Axis::work`], where it was called last.
    #[inline]
    pub(super) fn slopes(&self, at: &Place, law: &Law, burst: &Root, slopes: &mut AxisSlopes) {
        let Now {
            stroke,
            ratio,
            speed,
            grip,
            rise,
            push,
            ..
        } = self.now;
        let Place { chamber, ports } = *at;
        let (spring, damping) = self.resistance.slopes(stroke, speed, grip);
        let area = self.chambers.areas();
        slopes.pump = self.pump;
        slopes.sweep = [area[0] * ratio, -area[1] * ratio];
        slopes.rise = rise;
        (slopes.spring, slopes.damping) = (ratio * ratio * spring, ratio * ratio * damping);
        slopes.spool = self.now.told.map(|told| self.spool.slopes(told, ports.spool));
        slopes.port = self.section.slopes(&ports);
        let leak = self.chambers.leak() + self.now.extra_leak;
        let AxisSlopes { node, port, .. } = slopes;
        let pressure = [ports.a, ports.b];
        let drained = |side: usize| {
            let hole = self
                .now
                .burst
                .map_or(0.0, |hole| hole[side] * burst.slope(pressure[side]));
            port[side].own - hole
        };
        for side in 0..2 {
            node[side] = Node::new(push[side]);
            node[side].by[side] = -leak;
            node[side].by[1 - side] = leak;
            if self.holding.is_none() {
                node[side].feed(&port[side]);
                node[side].by[side] += drained(side);
            }
        }
        let Some(holding) = &self.holding else { return };
        let volume = holding.lines();
        for side in 0..2 {
            let (line, other) = (2 + side, 3 - side);
            let oil = law.at(pressure[side]);
            let through = holding.through(side, pressure[side], chamber[side], pressure[1 - side]);
            node[line] = Node::new(oil.push(volume[side]));
            node[line].feed(&port[side]);
            node[line].by[line] = drained(side) - through.line;
            node[line].by[side] = -through.chamber;
            node[line].by[other] = -through.pilot;
            node[side].by[side] += through.chamber;
            node[side].by[line] = through.line;
            node[side].by[other] = through.pilot;
        }
    }

    /// Whether [`Axis::finer_slopes`] leave nothing out: they do where a load-holding valve cuts lines off, and where a
    /// motor passes oil from side to side.
    pub(super) fn can_be_complete(&self) -> bool {
        self.holding.is_none() && !self.chambers.pass_oil()
    }

    /// What [`Axis::slopes`] leave out: stiffness changes with stroke and pressure, and what flows in is pressed together
    /// more.
    #[inline]
    pub(super) fn finer_slopes(&self, at: &Place, law: &Law, slopes: &mut AxisSlopes) {
        let Now {
            ratio,
            rise,
            push,
            into,
            swept,
            ..
        } = self.now;
        for side in 0..2 {
            let (oil, changing) = (law.at(at.chamber[side]), law.changing(at.chamber[side]));
            let (over_stroke, over_pressure) = self.chambers.stiffening(side, rise[side], oil, changing);
            let net = into[side] - swept[side] / oil.volume;
            slopes.by_angle[side] = push[side] * net * over_stroke * ratio;
            slopes.node[side].by[side] += net * over_pressure - into[side] * changing.volume;
        }
    }
}
