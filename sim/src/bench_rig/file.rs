//! The rig file: read key by key, with every mistake reported at once.

use std::f64::consts::PI;
use std::ops::RangeInclusive;
use std::path::Path;

use bellcrank_machine::description::{Actuator, ActuatorKind, Oil, Valve};
use bellcrank_machine::document::{self, Complaints, Table};

use super::{Bench, RigFileError};
use crate::plant::Accuracy;
use crate::plant::rig::Rig;

/// Most samples of a run.
const SAMPLES_MAX: f64 = 1e6;

const BAR: RangeInclusive<f64> = 1.0..=700.0;
const LPM: RangeInclusive<f64> = 0.1..=2_000.0;
const FRICTION: RangeInclusive<f64> = 0.0..=1e6;
const TIME_S: RangeInclusive<f64> = 0.0..=3600.0;

/// Reads a rig file from disk.
///
/// # Errors
/// The file cannot be read, or has mistakes: all of them in one error.
pub fn load(path: impl AsRef<Path>) -> Result<Bench, RigFileError> {
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

fn oil(t: &Table) -> Oil {
    Oil {
        density: t.number("density_kg_m3", 600.0..=1300.0),
        bulk_modulus: t.number("bulk_modulus_mpa", 50.0..=3000.0),
    }
}

fn cylinder(t: &Table) -> Actuator {
    let (bore, rod) = (t.number("bore_mm", 5.0..=500.0), t.number("rod_mm", 2.0..=400.0));
    if rod >= bore {
        t.complain(
            "rod_mm",
            format!("{}", rod * 1e3),
            format!("less than bore_mm ({})", bore * 1e3),
        );
    }
    let travel = t.number("stroke_mm", 1.0..=10_000.0);
    let cushion = t.number("cushion_mm", 0.0..=500.0);
    if 2.0 * cushion > travel {
        let wanted = format!("at most half of stroke_mm ({})", travel * 1e3);
        t.complain("cushion_mm", format!("{}", cushion * 1e3), wanted);
    }
    let dead = t.pair("dead_l", 0.001..=100.0);
    Actuator {
        kind: ActuatorKind::Cylinder { bore, rod },
        area_a: PI / 4.0 * bore * bore,
        area_b: PI / 4.0 * (bore * bore - rod * rod),
        travel,
        dead_a: dead.0,
        dead_b: dead.1,
        leak: t.number("leak_cm3_s_bar", 0.0..=100.0),
        viscous: t.number("viscous_ns_m", FRICTION),
        coulomb: t.number("coulomb_n", FRICTION),
        coulomb_speed: t
            .optional("coulomb_at_mm_s")
            .map_or(0.005, |key| t.number(key, 0.1..=100.0)),
        cushion,
    }
}

fn valve(t: &Table, supply: f64) -> Valve {
    let valve = Valve {
        rated_flow: t.number("rated_lpm", LPM),
        rated_drop: t.number("rated_drop_bar", 0.5..=350.0),
        blend: t.number("blend_bar", 0.001..=10.0),
        overlap_out: t.number("overlap_out", 0.0..=0.5),
        overlap_in: t.number("overlap_in", 0.0..=0.5),
        spool_hz: t.number("spool_hz", 1.0..=500.0),
        spool_zeta: t.number("spool_zeta", 0.1..=5.0),
        check_flow: t.number("check_lpm", LPM),
        check_drop: t.number("check_drop_bar", 0.1..=50.0),
        port_relief: t.optional("port_relief_bar").map(|key| t.number(key, BAR)),
        load_check: t.flag("load_check"),
    };
    if valve.blend >= valve.rated_drop {
        t.complain("blend_bar", bar(valve.blend), "less than rated_drop_bar");
    }
    if let Some(relief) = valve.port_relief
        && relief <= supply
    {
        let wanted = format!(
            "more than supply.pressure_bar ({}), or it opens in normal work",
            bar(supply)
        );
        t.complain("port_relief_bar", bar(relief), wanted);
    }
    valve
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
