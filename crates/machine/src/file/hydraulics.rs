//! `[engine]`, `[supply]`, `[oil]`, the actuators, the valve kinds and load-holding valves.
//!
//! Where the actuator is a motor its stroke is an angle, so the keys that give a stroke end in `_deg` instead of `_mm`.

use std::f64::consts::PI;
use std::ops::RangeInclusive;

use super::{BAR, LPM, MS, Table};
use crate::description::{
    Actuator, ActuatorKind, Answer, Engine, Holding, HoldingKind, Notches, Oil, PumpControl, Supply, Valve,
};

/// Leakage, friction, volumes and swelling, in the unit of the key.
const LEAK: RangeInclusive<f64> = 0.0..=100.0;
const FRICTION: RangeInclusive<f64> = 0.0..=1e6;
const DEAD_L: RangeInclusive<f64> = 0.001..=100.0;
const SWELL: RangeInclusive<f64> = 0.0..=100.0;

/// Grades of ISO 3448: kinematic viscosity at 40 °C, mm²/s (from memory).
const ISO_VG: [f64; 20] = [
    2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 22.0, 32.0, 46.0, 68.0, 100.0, 150.0, 220.0, 320.0, 460.0, 680.0, 1000.0, 1500.0,
    2200.0, 3200.0,
];

/// `[engine]`: what turns the pumps.
pub fn engine(t: &Table) -> Engine {
    let engine = Engine {
        rated: t.number("rated_rpm", 300.0..=6000.0),
        torque: t.number("torque_nm", 1.0..=20_000.0),
        droop: t.number("droop_percent", 0.5..=30.0),
        inertia: t.number("inertia_kg_m2", 0.001..=1000.0),
        stall: t.number("stall_rpm", 50.0..=3000.0),
        drag: t.number("drag_nm", 0.1..=5000.0),
    };
    if engine.stall >= engine.rated {
        t.wrong("stall_rpm", format!("less than rated_rpm ({})", t.words("rated_rpm")));
    }
    if engine.drag >= engine.torque {
        t.wrong("drag_nm", format!("less than torque_nm ({})", t.words("torque_nm")));
    }
    engine
}

#[derive(Clone, Copy)]
enum Control {
    Fixed,
    Pressure,
    LoadSensing,
}

