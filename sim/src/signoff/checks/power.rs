//! Checks with the controller's supply on and the engine standing: what is read, what stops.

use bellcrank_machine::description::{Axis, Channel, Sensor, Signal};

use super::{List, Reading, slug};

const MS: f64 = 1e3;
const PERCENT: f64 = 100.0;
/// How far what a valve is told at rest may be off on a hand-held meter: duty, percent; current of a coil, mA; voltage, V. Each is far below what opens
/// a valve (common practice, no source).
const DUTY_WITHIN: f64 = 0.5;
/// See there.
const CURRENT_WITHIN: f64 = 5.0;
/// See there.
const VOLTAGE_WITHIN: f64 = 0.05;

pub(super) fn list(list: &mut List) {
    let machine = list.machine;
    let timing = format!("{:?} {:?}", machine.timing, machine.control);
    list.add(
        "power/supply".to_owned(),
        (
            "Switch the control voltage on and measure it at the controller, everything plugged in.".to_owned(),
            "It is within its band; no fuse blows, nothing gets warm, nothing moves.".to_owned(),
        ),
        machine
            .control
            .supply
            .map(|(low, high)| Reading::new("control voltage", "V", Some(low), Some(high))),
        &["cold/wiring"],
        &timing,
    );
    for axis in &machine.axes {
        sensor(list, axis);
    }
    for axis in &machine.axes {
        command(list, axis);
    }
    stops(list, &timing);
    losses(list, &timing);
}

/// What the converter reads of a sensor, and the twin's.
fn sensor(list: &mut List, axis: &Axis) {
    let (name, slug) = (&axis.name, slug(&axis.name));
    let parts = format!("{:?} {:?}", axis.sensor, axis.twin);
    let needs = ["power/supply".to_owned(), format!("cold/sensor/{slug}")];
    let needs: Vec<&str> = needs.iter().map(String::as_str).collect();
    list.add(
        format!("power/sensor/{slug}"),
        (
            format!(
                "Read the signal of the {name}'s sensor with the axis where it stands; unplug it, and plug it in again."
            ),
            "The signal is clear of where it counts as a fault; unplugged it is named as lost.".to_owned(),
        ),
        Some(signal(&axis.sensor)),
        &needs,
        &parts,
    );
    if let Some(twin) = &axis.twin {
        list.add(
            format!("power/twin/{slug}"),
            (
                format!("The same with the second sensor of the {name}."),
                "The signal is clear of where it counts as a fault; both agree; unplugged it is named.".to_owned(),
            ),
            Some(signal(&twin.sensor)),
            &needs,
            &parts,
        );
    }
}

fn signal(sensor: &Sensor) -> Reading {
    let (unit, size) = match sensor.signal {
        Signal::Voltage => ("V", 1.0),
        Signal::Ratiometric { .. } => ("V/V", 1.0),
        Signal::Current { .. } => ("mA", 1e3),
    };
    Reading::new("signal", unit, Some(size * sensor.fault.0), Some(size * sensor.fault.1))
}

/// What the valve is told when nothing is asked of it.
fn command(list: &mut List, axis: &Axis) {
    let (name, slug) = (&axis.name, slug(&axis.name));
    let (what, reading) = match axis.channel {
        Channel::Pwm { neutral, .. } => (
            "Measure the duty at the plug of the section",
            Reading::new(
                "duty",
                "%",
                Some(PERCENT * neutral - DUTY_WITHIN),
                Some(PERCENT * neutral + DUTY_WITHIN),
            ),
        ),
        Channel::Coils { .. } => (
            "Measure the current of both coils",
            Reading::new("current", "mA", Some(0.0), Some(CURRENT_WITHIN)),
        ),
        Channel::Voltage { .. } => (
            "Measure the voltage at the plug of the section",
            Reading::new("voltage", "V", Some(-VOLTAGE_WITHIN), Some(VOLTAGE_WITHIN)),
        ),
    };
    let needs = ["power/supply".to_owned(), format!("cold/valve/{slug}")];
    let needs: Vec<&str> = needs.iter().map(String::as_str).collect();
    list.add(
        format!("power/command/{slug}"),
        (
            format!("{what} of the {name}, levers let go."),
            "It means \"stay\"; with the enabling switch let go it means so too, or nothing at all.".to_owned(),
        ),
        Some(reading),
        &needs,
        &format!("{:?}", axis.channel),
    );
}

