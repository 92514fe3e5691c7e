//! The board of an industrial controller: two images of terminals, read and written by a mapping.
//!
//! What comes in is as old as the number that came in with it ([`Life`]), or, with Modbus and no such number, as old as the request. Where
//! nothing came for longer than `life_ms`, the terminals cannot be read, and everything counts as what moves less, as the table of
//! `bellcrank-hal` has it: the stop chain is open, nobody presses reset, nobody is heard, no relay is where it was told to be.

use std::time::{SystemTime, UNIX_EPOCH};

use bellcrank_core::Machine;
use bellcrank_core::inputs::{HandFrame, Inputs, Mode, Relays, SensorInput, Station};
use bellcrank_core::machine::{Channel, LEVERS_MAX, PerAxis, Signal};
use bellcrank_core::outputs::{Outputs, ValveSignal};
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use bellcrank_hal::{Board, Fault, Misfit, Path, Place, Troubles};

use crate::bus::Bus;
use crate::life::{Life, since};
use crate::mapping::{Analogue, Bit, Mapping, StationPlaces, ValvePlaces, WiredPlaces};
use crate::pads::Pad;

/// The board.
pub struct Terminals<'m> {
    mapping: &'m Mapping,
    bus: Box<dyn Bus>,
    /// Pads of the seat and of the remote, where the mapping has them.
    pads: [Option<Box<dyn Pad>>; 2],
    inputs: Vec<u8>,
    /// What came in last, before it was looked at.
    came: Vec<u8>,
    outputs: Vec<u8>,
    /// When what is in `inputs` was read.
    read_at: Option<Instant>,
    life: Option<Life>,
    told: Relays,
    now: Instant,
}

impl<'m> Terminals<'m> {
    /// The board of a mapping. `pads` are those of the seat and of the remote.
    pub fn new(mapping: &'m Mapping, bus: Box<dyn Bus>, pads: [Option<Box<dyn Pad>>; 2], now: Instant) -> Self {
        // Which number it is does not matter, as long as it is another one each time.
        let anywhere = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .map_or(0, |time| time.subsec_nanos());
        let life = mapping
            .life
            .map(|places| Life::new(places.told.format.bytes(), anywhere, now));
        Self {
            mapping,
            bus,
            pads,
            inputs: vec![0; mapping.input_bytes],
            came: vec![0; mapping.input_bytes],
            outputs: vec![0; mapping.output_bytes],
            read_at: None,
            life,
            told: Relays::default(),
            now,
        }
    }

    /// Before the first turn: tells the terminals that somebody is there, everything off, and listens. True once they have answered.
    pub fn greet(&mut self, now: Instant) -> bool {
        let mut troubles = Troubles::default();
        self.now = now;
        self.cut(&mut troubles);
        self.feed(&mut troubles);
        let _ = self.take(now);
        self.age(now).is_some()
    }

    /// Waits until what was written last has got to the terminals, or for half a second.
    pub fn finish(mut self) {
        self.bus.finish();
    }

    /// The age of what was read. None where there is nothing, or it is too old to be anything.
    fn age(&self, now: Instant) -> Option<Duration> {
        since(self.read_at?, now).filter(|age| *age <= self.mapping.life())
    }

    /// Takes what has come in, unless it comes from nobody or is older than what there is.
    fn take(&mut self, now: Instant) -> Result<(), Fault> {
        let at = self.bus.take(&mut self.came, now)?;
        let at = match (&self.life, self.mapping.life) {
            (Some(life), Some(places)) => life.answered(places.echo.bits(&self.came)),
            _ => Some(at),
        };
        if let Some(at) = at.filter(|at| self.read_at.is_none_or(|last| last < *at)) {
            self.inputs.copy_from_slice(&self.came);
            self.read_at = Some(at);
        }
        Ok(())
    }

    /// Sends the image out. Its life is what it was, so it feeds nothing.
    fn give(&mut self) -> Result<(), Fault> {
        if let (Some(life), Some(places)) = (&self.life, self.mapping.life) {
            places.told.put_bits(&mut self.outputs, life.number());
        }
        self.bus.give(&self.outputs, self.now)
    }

    fn sensors(&self, age: Duration) -> PerAxis<SensorInput> {
        let read = |at: Option<&Analogue>| volts(at?.get(&self.inputs));
        let mut sensors = PerAxis::default();
        for (id, axis) in bellcrank_core::machine::AxisId::all().zip(&self.mapping.axes) {
            let input = SensorInput {
                signal: read(Some(&axis.sensor)),
                twin: read(axis.twin.as_ref()),
                excitation: read(axis.excitation.as_ref()),
                age,
            };
            sensors.set(id, input);
        }
        sensors
    }

