//! A board: all that the core is told, and all that it tells, each by a place of its own.
//!
//! [`Board`] is what the loop wants. [`Wired`] is one that is put together from the pieces of this crate; a board of another kind, a
//! fieldbus coupler say, has the trait itself.

use bellcrank_core::inputs::{HandFrame, Inputs, Relays, SensorInput, Station};
use bellcrank_core::machine::{AXES_MAX, Axis, AxisId, Machine, PerAxis, Signal};
use bellcrank_core::outputs::Outputs;
use bellcrank_core::units::{Duration, Instant};
use heapless::Vec;

use crate::analogue::{Analogue, Reading};
use crate::contact::Contact;
use crate::hands::Hands;
use crate::relay::Relay;
use crate::trouble::{Misfit, Path, Place, Troubles};
use crate::valve::ValveOut;
use crate::watchdog::Watchdog;

/// What the loop reads from, and writes to.
///
/// Each call comes to its end in a time that is known. What does not work is noted in the troubles, and counts as what moves less.
pub trait Board {
    /// Whether the board has all that the machine wants.
    ///
    /// # Errors
    /// The first thing that it has not.
    fn fits(&self, machine: &Machine) -> Result<(), Misfit>;

    /// Reads everything. `now` is the time that the ages count from, and [`Inputs::now`].
    fn read(&mut self, now: Instant, troubles: &mut Troubles) -> Inputs;

    /// Writes everything: first what loses its current, last what gains it. False where anything may not be as it was told; what was to
    /// gain current has then got none, unless it was the one that failed.
    fn write(&mut self, outputs: &Outputs, troubles: &mut Troubles) -> bool;

    /// Takes the current of every relay and the signal of every valve, each whatever comes of the others. False where a relay may not
    /// have obeyed.
    fn cut(&mut self, troubles: &mut Troubles) -> bool;

    /// Feeds the watchdog.
    fn feed(&mut self, troubles: &mut Troubles);
}

/// Most converters of a [`Wired`] board.
pub const CONVERTERS_MAX: usize = 4;

/// Where a voltage is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tap {
    /// The converter, by its place among the board's.
    pub converter: u8,
    /// Its channel.
    pub channel: u8,
}

/// Where the sensors of an axis are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Taps {
    /// The sensor that the axis is driven by.
    pub signal: Option<Tap>,
    /// The sensor that confirms it.
    pub twin: Option<Tap>,
    /// What feeds them. Several axes may have the same.
    pub excitation: Option<Tap>,
}

/// A relay with its feedback contact.
pub struct RelayPath<'b> {
    /// What switches it.
    pub relay: &'b mut dyn Relay,
    /// The contact that is closed while it has pulled in. None where the machine has no such contacts.
    pub feedback: Option<&'b mut dyn Contact>,
}

/// The three relays.
pub struct RelayPaths<'b> {
    /// Power to the valves' electronics.
    pub valve_power: RelayPath<'b>,
    /// Current to the dump valve.
    pub dump: RelayPath<'b>,
    /// The engine may run.
    pub engine: RelayPath<'b>,
}

/// The contacts on the machine's panel.
pub struct Panel<'b> {
    /// Both channels of the stop chain, closed while all is well.
    pub stop_chain: [&'b mut dyn Contact; 2],
    /// The reset button, closed while it is pressed.
    pub reset: &'b mut dyn Contact,
    /// Closed while the selector points at the wireless station. None where there is only the seat.
    pub remote_selected: Option<&'b mut dyn Contact>,
    /// Closed while the key is turned to work, open in commissioning, in which the machine is slower. None where there is no key.
    pub working: Option<&'b mut dyn Contact>,
}

/// A board put together from pieces.
pub struct Wired<'b> {
    /// The contacts on the panel.
    pub panel: Panel<'b>,
    /// The station at the seat; `()` where there is none.
    pub seat: &'b mut dyn Hands,
    /// The wireless station.
    pub remote: Option<&'b mut dyn Hands>,
    /// What reads the voltages.
    pub converters: Vec<&'b mut dyn Analogue, CONVERTERS_MAX>,
    /// Where the sensors are read.
    pub sensors: PerAxis<Taps>,
    /// Where the control voltage is read, and how old a reading of it may be to count.
    pub supply: Option<(Tap, Duration)>,
    /// The outputs to the valves, in the order of the machine's axes.
    pub valves: Vec<&'b mut dyn ValveOut, AXES_MAX>,
    /// The relays.
    pub relays: RelayPaths<'b>,
    /// The external watchdog.
    pub watchdog: &'b mut dyn Watchdog,
    /// What the relays were last told.
    told: Relays,
}

