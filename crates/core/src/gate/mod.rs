//! Gate: the last word on every output.
//!
//! Takes the [`Permit`], the raw stop switches and what is to go to the valves; gives the [`Outputs`]. It holds nothing but the beat
//! of the external watchdog. It is right even if every stage before it is wrong: an open stop channel or a permit that does not
//! allow motion closes every valve and takes its power, whatever it was to be told; and a signal that is outside its channel's
//! legal band, or of another kind than its channel, closes the valve: a neutral duty, no current in either coil, 0 V.

use crate::inputs::Inputs;
use crate::machine::{Channel, Coils, Machine, PerAxis, Voltage};
use crate::outputs::{Outputs, Status, ValveSignal};
use crate::supervise::{Action, Permit, State};

/// What the gate remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Gate {
    alive: bool,
}

impl Gate {
    /// The last word of this tick.
    ///
    /// Guaranteed: with a channel of the stop chain open, or without a permit, no power, the dump open and every valve told to close; with
    /// both, every valve told what is legal on its channel, or to close. The engine runs on a closed chain and without a fault. `alive`
    /// turns over.
    pub fn step(
        &mut self,
        machine: &Machine,
        inputs: &Inputs,
        permit: &Permit,
        valves: &PerAxis<ValveSignal>,
    ) -> Outputs {
        self.alive = !self.alive;
        let chain_closed = inputs.stop_chain == [true; 2];
        let powered = chain_closed && permit.action != Action::Cut;
        let mut out = PerAxis::default();
        for (id, axis) in machine.axes() {
            let told = Some(valves.get(id)).filter(|told| powered && legal(&axis.channel, told));
            out.set(id, told.unwrap_or_else(|| ValveSignal::stay(&axis.channel)));
        }
        Outputs {
            valves: out,
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

fn legal(channel: &Channel, told: &ValveSignal) -> bool {
    // The ends of what is legal come out of a product and may be a rounding beyond themselves.
    let slack = 1e-6;
    let up_to = |number: f32, most: f32| number <= most * (1.0 + slack);
    match (channel, told) {
        (Channel::Pwm(pwm), ValveSignal::Duty(duty)) => {
            duty.share() >= pwm.low - slack && duty.share() <= pwm.high + slack
        }
        (Channel::Coils(Coils { full }), ValveSignal::Currents { out, inward }) => {
            let (out, inward) = (out.amps(), inward.amps());
            up_to(out, full.out) && up_to(inward, full.inward) && (out == 0.0 || inward == 0.0)
        }
        (Channel::Voltage(Voltage { full, .. }), ValveSignal::Voltage(volts)) => {
            up_to(volts.volts(), *full) && up_to(-volts.volts(), *full)
        }
        _ => false,
    }
}
