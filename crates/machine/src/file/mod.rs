//! The machine file: what it may say, and what it may not.
//!
//! Every key is asked for once, with its range; what the numbers must be to each other is checked where they are read, or in
//! [`checks`] where it takes geometry. Keys that may be left out are those where leaving them out means "there is none", and:
//!
//! | key | when left out |
//! |---|---|
//! | `joint.centre_mm` | half of `link_mm` |
//! | `channel.reversed` | false |
//! | `cylinder.coulomb_at_mm_s`, `motor.coulomb_at_deg_s` | 5 mm/s, 0.5 deg/s: it only rounds the corner of simulated friction |
//! | a key of an axis' `watch` | that of the machine's `[watch]` |
//! | `[carrier]` | nobody can tell when the machine tips: the lift chart is then limited by pressure alone, and says so |

mod arm;
mod axis;
mod carrier;
mod checks;

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;

use bellcrank_core::machine::{ARMS_MAX, AXES_MAX, ZONES_MAX};

pub use axis::{cylinder, valve};

use crate::builtin::BUILTIN;
use crate::description::{Description, Oil, Station, Stations, Supply, Timing, Valve, Zone};
use crate::document::{self, Complaints, DocumentError, Table};
use axis::Setting;

/// Ranges of kinds of numbers that many keys share, in the unit of the key.
const MM: RangeInclusive<f64> = -20_000.0..=20_000.0;
const MS: RangeInclusive<f64> = 1.0..=60_000.0;
const BAR: RangeInclusive<f64> = 1.0..=700.0;
const LPM: RangeInclusive<f64> = 0.1..=2_000.0;
const SHARE: RangeInclusive<f64> = 0.0..=1.0;

/// The machine of that name: a built-in one, or a file, looked for from `folder` on.
///
/// # Errors
/// No such machine, or all the mistakes in its file.
pub fn find(name: &str, folder: &Path) -> Result<Description, DocumentError> {
    let (file, text) = document::find("machine", name, &BUILTIN, folder)?;
    Ok(read(&file, &text)?)
}

/// Reads a machine file from disk.
///
/// # Errors
/// The file cannot be read, or has mistakes: all of them in one error.
pub fn load(path: impl AsRef<Path>) -> Result<Description, DocumentError> {
    let (file, text) = document::read_file(path)?;
    Ok(read(&file, &text)?)
}

/// Reads a machine file from its text; `file` is the name that complaints carry.
///
/// # Errors
/// All mistakes of the file.
pub fn read(file: &str, text: &str) -> Result<Description, Complaints> {
    document::read(file, text, machine)
}

fn machine(t: &Table) -> Description {
    let timing = t.table("timing", timing);
    let supply = t.table("supply", supply);
    let valves: Vec<(String, Valve)> =
        t.named_tables("valve", |name, t| (name.to_owned(), axis::valve(t, supply.pressure)));
    let watch = t
        .optional("watch")
        .map_or_else(BTreeMap::new, |key| t.table(key, axis::machine_watch));

    let mut names = Names::default();
    let setting = Setting {
        valves: &valves,
        watch: &watch,
        stop_budget: timing.stop_budget,
    };
    let axes = t.tables("axis", |t| {
        let axis = axis::axis(t, &setting);
        names.claim_name(t, &axis.name);
        names.claim_lever(t, axis.lever);
        axis
    });
    counted(t, "axis", axes.len(), 1..=AXES_MAX);

    let mut names = Names::default();
    let mut taken = arm::Taken::default();
    let arms = t.tables("arm", |t| {
        let arm = arm::arm(t, &axes, &mut taken);
        names.claim_name(t, &arm.name);
        arm
    });
    counted(t, "arm", arms.len(), 0..=ARMS_MAX);

    let mut names = Names::default();
    let zones = t.tables("zone", |t| {
        let zone = zone(t);
        names.claim_name(t, &zone.name);
        zone
    });
    counted(t, "zone", zones.len(), 0..=ZONES_MAX);

    Description {
        name: t.text("name"),
        stations: t.table("station", |t| stations(t, timing.tick)),
        timing,
        supply,
        oil: t.table("oil", oil),
        carrier: t.optional("carrier").map(|key| t.table(key, carrier::carrier)),
        axes,
        arms,
        zones,
    }
}

/// Names and levers given so far, to find the second of a kind.
#[derive(Debug, Default)]
struct Names {
    names: Vec<String>,
    levers: Vec<usize>,
}