impl Board for Wired<'_> {
    fn fits(&self, machine: &Machine) -> Result<(), Misfit> {
        let holds = |holds, misfit| if holds { Ok(()) } else { Err(misfit) };
        let spare = AxisId::all().zip(&self.valves).nth(machine.axes().count());
        spare.map_or(Ok(()), |(id, _)| Err(Misfit::Valve(id)))?;
        for (id, axis) in machine.axes() {
            let valve = self.valves.get(id.index());
            holds(valve.is_some_and(|valve| valve.takes(&axis.channel)), Misfit::Valve(id))?;
            holds(self.senses(axis, self.sensors.get(id)), Misfit::Sensor(id))?;
        }
        let supply = self.supply.is_some_and(|(tap, _)| self.reaches(tap));
        holds(supply || machine.control_supply().is_none(), Misfit::Supply)?;
        for (path, relay) in self.relays.iter() {
            let watched = relay.feedback.is_some() || machine.timing().relay.is_none();
            holds(watched, Misfit::Feedback(path))?;
        }
        holds(self.remote.is_some() || machine.remote().is_none(), Misfit::Remote)?;
        let key = self.panel.working.is_some() || machine.commissioning_speed().is_none();
        holds(key, Misfit::Key)?;
        let (least, greatest) = self.watchdog.window();
        let tick = machine.timing().tick;
        holds(least < tick && tick < greatest, Misfit::Watchdog)
    }

    fn read(&mut self, now: Instant, troubles: &mut Troubles) -> Inputs {
        for (index, converter) in (0..).zip(&mut self.converters) {
            troubles.note(Place::Converter(index), converter.refresh(now));
        }
        troubles.note(Place::Seat, self.seat.listen(now));
        if let Some(remote) = &mut self.remote {
            troubles.note(Place::Remote, remote.listen(now));
        }
        let mut sensors = PerAxis::default();
        for (id, taps) in self.sensors.iter() {
            sensors.set(id, self.sensor(taps, now));
        }
        let panel = &mut self.panel;
        let [first, second] = &mut panel.stop_chain;
        let mut closed = |at, contact: &mut dyn Contact| troubles.note(at, contact.closed());
        let stop_chain = [
            closed(Place::StopChain(0), *first).unwrap_or(false),
            closed(Place::StopChain(1), *second).unwrap_or(false),
        ];
        let reset = closed(Place::Reset, panel.reset).unwrap_or(false);
        let working = panel
            .working
            .as_mut()
            .is_none_or(|key| closed(Place::Key, *key).unwrap_or(false));
        let selected = match &mut panel.remote_selected {
            Some(selector) => closed(Place::Selector, *selector),
            None => Some(false),
        };
        // Nobody knows who is in charge: then nobody is heard, which stops whoever is.
        let heard = |hands: Option<&dyn Hands>| match (selected, hands) {
            (Some(_), Some(hands)) => hands.frame(now),
            _ => HandFrame::default(),
        };
        Inputs {
            now,
            sensors,
            stop_chain,
            reset,
            commissioning: !working,
            selector: if selected == Some(true) {
                Station::Remote
            } else {
                Station::Seat
            },
            seat: heard(Some(&*self.seat)),
            remote: heard(self.remote.as_deref()),
            supply: self.supply.and_then(|(tap, oldest)| {
                let reading = self.reading(tap, now)?;
                (reading.age <= oldest).then_some(reading.volts)
            }),
            relays: self.relays.feedback(self.told, troubles),
        }
    }

    fn write(&mut self, outputs: &Outputs, troubles: &mut Troubles) -> bool {
        let released = self.relays.switch(outputs.relays, false, troubles);
        let mut well = released;
        for ((id, signal), valve) in outputs.valves.iter().zip(&mut self.valves) {
            well &= troubles.note(Place::Valve(id), valve.set(signal)).is_some();
        }
        self.told = outputs.relays;
        well && self.relays.switch(outputs.relays, true, troubles)
    }

    fn cut(&mut self, troubles: &mut Troubles) -> bool {
        self.told = Relays::default();
        let obeyed = self.relays.switch(self.told, false, troubles);
        for (id, valve) in AxisId::all().zip(&mut self.valves) {
            troubles.note(Place::Valve(id), valve.off());
        }
        obeyed
    }

    fn feed(&mut self, troubles: &mut Troubles) {
        troubles.note(Place::Watchdog, self.watchdog.feed());
    }
}

