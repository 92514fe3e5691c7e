//! Where each state is: one block for each kind, an entry an axis, then the supply, then the lines of load-holding valves.

use super::tree::JOINTS_MAX;

/// Most states of a plant: six an axis, two lines an axis, two pumps, one engine.
pub const STATES_MAX: usize = 8 * JOINTS_MAX + 5;

/// Where each block of states starts.
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

    /// Number of states.
    pub fn count(&self) -> usize {
        self.count
    }
    /// Rate of a joint; its angle is the joint's number.
    pub fn rate(&self, axis: usize) -> usize {
        self.n + axis
    }
    /// Pressure of the extending chamber.
    pub fn a(&self, axis: usize) -> usize {
        2 * self.n + axis
    }
    /// Pressure of the retracting chamber.
    pub fn b(&self, axis: usize) -> usize {
        3 * self.n + axis
    }
    /// Spool.
    pub fn spool(&self, axis: usize) -> usize {
        4 * self.n + axis
    }
    /// Spool rate.
    pub fn spool_rate(&self, axis: usize) -> usize {
        5 * self.n + axis
    }
    /// Pressure of a pump's manifold.
    pub fn manifold(&self, pump: usize) -> usize {
        6 * self.n + 2 * pump
    }
    /// Swash of a pump.
    pub fn swash(&self, pump: usize) -> usize {
        6 * self.n + 2 * pump + 1
    }
    /// Speed of the engine, relative to its rated one; there if there is an engine.
    pub fn engine(&self) -> Option<usize> {
        self.engine.then_some(6 * self.n + 2 * self.pumps)
    }
    /// Pressures of an axis's two lines, the second right after the first.
    pub fn line(&self, axis: usize) -> Option<usize> {
        match self.lines[axis] {
            0 => None,
            number => Some(self.first_line() + 2 * (usize::from(number) - 1)),
        }
    }

    fn first_line(&self) -> usize {
        6 * self.n + 2 * self.pumps + usize::from(self.engine)
    }

    /// What a state is, in words.
    pub fn name(&self, state: usize) -> String {
        if state < 6 * self.n {
            let kind = ["angle", "rate", "pressure A", "pressure B", "spool", "spool rate"][state / self.n];
            return format!("{kind} of axis {}", state % self.n);
        }
        if Some(state) == self.engine() {
            return "engine speed".to_owned();
        }
        if state < 6 * self.n + 2 * self.pumps {
            let rest = state - 6 * self.n;
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
