//! The machine file: what it may say, and what it may not.
//!
//! Every key is asked for once, with its range; what the numbers must be to each other is checked where they are read, or in
//! [`checks`] where it takes geometry. Keys that may be left out are those where leaving them out means "there is none", and:
//!
//! | key | when left out |
//! |---|---|
//! | `joint.centre_mm` | half of `link_mm` |
//! | `channel.kind` | `pwm`: `neutral`, `band`. `coils`: `full_ma`, the extending coil first. `voltage`: `full_v` |
//! | `channel.reversed` | false |
//! | `cylinder.coulomb_at_mm_s`, `motor.coulomb_at_deg_s` | 5 mm/s, 0.5 deg/s: it only rounds the corner of simulated friction |
//! | `breakaway_n`, `breakaway_nm` | the Coulomb friction: nothing sticks |
//! | `breakaway_at_mm_s`, `breakaway_at_deg_s` | 10 mm/s, 1 deg/s |
//! | `swell_cm3_bar` | hoses do not swell |
//! | `land_share`, `progression`, `land_leak_cm3_s_bar` | four equal, straight, tight lands |
//! | `vent_cm3_s_bar` | both ports are closed with the spool in the middle |
//! | `slew_per_s`, `hysteresis_percent`, `stiction_percent`, `delay_ms` | the spool's own dynamics alone |
//! | `supply.control`, `supply.leak_cm3_s_bar` | pressure control; a tight pump |
//! | `axis.supply` | 1: the first |
//! | `oil.air_percent` | textbook oil: constant modulus and density |
//! | `oil.grade_vg`, `at_100_c_mm2_s`, `working_c` | 46, 6.8 mm²/s, 50 °C |
//! | `[engine]` | something that never slows down |
//! | a key of an axis' `watch` | that of the machine's `[watch]` |
//! | a key of an axis' `drive` that the machine's `[drive]` may have too | that |
//! | `watch.stale_ms` | 50: only readings that come by a bus, or stop coming, have an age |
//! | `drive.curve_out`, `drive.curve_in` | a straight line from deadband to full |
//! | `ramp_round_ms`, `smooth_ms`, `damp_ms`, `lead_ms`, `fill_mm`, `fill_deg`, `run_on_mm`, `run_on_deg` | 0: none |
//! | `hold_mm`, `hold_deg` | 0: an axis that nothing asks to move is left to its valves |
//! | `dither_percent`, `dither_hz` | no dither |
//! | `sensor.signal` | `voltage`: `volts` and `fault_volts`. `ratiometric`: `shares`, `fault_shares`, `excitation_v`, `excitation_band_v`. `current`: `loop_ma`, `shunt_ohm` |
//! | `sensor.fault_ma` | 3.6 and 21 mA, as NAMUR NE 43 has them |
//! | `sensor.every_ms` | there is a new reading every tick |
//! | `axis.twin` | there is no second sensor: nothing confirms the first |
//! | `timing.tick_early_ms` | 0: only two ticks at the same moment are too soon |
//! | `[control]`, `supply_v`, `relay_ms`, `watchdog_ms`, `stop_pulse_ms` | the controller's voltage is not read; relays have no feedback contacts; there is no external watchdog; the stop chain has no test pulses |
//! | `station.required` | false: its silence stops the machine only while it is in charge |
//! | `station.tip_mm_s` | tips go as fast as they can |
//! | `[guard]`, `commissioning_mm_s` | there is one arm; the key switch for commissioning does nothing |
//! | `[seat]` | it sits at the origin and looks forward: its frame is the machine's |
//! | `station.expo`, `station.slow_share` | 0 and 1: a lever is as fine everywhere, and slow mode is no slower |
//! | `zone.kind`, `zone.on`, `zone.spares` | `box`; fixed to the machine; it spares nothing |
//! | `[carrier]` | nobody can tell when the machine tips: the lift chart is then limited by pressure alone, and says so |

mod arm;
mod axis;
mod carrier;
mod checks;
mod hydraulics;
mod sensor;
mod zone;

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;

use bellcrank_core::machine::{ARMS_MAX, AXES_MAX, ZONES_MAX};

pub use hydraulics::{cylinder, engine, holding, oil, supply, valve};

use crate::builtin::BUILTIN;
use crate::description::{Control, Description, SeatPlace, Station, Stations, Timing, Valve};
use crate::document::{self, Complaints, DocumentError, Table};
use axis::Setting;

/// Ranges of kinds of numbers that many keys share, in the unit of the key.
const MM: RangeInclusive<f64> = -20_000.0..=20_000.0;
const MS: RangeInclusive<f64> = 1.0..=60_000.0;
const BAR: RangeInclusive<f64> = 1.0..=700.0;
const LPM: RangeInclusive<f64> = 0.1..=2_000.0;
const SHARE: RangeInclusive<f64> = 0.0..=1.0;
const TIP_MM_S: RangeInclusive<f64> = 1.0..=3000.0;

