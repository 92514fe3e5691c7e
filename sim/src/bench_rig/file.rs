//! The rig file: read key by key, with every mistake reported at once.

use std::ops::RangeInclusive;
use std::path::Path;

use bellcrank_machine::document::{self, Complaints, DocumentError, Table};
use bellcrank_machine::tables::{cylinder, engine, holding, oil, supply, valve};

use super::Bench;
use crate::plant::Accuracy;
use crate::plant::rig::{Events, Feed, Programme, Rig};

/// Most samples of a run.
const SAMPLES_MAX: f64 = 1e6;

const BAR: RangeInclusive<f64> = 1.0..=700.0;
const START_BAR: RangeInclusive<f64> = 0.0..=700.0;
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
    let (mass, slope) = t.table("mass", mass);
    let mut feed = feed(t);
    let pumped = t.optional("pump").is_some();
    let pressure = match &feed {
        Feed::Ideal { pressure, .. } => *pressure,
        Feed::Pump { supply, .. } => supply.pressure,
    };
    let actuator = t.table("cylinder", cylinder);
    let holding = t.optional("holding").map(|key| t.table(key, |t| holding(t, pressure)));
    let start = t.table("start", |t| {
        Start::read(t, actuator.travel, holding.is_some(), pumped, &mut feed)
    });
    let steps = Steps::read(t, end, pumped);
    Bench {
        name: t.text("name"),
        rig: Rig {
            mass,
            slope,
            actuator,
            valve: t.table("valve", |t| valve(t, pressure)),
            holding,
            oil: t.table("oil", oil),
            feed,
            stroke: start.stroke,
            pressure: start.pressure,
            lines: start.lines,
            command: steps.command,
            load: steps.load,
            events: steps.events,
            end,
        },
        interval,
        accuracy: Accuracy {
            rel,
            ..Accuracy::default()
        },
    }
}

/// Mass and slope.
fn mass(t: &Table) -> (f64, f64) {
    let slope = t.optional("slope_deg");
    (
        t.number("mass_kg", 0.1..=1e6),
        slope.map_or(0.0, |key| t.number(key, -90.0..=90.0)),
    )
}

/// `[supply]`, or `[pump]` with or without `[engine]`.
fn feed(t: &Table) -> Feed {
    let (constant, pump) = (t.optional("supply"), t.optional("pump"));
    let engine = t.optional("engine").map(|key| t.table(key, engine));
    if pump.is_none() && engine.is_some() {
        t.complain("engine", "an engine", "a [pump] that it turns, or no engine");
    }
    match (constant, pump) {
        (None, Some(key)) => {
            let supply = t.table(key, supply);
            Feed::Pump {
                start: supply.pressure,
                supply,
                engine,
            }
        }
        (Some(key), None) => t.table(key, ideal),
        (both, _) => {
            let found = both.map_or("neither [supply] nor [pump]", |_| "[supply] and [pump]");
            t.complain("supply", found, "one of them: constant pressures, or a pump");
            Feed::Ideal {
                pressure: f64::NAN,
                tank: f64::NAN,
            }
        }
    }
}

fn ideal(t: &Table) -> Feed {
    let (pressure, tank) = (t.number("pressure_bar", BAR), t.number("tank_bar", 0.0..=20.0));
    if tank >= pressure {
        t.complain(
            "tank_bar",
            bar(tank),
            format!("less than pressure_bar ({})", bar(pressure)),
        );
    }
    Feed::Ideal { pressure, tank }
}

/// `[start]`
struct Start {
    stroke: f64,
    pressure: [f64; 2],
    lines: Option<[f64; 2]>,
}

impl Start {
    fn read(t: &Table, travel: f64, has_lines: bool, pumped: bool, feed: &mut Feed) -> Start {
        let stroke = t.number("stroke_mm", 0.0..=10_000.0);
        if stroke > travel {
            t.complain(
                "stroke_mm",
                format!("{}", stroke * 1e3),
                format!("at most cylinder.stroke_mm ({})", travel * 1e3),
            );
        }
        let lines = t.optional("port_bar").map(|key| t.pair(key, START_BAR).into());
        if lines.is_some() && !has_lines {
            t.wrong(
                "port_bar",
                "no such key: without [holding] ports and chambers have one pressure",
            );
        }
        if let Some(key) = t.optional("supply_bar") {
            let found = t.number(key, START_BAR);
            if !pumped {
                t.wrong(key, "no such key: the pressure of [supply] is constant");
            }
            if let Feed::Pump { start, supply, .. } = feed {
                if found > supply.pressure {
                    t.wrong(key, format!("at most pump.pressure_bar ({})", bar(supply.pressure)));
                }
                *start = found;
            }
        }
        Start {
            stroke,
            pressure: t.pair("pressure_bar", START_BAR).into(),
            lines,
        }
    }
}

/// `[[step]]`
#[derive(Default)]
struct Steps {
    command: Programme<f64>,
    load: Programme<f64>,
    events: Events,
}

impl Steps {
    fn read(t: &Table, end: f64, pumped: bool) -> Steps {
        let mut steps = Steps::default();
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
            steps.step(t, at, pumped);
        });
        steps
    }

    fn step(&mut self, t: &Table, at: f64, pumped: bool) {
        let command = t.optional("command").map(|key| t.number(key, -1.0..=1.0));
        let load = t.optional("load_n").map(|key| t.number(key, -1e7..=1e7));
        let oil = t.optional("oil_c").map(|key| t.number(key, -30.0..=120.0));
        let hole = t.optional("hole_mm").map(|key| t.pair(key, 0.0..=50.0).into());
        let [engine, dump] = ["engine", "dump_closed"].map(|key| {
            let key = t.optional(key)?;
            if !pumped {
                t.wrong(key, "no such key: it takes a [pump] in place of [supply]");
            }
            Some(t.flag(key))
        });
        let numbers = [command, load, oil].iter().any(Option::is_some);
        if !numbers && hole.is_none() && engine.or(dump).is_none() && t.clean() {
            t.complain(
                "step",
                "nothing but at_s",
                "at least one of command, load_n, oil_c, hole_mm, engine, dump_closed",
            );
        }
        self.command.extend(command.map(|value| (at, value)));
        self.load.extend(load.map(|value| (at, value)));
        let events = &mut self.events;
        events.oil_temperature.extend(oil.map(|value| (at, value)));
        events.hole.extend(hole.map(|value| (at, value)));
        events.engine.extend(engine.map(|value| (at, value)));
        events.dump_closed.extend(dump.map(|value| (at, value)));
    }
}

fn bar(pressure: f64) -> String {
    format!("{}", (pressure / 1e5 * 1e6).round() / 1e6)
}