/// Stop buttons, their two channels, reset, enabling.
fn stops(list: &mut List, timing: &str) {
    for (station, name) in list.stations() {
        list.add(
            format!("power/stop/{station}"),
            (
                format!("Enable the machine, and press the stop button of {name}; do so with each other station in charge as well."),
                "Power to the valves goes each time, and stays away when the button is let go.".to_owned(),
            ),
            None,
            &["power/supply", "power/command"],
            timing,
        );
    }
    list.add(
        "power/stop/channel-a".to_owned(),
        (
            "Open the first channel of the stop chain alone, at its terminal.".to_owned(),
            "Power goes at once; after stop_discrepancy_ms the channels are said to differ.".to_owned(),
        ),
        None,
        &["power/supply"],
        timing,
    );
    list.add(
        "power/stop/channel-b".to_owned(),
        ("The same with the second channel.".to_owned(), "The same.".to_owned()),
        None,
        &["power/supply"],
        timing,
    );
    list.add(
        "power/reset".to_owned(),
        (
            "After a stop: let go of the button; then reset with a lever moved; then with all levers at neutral.".to_owned(),
            "Nothing starts by itself; the first reset is not taken; after the second it can be enabled, and only by enabling \
                has it power.".to_owned(),
        ),
        None,
        &["power/stop"],
        timing,
    );
    list.add(
        "power/enable".to_owned(),
        (
            "Move a lever, then press the enabling switch; then let the lever go and press it anew; then let it go."
                .to_owned(),
            "It has no power with the lever moved, power after, none once the switch is let go.".to_owned(),
        ),
        None,
        &["power/reset"],
        &format!("{:?}", list.machine.stations),
    );
}

/// What happens when something goes missing.
fn losses(list: &mut List, timing: &str) {
    let machine = list.machine;
    let stations = format!("{:?} {timing}", machine.stations);
    let late = |station: &str| {
        let remote = machine.stations.remote.as_ref().filter(|_| station == "remote");
        remote.unwrap_or(&machine.stations.seat).frame_late
    };
    for (station, name) in list.stations() {
        let most = MS * (late(station) + machine.timing.tick);
        list.add(
            format!("power/silence/{station}"),
            (
                format!("With {name} in charge and the machine enabled, take its cable or its battery away; read the time from \
                    the last frame to the stop."),
                "It stops by itself, and needs a reset.".to_owned(),
            ),
            Some(Reading::new("time to the stop", "ms", Some(0.0), Some(most))),
            &["power/enable"],
            &stations,
        );
    }
    if machine.stations.remote.is_some() {
        list.add(
            "power/range".to_owned(),
            (
                "Walk the wireless station to the furthest place it is to be used from, behind whatever stands there, and press \
                    its stop; then walk on until the link is lost.".to_owned(),
                "It stops from there; and where the link is lost it stops by itself.".to_owned(),
            ),
            Some(Reading::new("distance", "m", Some(1.0), None)),
            &["power/stop/remote", "power/silence/remote"],
            &stations,
        );
    }
    if let Some((_, late)) = machine.control.watchdog {
        list.add(
            "power/watchdog".to_owned(),
            (
                "Halt the controller's loop while the machine is enabled (hold its reset line, or the service switch for this); \
                    read the time until the valves' power is gone.".to_owned(),
                "The external watchdog takes all power, and nothing comes back by itself.".to_owned(),
            ),
            Some(Reading::new("time", "ms", Some(0.0), Some(MS * (late + machine.control.relay.unwrap_or(0.0))))),
            &["power/enable"],
            timing,
        );
    }
    for (relay, name) in [("valves", "valve power"), ("dump", "dump valve"), ("engine", "engine")] {
        let reading = machine.control.relay.map(|time| {
            Reading::new(
                "time until it is named",
                "ms",
                Some(0.0),
                Some(MS * (time + machine.timing.tick)),
            )
        });
        let feedback = if reading.is_some() {
            format!("Unplug the feedback contact of the {name} relay, then plug it in; then press stop and listen.")
        } else {
            format!("Press stop and measure the contact of the {name} relay.")
        };
        list.add(
            format!("power/relay/{relay}"),
            (
                feedback,
                "The relay lets go at a stop; a contact that does not follow is named.".to_owned(),
            ),
            reading,
            &["power/reset"],
            timing,
        );
    }
    list.add(
        "power/restart".to_owned(),
        (
            "With the machine enabled, take the controller's supply away and give it back.".to_owned(),
            "It comes up without power, tells what stood before, and wants a reset.".to_owned(),
        ),
        None,
        &["power/enable"],
        timing,
    );
}