impl<'b> Wired<'b> {
    /// A board without voltages, valves and wireless station: what the machine has of these is put in by the fields.
    pub fn new(
        panel: Panel<'b>,
        seat: &'b mut dyn Hands,
        relays: RelayPaths<'b>,
        watchdog: &'b mut dyn Watchdog,
    ) -> Self {
        Self {
            panel,
            seat,
            remote: None,
            converters: Vec::new(),
            sensors: PerAxis::default(),
            supply: None,
            valves: Vec::new(),
            relays,
            watchdog,
            told: Relays::default(),
        }
    }

    /// All that the axis has is read somewhere.
    fn senses(&self, axis: &Axis, taps: Taps) -> bool {
        let there = |tap: Option<Tap>| tap.is_some_and(|tap| self.reaches(tap));
        let share = |signal| matches!(signal, Signal::Ratiometric { .. });
        let twin = axis.twin.as_ref().map(|twin| &twin.sensor);
        let fed = share(axis.sensor.signal) || twin.is_some_and(|twin| share(twin.signal));
        there(taps.signal) && (twin.is_none() || there(taps.twin)) && (!fed || there(taps.excitation))
    }

    fn reaches(&self, tap: Tap) -> bool {
        let converter = self.converters.get(usize::from(tap.converter));
        converter.is_some_and(|converter| tap.channel < converter.channels())
    }

    fn reading(&self, tap: Tap, now: Instant) -> Option<Reading> {
        self.converters.get(usize::from(tap.converter))?.read(tap.channel, now)
    }

    /// What was read at the sensors of an axis. It is as old as the oldest of what there is.
    fn sensor(&self, taps: Taps, now: Instant) -> SensorInput {
        let read = |tap: Option<Tap>| self.reading(tap?, now);
        let readings = [read(taps.signal), read(taps.twin), read(taps.excitation)];
        let age = readings.iter().flatten().map(|reading| reading.age).max();
        let [signal, twin, excitation] = readings.map(|reading| reading.map(|reading| reading.volts));
        SensorInput {
            signal,
            twin,
            excitation,
            age: age.unwrap_or(Duration::from_ticks(0)),
        }
    }
}

impl<'b> RelayPaths<'b> {
    fn iter(&self) -> impl Iterator<Item = (Path, &RelayPath<'b>)> {
        [
            (Path::ValvePower, &self.valve_power),
            (Path::Dump, &self.dump),
            (Path::Engine, &self.engine),
        ]
        .into_iter()
    }

    /// Tells those relays that are to be `on`, or those that are not. False where one may not have obeyed; the others are told all the
    /// same.
    fn switch(&mut self, told: Relays, on: bool, troubles: &mut Troubles) -> bool {
        let mut obeyed = true;
        for (path, relay, told) in [
            (Path::ValvePower, &mut self.valve_power, told.valve_power),
            (Path::Dump, &mut self.dump, told.dump_closed),
            (Path::Engine, &mut self.engine, told.engine_run),
        ] {
            if told == on {
                obeyed &= troubles.note(Place::Relay(path), relay.relay.set(on)).is_some();
            }
        }
        obeyed
    }

    /// What the feedback contacts say. One that cannot be read contradicts what its relay was told, so that the core doubts it.
    fn feedback(&mut self, told: Relays, troubles: &mut Troubles) -> Relays {
        let mut says = |path, relay: &mut RelayPath, told: bool| match &mut relay.feedback {
            Some(contact) => troubles.note(Place::Feedback(path), contact.closed()).unwrap_or(!told),
            None => told,
        };
        Relays {
            valve_power: says(Path::ValvePower, &mut self.valve_power, told.valve_power),
            dump_closed: says(Path::Dump, &mut self.dump, told.dump_closed),
            engine_run: says(Path::Engine, &mut self.engine, told.engine_run),
        }
    }
}

#[cfg(test)]
mod tests;