/// `[supply]` and `[second_supply]`.
pub fn supply(t: &Table) -> Supply {
    let controls = [
        ("pressure", Control::Pressure),
        ("load_sensing", Control::LoadSensing),
        ("fixed", Control::Fixed),
    ];
    let control = t.optional("control").and_then(|key| t.choice(key, &controls));
    let supply = Supply {
        control: match control.unwrap_or(Control::Pressure) {
            Control::Fixed => PumpControl::Fixed,
            Control::Pressure => PumpControl::Pressure,
            Control::LoadSensing => PumpControl::LoadSensing {
                margin: t.number("margin_bar", 2.0..=100.0),
            },
        },
        flow: t.number("pump_lpm", LPM),
        leak: t.optional("leak_cm3_s_bar").map_or(0.0, |key| t.number(key, LEAK)),
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
    if supply.leak * supply.pressure >= supply.flow {
        t.wrong("leak_cm3_s_bar", "less than the pump's whole flow at pressure_bar");
    }
    supply
}

/// `oil`: its constants. Without `air_percent` it is textbook oil; without viscosities an ISO VG 46.
pub fn oil(t: &Table) -> Oil {
    let plain = Oil::textbook(
        t.number("density_kg_m3", 600.0..=1300.0),
        t.number("bulk_modulus_mpa", 50.0..=3000.0),
    );
    let oil = Oil {
        air: t.optional("air_percent").map(|key| t.number(key, 0.0..=20.0)),
        viscosity: (
            t.optional("grade_vg").map_or(plain.viscosity.0, |key| grade(t, key)),
            t.optional("at_100_c_mm2_s")
                .map_or(plain.viscosity.1, |key| t.number(key, 0.5..=1000.0)),
        ),
        temperature: t
            .optional("working_c")
            .map_or(plain.temperature, |key| t.number(key, -30.0..=120.0)),
        ..plain
    };
    if oil.viscosity.1 >= oil.viscosity.0 && t.clean() {
        t.complain(
            "at_100_c_mm2_s",
            format!("{}", oil.viscosity.1 * 1e6),
            format!("less than at 40 °C ({}): oil thins as it warms", oil.viscosity.0 * 1e6),
        );
    }
    oil
}

/// Viscosity at 40 °C of an ISO VG grade, m²/s.
fn grade(t: &Table, key: &'static str) -> f64 {
    let grade = t.number(key, 2.0..=3200.0);
    if grade.is_finite() && !ISO_VG.contains(&grade) {
        let known: Vec<String> = ISO_VG.iter().map(f64::to_string).collect();
        t.wrong(key, format!("a grade of ISO 3448: {}", known.join(", ")));
    }
    grade * 1e-6
}

/// `cylinder`: a double-acting cylinder with one rod. The keys are those of an axis in a machine file.
pub fn cylinder(t: &Table) -> Actuator {
    let (bore, rod) = (t.number("bore_mm", 5.0..=500.0), t.number("rod_mm", 2.0..=400.0));
    if rod >= bore {
        t.wrong("rod_mm", format!("less than bore_mm ({})", t.words("bore_mm")));
    }
    let dead = t.pair("dead_l", DEAD_L);
    let travel = t.number("stroke_mm", 1.0..=10_000.0);
    let coulomb = t.number("coulomb_n", FRICTION);
    Actuator {
        kind: ActuatorKind::Cylinder { bore, rod },
        area_a: PI / 4.0 * bore * bore,
        area_b: PI / 4.0 * (bore * bore - rod * rod),
        travel,
        dead_a: dead.0,
        dead_b: dead.1,
        swell: swell(t),
        leak: t.number("leak_cm3_s_bar", LEAK),
        viscous: t.number("viscous_ns_m", FRICTION),
        coulomb,
        coulomb_speed: t
            .optional("coulomb_at_mm_s")
            .map_or(0.005, |key| t.number(key, 0.1..=100.0)),
        breakaway: breakaway(t, "breakaway_n", coulomb),
        breakaway_speed: t
            .optional("breakaway_at_mm_s")
            .map_or(0.01, |key| t.number(key, 0.1..=500.0)),
        cushion: cushion(t, "cushion_mm", 0.0..=500.0, travel),
    }
}

pub(super) fn motor(t: &Table) -> Actuator {
    let displacement = t.number("displacement_cm3", 1.0..=1e6);
    let dead = t.pair("dead_l", DEAD_L);
    let travel = t.number("stroke_deg", 1.0..=720.0);
    let coulomb = t.number("coulomb_nm", FRICTION);
    Actuator {
        kind: ActuatorKind::Motor { displacement },
        area_a: displacement / (2.0 * PI),
        area_b: displacement / (2.0 * PI),
        travel,
        dead_a: dead.0,
        dead_b: dead.1,
        swell: swell(t),
        leak: t.number("leak_cm3_s_bar", LEAK),
        viscous: t.number("viscous_nms_rad", FRICTION),
        coulomb,
        coulomb_speed: t
            .optional("coulomb_at_deg_s")
            .map_or(0.5_f64.to_radians(), |key| t.number(key, 0.01..=10.0)),
        breakaway: breakaway(t, "breakaway_nm", coulomb),
        breakaway_speed: t
            .optional("breakaway_at_deg_s")
            .map_or(1.0_f64.to_radians(), |key| t.number(key, 0.01..=50.0)),
        cushion: cushion(t, "cushion_deg", 0.0..=90.0, travel),
    }
}

fn swell(t: &Table) -> [f64; 2] {
    t.optional("swell_cm3_bar")
        .map_or([0.0; 2], |key| t.pair(key, SWELL).into())
}

fn breakaway(t: &Table, key: &'static str, coulomb: f64) -> f64 {
    let Some(key) = t.optional(key) else { return coulomb };
    let breakaway = t.number(key, FRICTION);
    if breakaway < coulomb {
        t.wrong(key, format!("at least the Coulomb friction ({coulomb})"));
    }
    breakaway
}

fn cushion(t: &Table, key: &'static str, range: RangeInclusive<f64>, travel: f64) -> f64 {
    let cushion = t.number(key, range);
    if 2.0 * cushion > travel {
        t.wrong(key, "at most half of the stroke: there is one at each end");
    }
    cushion
}

/// `[valve.NAME]`: a valve section. `pressure` is that of the supply, Pa, against which its port reliefs are checked.
pub fn valve(t: &Table, pressure: f64) -> Valve {
    let valve = Valve {
        rated_flow: t.number("rated_lpm", LPM),
        rated_drop: t.number("rated_drop_bar", 0.5..=350.0),
        blend: t.number("blend_bar", 0.001..=10.0),
        overlap_out: t.number("overlap_out", 0.0..=0.5),
        overlap_in: t.number("overlap_in", 0.0..=0.5),
        notches: notches(t),
        spool_hz: t.number("spool_hz", 1.0..=500.0),
        spool_zeta: t.number("spool_zeta", 0.1..=5.0),
        answer: answer(t),
        check_flow: t.number("check_lpm", LPM),
        check_drop: t.number("check_drop_bar", 0.1..=50.0),
        port_relief: t.optional("port_relief_bar").map(|key| t.number(key, BAR)),
        load_check: t.flag("load_check"),
    };
    if valve.blend >= valve.rated_drop {
        t.wrong(
            "blend_bar",
            format!("less than rated_drop_bar ({})", t.words("rated_drop_bar")),
        );
    }
    if let Some(relief) = valve.port_relief
        && relief <= pressure
    {
        let wanted = format!(
            "more than supply.pressure_bar ({:.0}), or it opens in normal work",
            pressure / 1e5
        );
        t.wrong("port_relief_bar", wanted);
    }
    valve
}

fn notches(t: &Table) -> Notches {
    let plain = Notches::default();
    let share = t.optional("land_share").map_or(plain.share, |key| {
        let found = t.numbers(key, 0.01..=1.0);
        found.try_into().unwrap_or_else(|found: Vec<f64>| {
            let wanted = "four shares: P to A, P to B, A to T, B to T";
            t.complain(key, format!("{} of them", found.len()), wanted);
            plain.share
        })
    });
    Notches {
        share,
        progression: t
            .optional("progression")
            .map_or(plain.progression, |key| t.number(key, 0.0..=0.95)),
        leak: t
            .optional("land_leak_cm3_s_bar")
            .map_or(plain.leak, |key| t.number(key, LEAK)),
        vent: t
            .optional("vent_cm3_s_bar")
            .map_or(plain.vent, |key| t.number(key, LEAK)),
    }
}

fn answer(t: &Table) -> Answer {
    let plain = Answer::default();
    Answer {
        slew: t
            .optional("slew_per_s")
            .map_or(plain.slew, |key| t.number(key, 0.1..=1000.0)),
        hysteresis: t
            .optional("hysteresis_percent")
            .map_or(plain.hysteresis, |key| t.number(key, 0.0..=20.0)),
        stiction: t
            .optional("stiction_percent")
            .map_or(plain.stiction, |key| t.number(key, 0.0..=20.0)),
        delay: t
            .optional("delay_ms")
            .map_or(plain.delay, |key| t.number(key, 0.0..=1000.0)),
    }
}

/// `holding`: a load-holding valve. `pressure` is that of the supply, Pa.
pub fn holding(t: &Table, pressure: f64) -> Holding {
    let counterbalance = t
        .choice("kind", &[("counterbalance", true), ("lock", false)])
        .unwrap_or(true);
    let kind = if counterbalance {
        HoldingKind::Counterbalance {
            setting: t.number("setting_bar", BAR),
        }
    } else {
        HoldingKind::Lock {
            spring: t.number("spring_bar", 0.1..=50.0),
        }
    };
    if let HoldingKind::Counterbalance { setting } = kind
        && setting <= pressure
    {
        t.wrong(
            "setting_bar",
            format!(
                "more than supply.pressure_bar ({:.0}), or the supply alone pushes it open",
                pressure / 1e5
            ),
        );
    }
    let line = t.pair("line_l", DEAD_L);
    Holding {
        kind,
        on: t
            .choice("on", &[("a", [true, false]), ("b", [false, true]), ("both", [true; 2])])
            .unwrap_or([true; 2]),
        pilot_ratio: t.number("pilot_ratio", 0.5..=20.0),
        flow: t.number("flow_lpm", LPM),
        drop: t.number("drop_bar", 0.1..=100.0),
        band: t.number("band_bar", 1.0..=300.0),
        line: line.into(),
    }
}