/// The machine of that name: a built-in one, or a file, looked for from `folder` on.
///
/// # Errors
/// No such machine, or all the mistakes in its file.
pub fn find(name: &str, folder: &Path) -> Result<Description, DocumentError> {
    let (file, text) = source(name, folder)?;
    Ok(read(&file, &text)?)
}

/// The same unread: the name to complain under, and the text.
///
/// # Errors
/// No such machine, or its file cannot be read.
pub fn source(name: &str, folder: &Path) -> Result<(String, String), DocumentError> {
    document::find("machine", name, &BUILTIN, folder)
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
    let supply = t.table("supply", hydraulics::supply);
    let second_supply = t.optional("second_supply").map(|key| t.table(key, hydraulics::supply));
    let pressure = second_supply.iter().fold(supply.pressure, |p, s| p.max(s.pressure));
    let valves: Vec<(String, Valve)> = t.named_tables("valve", |name, t| (name.to_owned(), valve(t, pressure)));
    let watch = t
        .optional("watch")
        .map_or_else(BTreeMap::new, |key| t.table(key, axis::machine_watch));
    let drive = t
        .optional("drive")
        .map_or_else(BTreeMap::new, |key| t.table(key, |t| axis::shared_drive(t, &timing)));

    let mut names = Names::default();
    let setting = Setting {
        valves: &valves,
        pressure,
        second_supply: second_supply.is_some(),
        watch: &watch,
        drive: &drive,
        timing: &timing,
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
        let zone = zone::zone(t, &axes, &arms);
        names.claim_name(t, &zone.name);
        zone
    });
    counted(t, "zone", zones.len(), 0..=ZONES_MAX);

    Description {
        name: t.text("name"),
        seat: t
            .optional("seat")
            .map_or_else(SeatPlace::default, |key| t.table(key, seat)),
        control: t
            .optional("control")
            .map_or_else(Control::default, |key| t.table(key, |t| control(t, timing.tick))),
        stations: t.table("station", |t| stations(t, timing.tick)),
        timing,
        engine: t.optional("engine").map(|key| t.table(key, hydraulics::engine)),
        supply,
        second_supply,
        oil: t.table("oil", oil),
        carrier: t.optional("carrier").map(|key| t.table(key, carrier::carrier)),
        guard: zone::guard(t, arms.len()),
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
        tick_early: t
            .optional("tick_early_ms")
            .map_or(0.0, |key| t.number(key, 0.0..=100.0)),
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
    if timing.tick_early >= timing.tick {
        t.wrong("tick_early_ms", format!("less than tick_ms ({tick_ms})"));
    }
    timing
}

fn control(t: &Table, tick: f64) -> Control {
    let control = Control {
        supply: t.optional("supply_v").map(|key| t.rising(key, 1.0..=60.0)),
        relay: t.optional("relay_ms").map(|key| t.number(key, MS)),
        watchdog: t.optional("watchdog_ms").map(|key| t.rising(key, 0.0..=1000.0)),
        stop_pulse: t.optional("stop_pulse_ms").map_or(0.0, |key| t.number(key, 0.0..=20.0)),
    };
    if control
        .watchdog
        .is_some_and(|(early, late)| tick <= early || tick >= late)
    {
        t.wrong(
            "watchdog_ms",
            "a window with timing.tick_ms inside it: it is fed once a tick",
        );
    }
    if control.relay.is_some_and(|relay| relay <= tick) {
        t.wrong("relay_ms", "more than timing.tick_ms");
    }
    control
}

fn stations(t: &Table, tick: f64) -> Stations {
    let station = |t: &Table| {
        let station = Station {
            frame_late: t.number("frame_late_ms", 1.0..=5000.0),
            required: t.optional("required").is_some_and(|key| t.flag(key)),
            speed_cap: t.number("speed_cap", 0.01..=1.0),
            dead_zone: t.number("dead_zone", 0.0..=0.5),
            tip_speed: t.optional("tip_mm_s").map(|key| t.number(key, TIP_MM_S)),
            expo: t.optional("expo").map_or(0.0, |key| t.number(key, SHARE)),
            slow_share: t.optional("slow_share").map_or(1.0, |key| t.number(key, 0.01..=1.0)),
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

fn seat(t: &Table) -> SeatPlace {
    SeatPlace {
        position: t.vector3("position_mm", MM),
        yaw: t.number("yaw_deg", -180.0..=180.0),
    }
}

#[cfg(test)]
mod tests;
