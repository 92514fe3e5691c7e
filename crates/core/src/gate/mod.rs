//! Gate: the last word on every output.
//!
//! Takes the [`Permit`], the raw stop switches and what is to go to the valves, with its [`Stamp`]; gives the [`Outputs`]. It holds nothing but the number of the last
//! tick, the beat of the external watchdog, and for how long each stop channel has been open. It is right even if every stage before it
//! is wrong: an open stop channel, a permit that does not allow motion, or work that has not gone through every stage in this tick closes every
//! valve and takes its power, whatever it was to be told; and a signal that is outside its channel's legal band, or of another kind than
//! its channel, closes the valve: a neutral duty, no current in either coil, 0 V.

use crate::contact::Contact;
use crate::inputs::{Inputs, Relays};
use crate::machine::{Channel, Coils, Machine, PerAxis, Voltage};
use crate::outputs::{Outputs, Status, ValveSignal};
use crate::stamp::Stamp;
use crate::supervise::{Action, Permit, State};
use crate::units::{Duration, Instant};

/// What the gate remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Gate {
    alive: bool,
    tick: u32,
    last: Option<Instant>,
    contacts: (Contact, Contact),
}

impl Gate {
    /// The last word of this tick.
    ///
    /// Guaranteed: with a channel of the stop chain open for longer than a test pulse, without a permit, or with work that is not of this very
    /// tick, no power, the dump open and every valve told to close; otherwise every valve told what is legal on its channel, or to close. The
    /// engine runs on a closed chain and without a fault. `alive` turns over where all stages have done their work.
    pub fn step(
        &mut self,
        machine: &Machine,
        inputs: &Inputs,
        permit: &Permit,
        stamp: Stamp,
        told: &PerAxis<ValveSignal>,
    ) -> Outputs {
        let fresh = stamp.whole() == Some(self.tick.wrapping_add(1));
        // After a tick that was left out it goes on from there, having cut once.
        self.tick = stamp.whole().unwrap_or(self.tick);
        self.alive ^= fresh;
        let chain_closed = self.chain_closed(machine, inputs);
        let powered = chain_closed && fresh && permit.action != Action::Cut;
        let mut valves = PerAxis::default();
        for (id, axis) in machine.axes() {
            let told = Some(told.get(id)).filter(|told| powered && legal(&axis.channel, told));
            valves.set(id, told.unwrap_or_else(|| ValveSignal::stay(&axis.channel)));
        }
        Outputs {
            valves,
            relays: Relays {
                valve_power: powered,
                dump_closed: powered,
                engine_run: chain_closed && permit.state != State::Fault,
            },
            alive: self.alive,
            status: Status {
                state: permit.state,
                cause: permit.cause.map(|(cause, _)| cause),
                axis: permit.cause.and_then(|(_, axis)| axis),
                before: permit.before,
            },
        }
    }

    /// No channel of the stop chain is open, but for a test pulse. By the gate's own count of time; where that makes no sense, what is open
    /// is a stop.
    fn chain_closed(&mut self, machine: &Machine, inputs: &Inputs) -> bool {
        let since = self.last.replace(inputs.now).and_then(|last| {
            let micros = inputs.now.as_ticks().checked_sub(last.as_ticks())?;
            u32::try_from(micros).ok().filter(|micros| *micros > 0)
        });
        let dt = Duration::from_ticks(since.unwrap_or(u32::MAX));
        let pulse = machine.timing().stop_pulse;
        let [first, second] = inputs.stop_chain;
        let open = [
            self.contacts.0.open(first, pulse, dt),
            self.contacts.1.open(second, pulse, dt),
        ];
        open == [false; 2]
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
