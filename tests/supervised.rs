//! Supervision alone, by its front door: what `stages_sense` and `watch` stand on.

use bellcrank_core::Machine;
use bellcrank_core::inputs::{Inputs, Relays};
use bellcrank_core::last_tick::LastTick;
use bellcrank_core::machine::PerAxis;
use bellcrank_core::sense::{AxisPosture, Posture};
use bellcrank_core::stamp::Stamp;
use bellcrank_core::supervise::{Action, Permit, Supervise};

use crate::check::Bench;

/// Supervision alone, of a machine whose axes are where they are.
pub struct Watched<'m> {
    pub machine: &'m Machine,
    pub supervise: Supervise,
    pub inputs: Inputs,
    pub posture: Posture,
    pub last: LastTick,
}

impl<'m> Watched<'m> {
    /// Enabled at the seat.
    pub fn enabled(machine: &'m Machine) -> Self {
        let axis = AxisPosture {
            known: true,
            ratio: 1.0,
            ..AxisPosture::default()
        };
        let mut bench = Bench::ready(machine);
        bench.tick();
        let mut watched = Self {
            machine,
            supervise: Supervise::default(),
            inputs: Inputs {
                relays: Relays::default(),
                ..bench.inputs
            },
            posture: Posture {
                stamp: Stamp::sensed(1),
                axes: PerAxis::all(axis),
                ..bench.posture()
            },
            last: LastTick::default(),
        };
        for _ in 0..100 {
            watched.step();
        }
        watched.posture.switches.seat_enable = true;
        assert_eq!(watched.step().action, Action::Drive);
        watched
    }

    pub fn step(&mut self) -> Permit {
        self.supervise
            .step(self.machine, &self.posture, &self.inputs, &self.last)
    }
}
