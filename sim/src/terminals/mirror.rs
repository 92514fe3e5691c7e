//! A mapping seen from the machine's side: what the core would read goes into the image, what it wrote comes out of it.

use bellcrank_core::inputs::{HandFrame, Inputs, Mode, Relays, Station};
use bellcrank_core::machine::{AxisId, Machine, PerAxis};
use bellcrank_core::outputs::{Outputs, ValveSignal};
use bellcrank_core::units::{Amps, Duration, Duty, Volts};
use bellcrank_linux::mapping::{Analogue, Bit, Mapping, StationPlaces, ValvePlaces, WiredPlaces};

use crate::live::no_current;

/// Where the wire of a lever is broken, V.
const BROKEN_V: f64 = 0.0;

/// What stands in an image that was written.
pub fn outputs(mapping: &Mapping, image: &[u8]) -> Outputs {
    let mut valves = PerAxis::default();
    for (id, axis) in AxisId::all().zip(&mapping.axes) {
        valves.set(id, signal(&axis.valve, image));
    }
    let [valve_power, dump_closed, engine_run] = mapping.relays.map(|relay| relay.told.get(image));
    Outputs {
        valves,
        relays: Relays {
            valve_power,
            dump_closed,
            engine_run,
        },
        ..no_current()
    }
}

#[allow(clippy::cast_possible_truncation, reason = "narrowed to what a valve is told")]
fn signal(valve: &ValvePlaces, image: &[u8]) -> ValveSignal {
    let amps = |at: &Analogue| Amps::new(at.get(image) as f32).unwrap_or_default();
    match valve {
        ValvePlaces::Duty(at) => ValveSignal::Duty(Duty::new(at.get(image) as f32).unwrap_or_default()),
        ValvePlaces::Voltage(at) => ValveSignal::Voltage(Volts::new(at.get(image) as f32).unwrap_or_default()),
        ValvePlaces::Coils(out, inward) => ValveSignal::Currents {
            out: amps(out),
            inward: amps(inward),
        },
    }
}

/// Puts into an image what there is to read.
pub fn inputs(mapping: &Mapping, machine: &Machine, inputs: &Inputs, image: &mut [u8]) {
    for (bit, closed) in mapping.stop_chain.into_iter().zip(inputs.stop_chain) {
        bit.put(image, closed);
    }
    mapping.reset.put(image, inputs.reset);
    put(mapping.working, !inputs.commissioning, image);
    put(mapping.remote_selected, inputs.selector == Station::Remote, image);
    let Relays {
        valve_power,
        dump_closed,
        engine_run,
    } = inputs.relays;
    for (relay, in_now) in mapping.relays.iter().zip([valve_power, dump_closed, engine_run]) {
        put(relay.contact, in_now, image);
    }
    put_volts(mapping.supply.as_ref(), inputs.supply, image);
    for (id, axis) in AxisId::all().zip(&mapping.axes) {
        let read = inputs.sensors.get(id);
        put_volts(Some(&axis.sensor), read.signal, image);
        put_volts(axis.twin.as_ref(), read.twin, image);
        put_volts(axis.excitation.as_ref(), read.excitation, image);
    }
    let late = machine.seat().frame_late;
    station(&mapping.seat, &inputs.seat, late, image);
    if let (Some(places), Some(remote)) = (&mapping.remote, machine.remote()) {
        station(places, &inputs.remote, remote.frame_late, image);
    }
}

/// A station at the terminals. One that is no longer heard shows as its receiver's open contact, or as levers whose wires are broken.
fn station(places: &StationPlaces, frame: &HandFrame, late: Duration, image: &mut [u8]) {
    let StationPlaces::Wired(WiredPlaces {
        mode,
        tip,
        heard,
        enable,
        stop,
        slow,
        levers,
    }) = places
    else {
        return;
    };
    let there = frame.fresh(late);
    put(*heard, there, image);
    enable.put(image, there && frame.enable);
    put(*stop, there && frame.stop_clear, image);
    put(*slow, there && frame.slow, image);
    put(*tip, frame.mode == Mode::Tip && *mode != Mode::Tip, image);
    for lever in levers {
        let share = frame
            .levers
            .get(usize::from(lever.number))
            .map_or(0.0, |lever| f64::from(lever.share()));
        let [low, centre, high] =
            [lever.input.low, lever.input.centre, lever.input.high].map(|volts| f64::from(volts.volts()));
        let end = if share < 0.0 { low } else { high };
        let volts = centre + share.abs() * (end - centre);
        lever.at.put(image, if there { volts } else { BROKEN_V });
    }
}

fn put(bit: Option<Bit>, closed: bool, image: &mut [u8]) {
    if let Some(bit) = bit {
        bit.put(image, closed);
    }
}

/// What cannot be read is no voltage at the terminal.
fn put_volts(at: Option<&Analogue>, volts: Option<Volts>, image: &mut [u8]) {
    if let Some(at) = at {
        at.put(image, volts.map_or(0.0, |volts| volts.volts().into()));
    }
}
