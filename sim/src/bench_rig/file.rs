//! The rig file: read key by key, with every mistake reported at once.

use std::ops::RangeInclusive;
use std::path::Path;

use bellcrank_machine::document::{self, Complaints, DocumentError, Table};
use bellcrank_machine::tables::{cylinder, holding, oil, valve};

use super::Bench;
use crate::plant::Accuracy;
use crate::plant::rig::Rig;

/// Most samples of a run.
const SAMPLES_MAX: f64 = 1e6;

const BAR: RangeInclusive<f64> = 1.0..=700.0;
const TIME_S: RangeInclusive<f64> = 0.0..=3600.0;

/// Reads a rig file from disk.
///
/// # Errors
/// The file cannot be read, or has mistakes: all of them in one error.
pub fn load(path: impl AsRef<Path>) -> Result<Bench, DocumentError> {
    let (name, text) = document::read_file(path)?;
    Ok(read(&name, &text)?)
}

/// Reads a rig file from its text; `file` is the name that complaints carry.
///
/// # Errors
/// All mistakes of the file.
pub fn read(file: &str, text: &str) -> Result<Bench, Complaints> {
    document::read(file, text, bench)
}

fn bench(t: &Table) -> Bench {
    let end = t.number("end_s", 0.001..=3600.0);
    let interval = t.number("interval_ms", 0.01..=10_000.0);
    if end / interval > SAMPLES_MAX {
        t.complain(
            "interval_ms",
            format!("{:.0} rows until end_s", end / interval),
            format!("at most {SAMPLES_MAX}"),
        );
    }
    let rel = t
        .optional("accuracy")
        .map_or(Accuracy::default().rel, |key| t.number(key, 1e-12..=0.1));
    let (supply, tank) = t.table("supply", supply);
    let actuator = t.table("cylinder", cylinder);
    let (stroke, pressure) = t.table("start", |t| start(t, actuator.travel));
    let programme = Programme::read(t, end);
    Bench {
        name: t.text("name"),
        rig: Rig {
            mass: t.table("mass", |t| t.number("mass_kg", 0.1..=1e6)),
            actuator,
            valve: t.table("valve", |t| valve(t, supply)),
            holding: t.optional("holding").map(|key| t.table(key, |t| holding(t, supply))),
            oil: t.table("oil", oil),
            supply,
            tank,
            stroke,
            pressure,
            command: programme.command,
            load: programme.load,
            end,
        },
        interval,
        accuracy: Accuracy {
            rel,
            ..Accuracy::default()
        },
    }
}

fn supply(t: &Table) -> (f64, f64) {
    let (pressure, tank) = (t.number("pressure_bar", BAR), t.number("tank_bar", 0.0..=20.0));
    if tank >= pressure {
        t.complain(
            "tank_bar",
            bar(tank),
            format!("less than pressure_bar ({})", bar(pressure)),
        );
    }
    (pressure, tank)
}

/// Stroke and the two pressures.
fn start(t: &Table, travel: f64) -> (f64, [f64; 2]) {
    let stroke = t.number("stroke_mm", 0.0..=10_000.0);
    if stroke > travel {
        t.complain(
            "stroke_mm",
            format!("{}", stroke * 1e3),
            format!("at most cylinder.stroke_mm ({})", travel * 1e3),
        );
    }
    (stroke, t.pair("pressure_bar", 0.0..=700.0).into())
}

/// `[[step]]`, as two lists of (from when, how much).
struct Programme {
    command: Vec<(f64, f64)>,
    load: Vec<(f64, f64)>,
}

impl Programme {
    fn read(t: &Table, end: f64) -> Programme {
        let mut programme = Programme {
            command: Vec::new(),
            load: Vec::new(),
        };
        let mut before = f64::NEG_INFINITY;
        t.tables("step", |t| {
            let at = t.number("at_s", TIME_S);
            if at <= before {
                t.complain(
                    "at_s",
                    format!("{at}"),
                    format!("later than the step before it ({before})"),
                );
            }
            if at >= end {
                t.complain("at_s", format!("{at}"), format!("before end_s ({end})"));
            }
            before = at;
            let command = t.optional("command").map(|key| t.number(key, -1.0..=1.0));
            let load = t.optional("load_n").map(|key| t.number(key, -1e7..=1e7));
            if command.is_none() && load.is_none() && t.clean() {
                t.complain("step", "neither command nor load_n", "at least one of them");
            }
            programme.command.extend(command.map(|value| (at, value)));
            programme.load.extend(load.map(|value| (at, value)));
        });
        programme
    }
}

fn bar(pressure: f64) -> String {
    format!("{}", (pressure / 1e5 * 1e6).round() / 1e6)
}
