//! What `--show` prints: each signal as it comes in, in the words of the mapping. Nothing is written.

use std::fmt::Write;

use bellcrank_core::linkage::Linkage;
use bellcrank_core::machine::{Calibration, Signal};

use crate::mapping::{Analogue, Mapping, StationPlaces, Wanted};

/// All readings of an image.
pub fn readings(mapping: &Mapping, wanted: Wanted, image: &[u8]) -> String {
    let mut lines = String::new();
    let mut line = |name: &str, says: String| {
        let _ = writeln!(lines, "{name:34} {says}");
    };
    let contact = |closed: bool| if closed { "closed" } else { "open" }.to_owned();
    for (number, bit) in (1..).zip(mapping.stop_chain) {
        line(&format!("stop chain, channel {number}"), contact(bit.get(image)));
    }
    line("reset", contact(mapping.reset.get(image)));
    for (name, bit) in [
        ("key, turned to work", mapping.working),
        ("selector, at remote", mapping.remote_selected),
    ] {
        if let Some(bit) = bit {
            line(name, contact(bit.get(image)));
        }
    }
    for (name, relay) in ["valve power", "dump valve", "engine"].into_iter().zip(&mapping.relays) {
        if let Some(bit) = relay.contact {
            line(&format!("contact of {name}"), contact(bit.get(image)));
        }
    }
    if let Some(supply) = &mapping.supply {
        line("control voltage", volts(supply, image));
    }
    if let Some(life) = mapping.life {
        line("life, echo", life.echo.bits(image).to_string());
    }
    for ((_, name, axis), places) in wanted.axes().zip(&mapping.axes) {
        let stroke = stroke(&axis.sensor, &axis.linkage, places, image);
        line(name, format!("{}{stroke}", volts(&places.sensor, image)));
        for (what, at) in [("second sensor", &places.twin), ("its supply", &places.excitation)] {
            if let Some(at) = at {
                line(&format!("{name}, {what}"), volts(at, image));
            }
        }
    }
    for (name, station) in ["seat", "remote"].into_iter().zip(mapping.stations()) {
        let StationPlaces::Wired(places) = station else {
            line(name, "a pad at this computer".to_owned());
            continue;
        };
        for (what, bit) in [
            ("enable", Some(places.enable)),
            ("stop", places.stop),
            ("heard", places.heard),
            ("slow", places.slow),
            ("tip", places.tip),
        ] {
            if let Some(bit) = bit {
                line(&format!("{name}, {what}"), contact(bit.get(image)));
            }
        }
        for lever in &places.levers {
            let share = crate::board::volts(lever.at.get(image)).and_then(|volts| lever.input.share(volts));
            let share = share.map_or("outside of its band".to_owned(), |share| {
                format!("{:5.0} %", 100.0 * share.share())
            });
            line(
                &format!("{name}, lever {}", lever.number),
                format!("{}  {share}", volts(&lever.at, image)),
            );
        }
    }
    lines
}

fn volts(at: &Analogue, image: &[u8]) -> String {
    format!("{:8.0} raw {:9.3} V", at.word.get(image), at.get(image))
}

/// The stroke that a sensor tells by its voltage; its share of a supply is told in volts alone.
fn stroke(sensor: &Calibration, linkage: &Linkage, places: &crate::mapping::AxisPlaces, image: &[u8]) -> String {
    let volts = places.sensor.get(image);
    let signal = match sensor.signal {
        Signal::Voltage => volts,
        Signal::Current { shunt } => volts / f64::from(shunt.ohms()),
        Signal::Ratiometric { .. } => match &places.excitation {
            Some(fed) => volts / fed.get(image),
            None => return String::new(),
        },
    };
    let wide = |(signal, stroke): &(f32, f32)| (f64::from(*signal), f64::from(*stroke));
    if signal <= sensor.fault.0.into() || signal >= sensor.fault.1.into() || signal.is_nan() {
        return "  outside of its band".to_owned();
    }
    let points: Vec<(f64, f64)> = sensor.points.iter().map(wide).collect();
    let within = points
        .windows(2)
        .find(|pair| signal <= pair[1].0)
        .or(points.windows(2).last());
    let Some([from, to]) = within else { return String::new() };
    let stroke = from.1 + (signal - from.0) * (to.1 - from.1) / (to.0 - from.0);
    if matches!(linkage, Linkage::Direct { .. }) {
        format!("{:9.1} deg", stroke.to_degrees())
    } else {
        format!("{:9.1} mm", 1e3 * stroke)
    }
}
