//! A load-holding valve: oil goes freely to the actuator, and back only where the valve is opened.
//!
//! Flow from line to chamber: `K root(line - chamber)` in the free direction, `x K root(line - chamber)` in the other.
//! The opening x grows from 0 to 1 over `band`, once
//!
//! - counterbalance: chamber + ratio · opposite line exceeds the setting (drained spring; PV-41);
//! - lock (pilot-operated check): ratio · opposite line exceeds chamber + spring.
//!
//! A side without a valve is a pipe that is always open, and so is one whose valve sticks open.

use bellcrank_machine::description::{Holding, HoldingKind};

use super::hydraulics::Root;

/// The flow starts laminar below this drop, Pa.
const BLEND: f64 = 1e5;

/// The valves of both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct HoldingValve {
    on: [bool; 2],
    conductance: f64,
    /// Opening per pressure of its own chamber, of the opposite line, and its negative threshold; over `band`.
    own: f64,
    pilot: f64,
    threshold: f64,
    root: Root,
    line: [f64; 2],
    stuck_open: bool,
}

/// Flow from a line to its chamber, and its slopes over the pressures in the line, the chamber and the opposite line.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Through {
    /// m³/s.
    pub flow: f64,
    /// Per pressure in the line.
    pub line: f64,
    /// Per pressure in the chamber.
    pub chamber: f64,
    /// Per pressure in the opposite line.
    pub pilot: f64,
}

impl HoldingValve {
    /// As the machine file describes it.
    pub fn new(holding: &Holding) -> HoldingValve {
        let (own, threshold) = match holding.kind {
            HoldingKind::Counterbalance { setting } => (1.0, setting),
            HoldingKind::Lock { spring } => (-1.0, spring),
        };
        HoldingValve {
            on: holding.on,
            conductance: holding.flow / holding.drop.sqrt(),
            own: own / holding.band,
            pilot: holding.pilot_ratio / holding.band,
            threshold: threshold / holding.band,
            root: Root::new(BLEND),
            line: holding.line,
            stuck_open: false,
        }
    }

    /// Holds the valves of both sides open, or lets them go.
    pub fn stick_open(&mut self, stuck: bool) {
        self.stuck_open = stuck;
    }

    /// Oil in the two lines, m³.
    pub fn lines(&self) -> [f64; 2] {
        self.line
    }

    /// Opening of a side's valve, 0 to 1.
    pub fn opening(&self, side: usize, chamber: f64, opposite_line: f64) -> f64 {
        if self.on[side] && !self.stuck_open {
            (self.own * chamber + self.pilot * opposite_line - self.threshold).clamp(0.0, 1.0)
        } else {
            1.0
        }
    }

    /// Flow from line to chamber on one side.
    pub fn flow(&self, side: usize, line: f64, chamber: f64, opposite_line: f64) -> f64 {
        let drop = line - chamber;
        let open = if drop > 0.0 {
            1.0
        } else {
            self.opening(side, chamber, opposite_line)
        };
        open * self.conductance * self.root.of(drop)
    }

    /// The flow with its slopes.
    pub fn through(&self, side: usize, line: f64, chamber: f64, opposite_line: f64) -> Through {
        let drop = line - chamber;
        let opening = self.opening(side, chamber, opposite_line);
        let open = if drop > 0.0 { 1.0 } else { opening };
        let full = self.conductance * self.root.of(drop);
        let over_drop = open * self.conductance * self.root.slope(drop);
        let moves = drop <= 0.0 && opening > 0.0 && opening < 1.0;
        let (own, pilot) = if moves {
            (self.own * full, self.pilot * full)
        } else {
            (0.0, 0.0)
        };
        Through {
            flow: open * full,
            line: over_drop,
            chamber: own - over_drop,
            pilot,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slopes_are_those_of_the_flow() {
        let holding = Holding {
            kind: HoldingKind::Counterbalance { setting: 250e5 },
            on: [true, false],
            pilot_ratio: 3.0,
            flow: 1e-3,
            drop: 10e5,
            band: 60e5,
            line: [2e-4; 2],
        };
        let lock = Holding {
            kind: HoldingKind::Lock { spring: 2e5 },
            ..holding.clone()
        };
        for valve in [HoldingValve::new(&holding), HoldingValve::new(&lock)] {
            for side in [0, 1] {
                for at in [
                    [60e5, 90e5, 20e5],
                    [20e5, 120e5, 50e5],
                    [20e5, 150e5, 48e5],
                    [3e5, 3.4e5, 9e5],
                ] {
                    let flow = |p: [f64; 3]| valve.flow(side, p[0], p[1], p[2]);
                    let through = valve.through(side, at[0], at[1], at[2]);
                    assert!((through.flow - flow(at)).abs() < 1e-15);
                    for (k, slope) in [through.line, through.chamber, through.pilot].into_iter().enumerate() {
                        let moved = |by: f64| {
                            let mut p = at;
                            p[k] += by;
                            flow(p)
                        };
                        let numeric = (moved(10.0) - moved(-10.0)) / 20.0;
                        assert!(
                            (slope - numeric).abs() <= 1e-5 * numeric.abs() + 1e-18,
                            "{side} {at:?} {k}: {slope} {numeric}"
                        );
                    }
                }
            }
        }
    }
}
