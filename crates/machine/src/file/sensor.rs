//! `sensor` and `twin` of an axis.

use bellcrank_core::machine::POINTS_MAX;

use super::axis::Stroke;
use super::{MS, Table};
use crate::description::{Sensor, Signal, Twin};

/// Faults of a 4-20 mA loop: at most 3.6 mA and at least 21.0 mA (NAMUR NE 43, 2003; PV-44 of `tests/data/published-values.csv`), A.
const LOOP_FAULT: (f64, f64) = (3.6e-3, 21.0e-3);

#[derive(Clone, Copy)]
enum Kind {
    Voltage,
    Ratiometric,
    Current,
}

/// What is called differently for each kind of signal.
struct Keys {
    points: &'static str,
    fault: &'static str,
    /// Greatest size of a signal, in the unit of the key.
    most: f64,
}

impl Kind {
    fn keys(self) -> Keys {
        let (points, fault, most) = match self {
            Self::Voltage => ("volts", "fault_volts", 100.0),
            Self::Ratiometric => ("shares", "fault_shares", 1.0),
            Self::Current => ("loop_ma", "fault_ma", 100.0),
        };
        Keys { points, fault, most }
    }
}

/// The sensor that the axis is driven by: it alone says how often there is something new to read.
pub(super) fn sensor(t: &Table, stroke: Stroke) -> Sensor {
    let every = t.optional("every_ms").map_or(0.0, |key| t.number(key, MS));
    Sensor {
        every,
        ..read(t, stroke)
    }
}

/// The sensor that confirms it.
pub(super) fn twin(t: &Table, stroke: Stroke) -> Twin {
    Twin {
        sensor: read(t, stroke),
        limit: t.number(stroke.pick("differ_mm", "differ_deg"), 0.01..=1000.0),
        confirm: t.number("differ_ms", MS),
    }
}

fn read(t: &Table, stroke: Stroke) -> Sensor {
    let kinds = [
        ("voltage", Kind::Voltage),
        ("ratiometric", Kind::Ratiometric),
        ("current", Kind::Current),
    ];
    let kind = t
        .optional("signal")
        .and_then(|key| t.choice(key, &kinds))
        .unwrap_or(Kind::Voltage);
    let keys = kind.keys();
    let points = points(t, stroke, &keys);
    let converter_volts = t.number("converter_v", 0.1..=100.0);
    let fault = match kind {
        Kind::Current if t.optional(keys.fault).is_none() => LOOP_FAULT,
        _ => t.rising(keys.fault, -keys.most..=keys.most),
    };
    let sensor = Sensor {
        signal: signal(t, kind, converter_volts),
        points,
        fault,
        converter_volts,
        converter_bits: t.whole("converter_bits", 6..=24),
        noise: t.number("noise_mv", 0.0..=1000.0),
        every: 0.0,
    };
    in_bands(t, &sensor, &keys);
    sensor
}

fn signal(t: &Table, kind: Kind, converter_volts: f64) -> Signal {
    match kind {
        Kind::Voltage => Signal::Voltage,
        Kind::Ratiometric => {
            let excitation = t.number("excitation_v", 0.1..=100.0);
            let band = t.rising("excitation_band_v", 0.1..=100.0);
            if excitation <= band.0 || excitation >= band.1 {
                let band = t.words("excitation_band_v");
                t.wrong(
                    "excitation_v",
                    format!("inside excitation_band_v ({band}), on neither end"),
                );
            }
            if band.1 >= converter_volts {
                let span = t.words("converter_v");
                t.wrong(
                    "excitation_band_v",
                    format!("below converter_v ({span}): a fault has to be a voltage that can be read"),
                );
            }
            Signal::Ratiometric { excitation, band }
        }
        Kind::Current => Signal::Current {
            shunt: t.number("shunt_ohm", 1.0..=10_000.0),
        },
    }
}

/// Signals that rise, strokes that rise or fall, as many of the one as of the other.
fn points(t: &Table, stroke: Stroke, keys: &Keys) -> Vec<(f64, f64)> {
    let signals = t.numbers(keys.points, -keys.most..=keys.most);
    let at_key = stroke.pick("at_mm", "at_deg");
    let at = t.numbers(at_key, stroke.pick(-20_000.0..=20_000.0, -720.0..=720.0));
    if !t.clean() {
        return Vec::new();
    }
    if !(2..=POINTS_MAX).contains(&signals.len()) {
        t.wrong(keys.points, format!("2 to {POINTS_MAX} points"));
    }
    if signals.windows(2).any(|pair| pair[0] >= pair[1]) {
        t.wrong(keys.points, "the smaller number first");
    }
    if at.len() != signals.len() {
        t.wrong(
            at_key,
            format!("one for each of {} ({})", keys.points, t.words(keys.points)),
        );
    }
    let all = |in_order: fn(&f64, &f64) -> bool| at.windows(2).all(|pair| in_order(&pair[0], &pair[1]));
    if !all(|a, b| a < b) && !all(|a, b| a > b) {
        t.wrong(at_key, "strokes that rise all the way, or fall all the way");
    }
    signals.into_iter().zip(at).collect()
}

/// The points lie inside the fault band, and the fault band inside what the converter reads.
fn in_bands(t: &Table, sensor: &Sensor, keys: &Keys) {
    if !t.clean() {
        return;
    }
    let volts = |signal| sensor.volts(signal, sensor.excitation());
    if volts(sensor.fault.0) <= 0.0 || volts(sensor.fault.1) >= sensor.converter_volts {
        let span = t.words("converter_v");
        let found = if t.words(keys.fault) == "nothing" {
            format!(
                "{} to {} V at the converter",
                volts(sensor.fault.0),
                volts(sensor.fault.1)
            )
        } else {
            t.words(keys.fault)
        };
        t.complain(
            keys.fault,
            found,
            format!("inside 0 to converter_v ({span}): a fault has to be a voltage that can be read"),
        );
    }
    let outside = |&(signal, _): &(f64, f64)| signal <= sensor.fault.0 || signal >= sensor.fault.1;
    if sensor.points.iter().any(outside) {
        let band = match t.words(keys.fault).as_str() {
            "nothing" => "3.6 to 21 mA".to_owned(),
            band => format!("{} ({band})", keys.fault),
        };
        t.wrong(keys.points, format!("inside {band}, on neither end"));
    }
}
