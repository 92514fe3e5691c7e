//! The controller: six calls in a row.

use crate::drive::Drive;
use crate::gate::Gate;
use crate::guard;
use crate::inputs::Inputs;
use crate::last_tick::LastTick;
use crate::machine::Machine;
use crate::outputs::Outputs;
use crate::plan::Plan;
use crate::sense::{Posture, Sense};
use crate::supervise::{EventLog, RECORD_LEN, Record, Supervise};

/// The whole control core of one machine.
#[derive(Debug, Clone)]
pub struct Controller<'m> {
    machine: &'m Machine,
    sense: Sense,
    supervise: Supervise,
    plan: Plan,
    drive: Drive,
    gate: Gate,
    posture: Option<Posture>,
    last: LastTick,
}

impl<'m> Controller<'m> {
    /// A controller that has just been switched on: in self-test, without power.
    pub fn new(machine: &'m Machine) -> Self {
        Self {
            machine,
            sense: Sense::default(),
            supervise: Supervise::default(),
            plan: Plan::default(),
            drive: Drive::default(),
            gate: Gate::default(),
            posture: None,
            last: LastTick::default(),
        }
    }

    /// The same, told what [`Self::record`] was when it last ran, as the board has kept it.
    pub fn restarted(machine: &'m Machine, kept: [u8; RECORD_LEN]) -> Self {
        Self {
            supervise: Supervise::after(Record::read(kept)),
            ..Self::new(machine)
        }
    }

    /// One tick: from what is read to what is commanded. A function of what the controller remembers and of `inputs` alone.
    pub fn tick(&mut self, inputs: &Inputs) -> Outputs {
        let posture = self.sense.step(self.machine, inputs);
        let permit = self.supervise.step(self.machine, &posture, inputs, &self.last);
        let wanted = self.plan.step(self.machine, &posture, &permit, inputs);
        let (rates, guarded) = guard::step(self.machine, &posture, &permit, &wanted);
        let driven = self.drive.step(self.machine, &posture, &permit, &rates);
        let outputs = self
            .gate
            .step(self.machine, inputs, &permit, driven.stamp, &driven.valves);

        self.posture = Some(posture);
        self.last = LastTick {
            guarded,
            refused: wanted.refused,
            driven,
            relays: outputs.relays,
            tips: wanted.tips,
            tip_velocities: wanted.tip_velocities,
        };
        outputs
    }

    /// What the board is to keep where it outlives the power, and to write whenever it changes.
    pub fn record(&self) -> [u8; RECORD_LEN] {
        self.supervise.record().bytes()
    }

    /// What was noticed, and how often.
    pub fn log(&self) -> &EventLog {
        self.supervise.log()
    }

    /// Where the last tick found the machine.
    pub fn posture(&self) -> Option<&Posture> {
        self.posture.as_ref()
    }

    /// What the last tick held back and commanded.
    pub fn last_tick(&self) -> &LastTick {
        &self.last
    }
}