impl Names {
    fn claim_name(&mut self, t: &Table, name: &str) {
        if self.names.iter().any(|taken| taken == name) && !name.is_empty() {
            t.complain("name", format!("a second {name:?}"), "a name of its own");
        }
        self.names.push(name.to_owned());
    }

    fn claim_lever(&mut self, t: &Table, lever: Option<usize>) {
        if lever.is_some_and(|lever| self.levers.contains(&lever)) && t.clean() {
            t.complain(
                "lever",
                "the lever of another axis",
                "a lever that moves no other axis in joint mode",
            );
        }
        self.levers.extend(lever);
    }
}

fn counted(t: &Table, key: &str, count: usize, room: RangeInclusive<usize>) {
    if !room.contains(&count) {
        t.complain(
            key,
            format!("{count} of them"),
            format!("{} to {}", room.start(), room.end()),
        );
    }
}

fn timing(t: &Table) -> Timing {
    let timing = Timing {
        tick: t.number("tick_ms", 0.1..=100.0),
        tick_late: t.number("tick_late_ms", 0.1..=1000.0),
        stop_discrepancy: t.number("stop_discrepancy_ms", MS),
        debounce: t.number("debounce_ms", MS),
        stop_budget: t.number("stop_budget_ms", 1.0..=2000.0),
        reaction: t.number("reaction_ms", 1.0..=1000.0),
    };
    let tick_ms = t.words("tick_ms");
    for (key, time) in [
        ("tick_late_ms", timing.tick_late),
        ("stop_discrepancy_ms", timing.stop_discrepancy),
        ("debounce_ms", timing.debounce),
        ("stop_budget_ms", timing.stop_budget),
    ] {
        if time <= timing.tick {
            t.wrong(key, format!("more than tick_ms ({tick_ms})"));
        }
    }
    timing
}

fn stations(t: &Table, tick: f64) -> Stations {
    let station = |t: &Table| {
        let station = Station {
            frame_late: t.number("frame_late_ms", 1.0..=5000.0),
            speed_cap: t.number("speed_cap", 0.01..=1.0),
            dead_zone: t.number("dead_zone", 0.0..=0.5),
        };
        if station.frame_late <= tick {
            t.wrong("frame_late_ms", "more than timing.tick_ms");
        }
        station
    };
    Stations {
        seat: t.table("seat", station),
        remote: t.optional("remote").map(|key| t.table(key, station)),
    }
}

fn supply(t: &Table) -> Supply {
    let supply = Supply {
        flow: t.number("pump_lpm", LPM),
        pressure: t.number("pressure_bar", BAR),
        control_band: t.number("control_band_bar", BAR),
        response: t.number("response_ms", MS),
        relief: t.number("relief_bar", BAR),
        relief_band: t.number("relief_band_bar", BAR),
        dump_flow: t.number("dump_lpm", LPM),
        dump_drop: t.number("dump_drop_bar", 0.1..=100.0),
        dump_time: t.number("dump_ms", MS),
        tank: t.number("tank_bar", 0.0..=20.0),
        volume: t.number("volume_l", 0.01..=1000.0),
    };
    let pressure = t.words("pressure_bar");
    if supply.relief <= supply.pressure {
        t.wrong(
            "relief_bar",
            format!("more than pressure_bar ({pressure}), or the relief valve never rests"),
        );
    }
    if supply.control_band >= supply.pressure {
        t.wrong("control_band_bar", format!("less than pressure_bar ({pressure})"));
    }
    if supply.tank >= supply.pressure {
        t.wrong("tank_bar", format!("less than pressure_bar ({pressure})"));
    }
    if supply.dump_flow < supply.flow {
        let pump = t.words("pump_lpm");
        t.wrong(
            "dump_lpm",
            format!("at least pump_lpm ({pump}): open, it takes the whole pump flow to tank"),
        );
    }
    supply
}

/// `oil`: its constants.
pub fn oil(t: &Table) -> Oil {
    Oil {
        density: t.number("density_kg_m3", 600.0..=1300.0),
        bulk_modulus: t.number("bulk_modulus_mpa", 50.0..=3000.0),
    }
}

fn zone(t: &Table) -> Zone {
    let zone = Zone {
        name: t.text("name"),
        min: t.vector3("min_mm", MM),
        max: t.vector3("max_mm", MM),
        margin: t.number("margin_mm", 0.0..=2000.0),
    };
    if zone.min.iter().zip(&zone.max).any(|(min, max)| min >= max) {
        t.wrong(
            "max_mm",
            format!("each coordinate greater than in min_mm ({})", t.words("min_mm")),
        );
    }
    zone
}

#[cfg(test)]
mod tests;