    /// What a station says, `age` being that of the image.
    fn hand(&self, number: usize, age: Option<Duration>, now: Instant) -> HandFrame {
        let places = if number == 0 {
            Some(&self.mapping.seat)
        } else {
            self.mapping.remote.as_ref()
        };
        match (places, &self.pads[number]) {
            (Some(StationPlaces::Wired(places)), _) => {
                age.and_then(|age| wired(places, &self.inputs, age)).unwrap_or_default()
            }
            (Some(StationPlaces::Pad(places)), Some(pad)) => pad.frame(places, now),
            _ => HandFrame::default(),
        }
    }

    fn relays(&mut self, told: Relays) {
        let told = [told.valve_power, told.dump_closed, told.engine_run];
        for (places, told) in self.mapping.relays.iter().zip(told) {
            places.told.put(&mut self.outputs, told);
        }
    }
}

impl Board for Terminals<'_> {
    fn fits(&self, machine: &Machine) -> Result<(), Misfit> {
        let holds = |holds, misfit| if holds { Ok(()) } else { Err(misfit) };
        let ids = bellcrank_core::machine::AxisId::all();
        if let Some((id, _)) = ids.zip(&self.mapping.axes).nth(machine.axes().count()) {
            return Err(Misfit::Valve(id));
        }
        for (id, axis) in machine.axes() {
            let places = self.mapping.axes.get(id.index());
            let takes = places.is_some_and(|places| {
                matches!(
                    (&axis.channel, places.valve),
                    (Channel::Pwm(_), ValvePlaces::Duty(_))
                        | (Channel::Voltage(_), ValvePlaces::Voltage(_))
                        | (Channel::Coils(_), ValvePlaces::Coils(..))
                )
            });
            holds(takes, Misfit::Valve(id))?;
            let twin = axis.twin.as_ref().map(|twin| twin.sensor.signal);
            let fed = |signal| matches!(signal, Signal::Ratiometric { .. });
            let fed = fed(axis.sensor.signal) || twin.is_some_and(fed);
            let read = places.is_some_and(|places| {
                (twin.is_none() || places.twin.is_some()) && (!fed || places.excitation.is_some())
            });
            holds(read, Misfit::Sensor(id))?;
        }
        holds(
            self.mapping.supply.is_some() || machine.control_supply().is_none(),
            Misfit::Supply,
        )?;
        let paths = [Path::ValvePower, Path::Dump, Path::Engine];
        for (path, relay) in paths.into_iter().zip(&self.mapping.relays) {
            let watched = relay.contact.is_some() || machine.timing().relay.is_none();
            holds(watched, Misfit::Feedback(path))?;
        }
        let both = self.mapping.remote.is_some() && self.mapping.remote_selected.is_some();
        holds(both || machine.remote().is_none(), Misfit::Remote)?;
        let key = self.mapping.working.is_some() || machine.commissioning_speed().is_none();
        holds(key, Misfit::Key)?;
        let (least, greatest) = self.mapping.watchdog_window();
        let tick = machine.timing().tick;
        holds(least < tick && tick < greatest, Misfit::Watchdog)
    }

    fn read(&mut self, now: Instant, troubles: &mut Troubles) -> Inputs {
        self.now = now;
        let taken = self.take(now);
        troubles.note(Place::Converter(0), taken);
        for (pad, place) in self.pads.iter_mut().zip([Place::Seat, Place::Remote]) {
            if let Some(pad) = pad {
                troubles.note(place, pad.listen());
            }
        }
        let age = self.age(now);
        // Where there is no age there is nobody at the other end: each contact is what moves less.
        let closed = |bit: Bit| age.is_some() && bit.get(&self.inputs);
        let mut contact = |place, bit: Bit| {
            troubles.note(place, age.ok_or(Fault::NoAnswer));
            closed(bit)
        };
        let stop_chain =
            [0, 1].map(|channel| contact(Place::StopChain(channel), self.mapping.stop_chain[usize::from(channel)]));
        let reset = contact(Place::Reset, self.mapping.reset);
        let working = self.mapping.working.is_none_or(|bit| contact(Place::Key, bit));
        let selector = self
            .mapping
            .remote_selected
            .is_some_and(|bit| contact(Place::Selector, bit));
        // Who is in charge is not known while the selector cannot be read: then nobody is heard.
        let selected = age.is_some() || self.mapping.remote_selected.is_none();
        let [seat, remote] = [0, 1].map(|number| {
            if selected {
                self.hand(number, age, now)
            } else {
                HandFrame::default()
            }
        });
        let told = [self.told.valve_power, self.told.dump_closed, self.told.engine_run];
        let [valve_power, dump_closed, engine_run] =
            [0, 1, 2].map(|relay: usize| match (self.mapping.relays[relay].contact, age) {
                (Some(bit), Some(_)) => bit.get(&self.inputs),
                (Some(_), None) => !told[relay],
                (None, _) => told[relay],
            });
        let old = self
            .read_at
            .and_then(|at| since(at, now))
            .unwrap_or(Duration::from_ticks(u32::MAX));
        Inputs {
            now,
            sensors: if self.read_at.is_some() {
                self.sensors(old)
            } else {
                PerAxis::default()
            },
            stop_chain,
            relays: Relays {
                valve_power,
                dump_closed,
                engine_run,
            },
            supply: age
                .and(self.mapping.supply.as_ref())
                .and_then(|supply| volts(supply.get(&self.inputs))),
            reset,
            commissioning: !working,
            selector: if selector { Station::Remote } else { Station::Seat },
            seat,
            remote,
        }
    }

    fn write(&mut self, outputs: &Outputs, troubles: &mut Troubles) -> bool {
        let mut well = true;
        for ((id, signal), axis) in outputs.valves.iter().zip(&self.mapping.axes) {
            well &= troubles
                .note(Place::Valve(id), put(&axis.valve, signal, &mut self.outputs))
                .is_some();
        }
        if !well {
            return false;
        }
        self.told = outputs.relays;
        self.relays(outputs.relays);
        let given = self.give();
        troubles.note(Place::Relay(Path::ValvePower), given).is_some()
    }

    fn cut(&mut self, troubles: &mut Troubles) -> bool {
        self.told = Relays::default();
        // Zeros are off; only the count goes on being what it is.
        self.outputs.fill(0);
        let given = self.give();
        troubles.note(Place::Relay(Path::ValvePower), given).is_some()
    }

    fn feed(&mut self, troubles: &mut Troubles) {
        if let Some(life) = &mut self.life {
            life.beat(self.now);
        }
        let given = self.give();
        troubles.note(Place::Watchdog, given);
    }
}

