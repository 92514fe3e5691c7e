//! Gate: the last word on every output.
//!
//! Takes the [`Permit`], the raw stop switches and the duties; gives the [`Outputs`]. It holds nothing but the beat of the
//! external watchdog. It is right even if every stage before it is wrong: an open stop channel or a permit that does not
//! allow motion means neutral duties and no power, whatever the duties say; and a duty outside its channel's legal band is
//! brought to neutral.

use crate::inputs::Inputs;
use crate::machine::{Channel, Machine, PerAxis};
use crate::outputs::{Outputs, Status};
use crate::supervise::{Action, Permit, State};
use crate::units::Duty;

/// What the gate remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Gate {
    alive: bool,
}

impl Gate {
    /// The last word of this tick.
    ///
    /// Guaranteed: with a channel of the stop chain open, or without a permit, no power, the dump open and every duty neutral; with both,
    /// every duty in its channel's legal band or neutral. The engine runs on a closed chain and without a fault. `alive` turns over.
    pub fn step(&mut self, machine: &Machine, inputs: &Inputs, permit: &Permit, duties: &PerAxis<Duty>) -> Outputs {
        self.alive = !self.alive;
        let chain_closed = inputs.stop_chain == [true; 2];
        let powered = chain_closed && permit.action != Action::Cut;
        let mut out = PerAxis::default();
        for (id, axis) in machine.axes() {
            out.set(
                id,
                if powered {
                    legal(&axis.channel, duties.get(id))
                } else {
                    axis.channel.stay()
                },
            );
        }
        Outputs {
            duties: out,
            valve_power: powered,
            dump_closed: powered,
            engine_run: chain_closed && permit.state != State::Fault,
            alive: self.alive,
            status: Status {
                state: permit.state,
                cause: permit.cause.map(|(cause, _)| cause),
                axis: permit.cause.and_then(|(_, axis)| axis),
            },
        }
    }
}

fn legal(channel: &Channel, duty: Duty) -> Duty {
    // The band's own ends come out of a product and may be a rounding beyond themselves.
    let slack = 1e-6;
    let within = duty.share() >= channel.low - slack && duty.share() <= channel.high + slack;
    if within { duty } else { channel.stay() }
}
