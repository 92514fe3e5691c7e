//! Where each state is: a block of six for each axis, then the supply, then the lines of load-holding valves.

use super::oil::ATMOSPHERE;
use super::tree::JOINTS_MAX;

/// Most states of a plant: six an axis, two lines an axis, two pumps, one engine.
pub const STATES_MAX: usize = 8 * JOINTS_MAX + 5;

/// States of an axis, and what each is.
pub(super) const BLOCK: usize = 6;
pub(super) const ANGLE: usize = 0;
pub(super) const RATE: usize = 1;
pub(super) const A: usize = 2;
pub(super) const B: usize = 3;
pub(super) const SPOOL: usize = 4;
pub(super) const SPOOL_RATE: usize = 5;
/// An axis's states, or their rates.
pub(super) type Block = [f64; BLOCK];

/// What counts as middling for a pressure, Pa, and for anything that is neither a pressure nor a spool's rate.
pub(super) const MIDDLING_PRESSURE: f64 = 1e6;
pub(super) const MIDDLING: f64 = 0.1;

/// What counts as a middling value of an axis's state, by its place in the block.
pub(super) fn middling(place: usize) -> f64 {
    match place {
        A | B => MIDDLING_PRESSURE,
        SPOOL_RATE => 10.0,
        _ => MIDDLING,
    }
}

/// What a state cannot fall to: absolute pressure zero, if it is a pressure.
pub(super) fn least(is_pressure: bool) -> f64 {
    if is_pressure { -ATMOSPHERE } else { f64::NEG_INFINITY }
}

/// The blocks of the axes, and everything behind them.
#[inline]
pub(super) fn blocks(axes: usize, states: &[f64]) -> (&[Block], &[f64]) {
    let (blocks, rest) = states.split_at(BLOCK * axes);
    (blocks.as_chunks().0, rest)
}

/// The same to be written to.
#[inline]
pub(super) fn blocks_mut(axes: usize, states: &mut [f64]) -> (&mut [Block], &mut [f64]) {
    let (blocks, rest) = states.split_at_mut(BLOCK * axes);
    (blocks.as_chunks_mut().0, rest)
}

/// Where things are in the states.
#[derive(Debug, Clone, Copy)]
pub struct Layout {
    n: usize,
    pumps: usize,
    engine: bool,
    /// For each axis, how many axes up to and with it have lines; 0 where it has no lines itself.
    lines: [u8; JOINTS_MAX],
    count: usize,
}

impl Layout {
    /// For axes of which some have lines, and so many pumps, on an engine or not.
    pub fn new(lines: &[bool], pumps: usize, engine: bool) -> Layout {
        let mut layout = Layout {
            n: lines.len(),
            pumps,
            engine,
            lines: [0; JOINTS_MAX],
            count: 0,
        };
        let mut with = 0;
        for (number, has) in layout.lines.iter_mut().zip(lines) {
            if *has {
                with += 1;
                *number = with;
            }
        }
        layout.count = layout.first_line() + 2 * usize::from(with);
        layout
    }

    /// For one axis without lines on an ideal supply.
    pub fn single() -> Layout {
        Layout::new(&[false], 0, false)
    }

    /// Number of pumps.
    pub fn pumps(&self) -> usize {
        self.pumps
    }
    /// Number of states.
    pub fn count(&self) -> usize {
        self.count
    }
    /// Angle of a joint.
    pub fn angle(&self, axis: usize) -> usize {
        BLOCK * axis + ANGLE
    }
    /// Rate of a joint.
    pub fn rate(&self, axis: usize) -> usize {
        BLOCK * axis + RATE
    }
    /// Pressure of the extending chamber.
    pub fn a(&self, axis: usize) -> usize {
        BLOCK * axis + A
    }
    /// Pressure of the retracting chamber.
    pub fn b(&self, axis: usize) -> usize {
        BLOCK * axis + B
    }
    /// Spool.
    pub fn spool(&self, axis: usize) -> usize {
        BLOCK * axis + SPOOL
    }
    /// Spool rate.
    pub fn spool_rate(&self, axis: usize) -> usize {
        BLOCK * axis + SPOOL_RATE
    }
    /// Pressure of a pump's manifold.
    pub fn manifold(&self, pump: usize) -> usize {
        BLOCK * self.n + 2 * pump
    }
    /// Swash of a pump.
    pub fn swash(&self, pump: usize) -> usize {
        BLOCK * self.n + 2 * pump + 1
    }
    /// Speed of the engine, relative to its rated one; there if there is an engine.
    pub fn engine(&self) -> Option<usize> {
        self.engine.then_some(BLOCK * self.n + 2 * self.pumps)
    }
    /// Where what is behind the blocks of the axes starts.
    pub(super) fn behind(&self) -> usize {
        BLOCK * self.n
    }
    /// Pressures of an axis's two lines, the second right after the first.
    pub fn line(&self, axis: usize) -> Option<usize> {
        match self.lines[axis] {
            0 => None,
            number => Some(self.first_line() + 2 * (usize::from(number) - 1)),
        }
    }

    fn first_line(&self) -> usize {
        BLOCK * self.n + 2 * self.pumps + usize::from(self.engine)
    }

    /// What a state is, in words.
    pub fn name(&self, state: usize) -> String {
        if state < BLOCK * self.n {
            let kind = ["angle", "rate", "pressure A", "pressure B", "spool", "spool rate"][state % BLOCK];
            return format!("{kind} of axis {}", state / BLOCK);
        }
        if Some(state) == self.engine() {
            return "engine speed".to_owned();
        }
        if state < BLOCK * self.n + 2 * self.pumps {
            let rest = state - BLOCK * self.n;
            return format!("{} of pump {}", ["manifold pressure", "swash"][rest % 2], rest / 2 + 1);
        }
        let rest = state - self.first_line();
        let axis = self
            .lines
            .iter()
            .position(|number| usize::from(*number) == rest / 2 + 1);
        format!("line {} of axis {}", ["A", "B"][rest % 2], axis.unwrap_or(self.n))
    }
}