/// What the wired levers say. None where the receiver does not hear them, or a lever is outside of its band.
fn wired(places: &WiredPlaces, image: &[u8], age: Duration) -> Option<HandFrame> {
    let closed = |bit: Option<Bit>, otherwise| bit.map_or(otherwise, |bit| bit.get(image));
    if !closed(places.heard, true) {
        return None;
    }
    let mut levers = [Lever::default(); LEVERS_MAX];
    for lever in &places.levers {
        *levers.get_mut(usize::from(lever.number))? = lever.input.share(volts(lever.at.get(image))?)?;
    }
    Some(HandFrame {
        age: Some(age),
        levers,
        mode: if closed(places.tip, false) {
            Mode::Tip
        } else {
            places.mode
        },
        slow: closed(places.slow, false),
        enable: places.enable.get(image),
        stop_clear: closed(places.stop, true),
        ..HandFrame::default()
    })
}

/// Puts the signal of a valve into an image.
fn put(valve: &ValvePlaces, signal: ValveSignal, image: &mut [u8]) -> Result<(), Fault> {
    match (valve, signal) {
        (ValvePlaces::Duty(at), ValveSignal::Duty(duty)) => at.put_within(image, duty.share().into()),
        (ValvePlaces::Voltage(at), ValveSignal::Voltage(volts)) => at.put_within(image, volts.volts().into()),
        (ValvePlaces::Coils(at_out, at_in), ValveSignal::Currents { out, inward }) => {
            at_out.put_within(image, out.amps().into());
            at_in.put_within(image, inward.amps().into());
        }
        _ => return Err(Fault::Unsuitable),
    }
    Ok(())
}

#[allow(clippy::cast_possible_truncation, reason = "narrowed to what the core is given")]
pub(crate) fn volts(number: f64) -> Option<Volts> {
    Volts::new(number as f32).ok()
}

#[cfg(test)]
mod tests;
