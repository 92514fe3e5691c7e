//! `[[axis]]`, the valve kinds that axes name, and the `[watch]` that they share.
//!
//! Where the actuator is a motor its stroke is an angle, so the keys that give a stroke end in `_deg` instead of `_mm`.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::ops::RangeInclusive;

use bellcrank_core::machine::LEVERS_MAX;

use super::{BAR, LPM, MM, MS, SHARE, Table, checks};
use crate::description::{
    Actuator, ActuatorKind, Axis, Channel, Circuit, Drive, Joint, JointAxis, Linkage, Sensor, Valve, Watch,
};

/// Leakage, friction and dead volume, in the unit of the key.
const LEAK: RangeInclusive<f64> = 0.0..=100.0;
const FRICTION: RangeInclusive<f64> = 0.0..=1e6;
const DEAD_L: RangeInclusive<f64> = 0.001..=100.0;

/// What the rest of the file has to do with an axis.
#[derive(Debug)]
pub(super) struct Setting<'a> {
    pub(super) valves: &'a [(String, Valve)],
    pub(super) watch: &'a BTreeMap<&'static str, f64>,
    /// s
    pub(super) stop_budget: f64,
}

/// What a stroke is measured in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stroke {
    Length,
    Angle,
}

impl Stroke {
    fn pick<T>(self, length: T, angle: T) -> T {
        match self {
            Stroke::Length => length,
            Stroke::Angle => angle,
        }
    }
}

pub(super) fn axis(t: &Table, setting: &Setting) -> Axis {
    let stroke = if t.optional("motor").is_some() {
        Stroke::Angle
    } else {
        Stroke::Length
    };
    let (linkage, linkage_clean) = t.table("linkage", |t| (linkage(t), t.clean()));
    let axis = Axis {
        name: t.text("name"),
        joint: t.table("joint", joint),
        actuator: actuator(t, stroke),
        valve: valve_of(t, setting.valves),
        sensor: t.table("sensor", |t| sensor(t, stroke)),
        channel: t.table("channel", channel),
        drive: t.table("drive", |t| drive(t, stroke, setting.stop_budget)),
        watch: watch_of(t, stroke, setting.watch),
        lever: t.optional("lever").map(|key| t.whole(key, 0..=LEVERS_MAX - 1)),
        linkage,
    };
    if linkage_clean && matches!(axis.linkage, Linkage::Direct { .. }) != (stroke == Stroke::Angle) {
        let (found, wanted) = stroke.pick(
            ("\"direct\" with a cylinder", "a motor"),
            ("a motor", "kind \"direct\""),
        );
        t.complain(
            "linkage",
            found,
            format!("{wanted}: a motor sits on its joint, a cylinder drives it through pins"),
        );
    }
    if t.clean() {
        checks::linkage(t, &axis);
        checks::sensor(t, &axis);
    }
    axis
}

fn joint(t: &Table) -> Joint {
    let axes = [("x", JointAxis::X), ("y", JointAxis::Y), ("z", JointAxis::Z)];
    let link = t.vector3("link_mm", MM);
    Joint {
        axis: t.choice("axis", &axes).unwrap_or(JointAxis::X),
        link,
        mass: t.number("mass_kg", 0.01..=100_000.0),
        centre: t.optional("centre_mm").map_or(link / 2.0, |key| t.vector3(key, MM)),
        radius: t.number("radius_mm", 0.0..=2000.0),
        range: t.rising("range_deg", -360.0..=360.0),
    }
}

#[derive(Clone, Copy)]
enum LinkageKind {
    Clevis,
    FourBar,
    Direct,
}

fn linkage(t: &Table) -> Linkage {
    use LinkageKind::{Clevis, Direct, FourBar};
    const BAR_MM: RangeInclusive<f64> = 1.0..=20_000.0;
    match t.choice("kind", &[("clevis", Clevis), ("four_bar", FourBar), ("direct", Direct)]) {
        Some(Clevis) => Linkage::Clevis {
            barrel_pin: t.vector3("barrel_pin_mm", MM),
            rod_pin: t.vector3("rod_pin_mm", MM),
            closed: t.number("closed_mm", BAR_MM),
        },
        Some(FourBar) => Linkage::FourBar {
            barrel_pin: t.vector3("barrel_pin_mm", MM),
            rocker_pivot: t.vector3("rocker_pivot_mm", MM),
            rocker_rod: t.number("rocker_rod_mm", BAR_MM),
            rocker_coupler: t.number("rocker_coupler_mm", BAR_MM),
            rocker_angle: t.number("rocker_angle_deg", -180.0..=180.0),
            coupler: t.number("coupler_mm", BAR_MM),
            child_pin: t.vector3("child_pin_mm", MM),
            closed: t.number("closed_mm", BAR_MM),
            circuit: t
                .choice("circuit", &[("open", Circuit::Open), ("crossed", Circuit::Crossed)])
                .unwrap_or(Circuit::Open),
        },
        Some(Direct) => Linkage::Direct {
            zero: t.number("zero_deg", -360.0..=360.0),
        },
        None => {
            t.pass_over_rest();
            Linkage::Direct { zero: f64::NAN }
        }
    }
}

fn actuator(t: &Table, stroke: Stroke) -> Actuator {
    match stroke {
        Stroke::Length => t.table("cylinder", cylinder),
        Stroke::Angle => {
            if t.optional("cylinder").is_some() {
                t.complain("cylinder", "a cylinder and a motor", "one of them");
            }
            t.table("motor", motor)
        }
    }
}

/// `cylinder`: a double-acting cylinder with one rod. The keys are those of an axis in a machine file.
pub fn cylinder(t: &Table) -> Actuator {
    let (bore, rod) = (t.number("bore_mm", 5.0..=500.0), t.number("rod_mm", 2.0..=400.0));
    if rod >= bore {
        t.wrong("rod_mm", format!("less than bore_mm ({})", t.words("bore_mm")));
    }
    let dead = t.pair("dead_l", DEAD_L);
    let travel = t.number("stroke_mm", 1.0..=10_000.0);
    Actuator {
        kind: ActuatorKind::Cylinder { bore, rod },
        area_a: PI / 4.0 * bore * bore,
        area_b: PI / 4.0 * (bore * bore - rod * rod),
        travel,
        dead_a: dead.0,
        dead_b: dead.1,
        leak: t.number("leak_cm3_s_bar", LEAK),
        viscous: t.number("viscous_ns_m", FRICTION),
        coulomb: t.number("coulomb_n", FRICTION),
        coulomb_speed: t
            .optional("coulomb_at_mm_s")
            .map_or(0.005, |key| t.number(key, 0.1..=100.0)),
        cushion: cushion(t, "cushion_mm", 0.0..=500.0, travel),
    }
}

fn motor(t: &Table) -> Actuator {
    let displacement = t.number("displacement_cm3", 1.0..=1e6);
    let dead = t.pair("dead_l", DEAD_L);
    let travel = t.number("stroke_deg", 1.0..=720.0);
    Actuator {
        kind: ActuatorKind::Motor { displacement },
        area_a: displacement / (2.0 * PI),
        area_b: displacement / (2.0 * PI),
        travel,
        dead_a: dead.0,
        dead_b: dead.1,
        leak: t.number("leak_cm3_s_bar", LEAK),
        viscous: t.number("viscous_nms_rad", FRICTION),
        coulomb: t.number("coulomb_nm", FRICTION),
        coulomb_speed: t
            .optional("coulomb_at_deg_s")
            .map_or(0.5_f64.to_radians(), |key| t.number(key, 0.01..=10.0)),
        cushion: cushion(t, "cushion_deg", 0.0..=90.0, travel),
    }
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
        spool_hz: t.number("spool_hz", 1.0..=500.0),
        spool_zeta: t.number("spool_zeta", 0.1..=5.0),
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

fn valve_of(t: &Table, valves: &[(String, Valve)]) -> Valve {
    let name = t.text("valve");
    if let Some((_, valve)) = valves.iter().find(|(known, _)| *known == name) {
        return valve.clone();
    }
    if !name.is_empty() {
        let known: Vec<&str> = valves.iter().map(|(name, _)| name.as_str()).collect();
        t.complain(
            "valve",
            format!("{name:?}"),
            format!("one of the kinds under [valve.NAME]: {}", known.join(", ")),
        );
    }
    Valve {
        rated_flow: f64::NAN,
        rated_drop: f64::NAN,
        blend: f64::NAN,
        overlap_out: f64::NAN,
        overlap_in: f64::NAN,
        spool_hz: f64::NAN,
        spool_zeta: f64::NAN,
        check_flow: f64::NAN,
        check_drop: f64::NAN,
        port_relief: None,
        load_check: false,
    }
}

fn sensor(t: &Table, stroke: Stroke) -> Sensor {
    let converter_volts = t.number("converter_v", 0.1..=100.0);
    let volts = t.rising("volts", -100.0..=100.0);
    let fault_volts = t.rising("fault_volts", -100.0..=100.0);
    let at_key = stroke.pick("at_mm", "at_deg");
    let at = t.pair(at_key, stroke.pick(-20_000.0..=20_000.0, -720.0..=720.0));
    if at.0 == at.1 {
        t.wrong(at_key, "two different strokes");
    }
    if fault_volts.0 <= 0.0 || fault_volts.1 >= converter_volts {
        let span = t.words("converter_v");
        t.wrong(
            "fault_volts",
            format!("inside 0 to converter_v ({span}): a fault has to be a voltage that can be read"),
        );
    }
    if volts.0 <= fault_volts.0 || volts.1 >= fault_volts.1 {
        t.wrong(
            "volts",
            format!("inside fault_volts ({}), on neither end", t.words("fault_volts")),
        );
    }
    Sensor {
        points: [(volts.0, at.0), (volts.1, at.1)],
        fault_volts,
        converter_volts,
        converter_bits: t.whole("converter_bits", 6..=24),
        noise: t.number("noise_mv", 0.0..=1000.0),
    }
}

fn channel(t: &Table) -> Channel {
    let neutral = t.number("neutral", SHARE);
    let band = t.rising("band", SHARE);
    if neutral <= band.0 || neutral >= band.1 {
        t.wrong("neutral", format!("inside band ({}), on neither end", t.words("band")));
    }
    Channel {
        neutral,
        band,
        reversed: t.optional("reversed").is_some_and(|key| t.flag(key)),
    }
}

fn drive(t: &Table, stroke: Stroke, stop_budget: f64) -> Drive {
    let rate = |key| t.pair(key, 0.1..=10_000.0);
    let drive = Drive {
        deadband: t.pair("deadband", 0.0..=0.6),
        full_rate: rate(stroke.pick("full_mm_s", "full_deg_s")),
        ramp_up: t.number("ramp_up_ms", MS),
        ramp_down: t.number("ramp_down_ms", MS),
        stop_ramp: t.number("stop_ramp_ms", MS),
        gain: t.number("gain_per_s", 0.0..=100.0),
        integral_time: t.number("integral_ms", 0.0..=60_000.0),
        braking: t.number(stroke.pick("braking_mm_s2", "braking_deg_s2"), 1.0..=50_000.0),
    };
    if drive.stop_ramp > stop_budget {
        let wanted = format!(
            "at most timing.stop_budget_ms ({:.0}): power is cut then",
            stop_budget * 1e3
        );
        t.wrong("stop_ramp_ms", wanted);
    }
    drive
}

/// The keys of a `watch` table with their ranges.
const RATE: RangeInclusive<f64> = 0.01..=50_000.0;
const WATCH: [(&str, RangeInclusive<f64>); 11] = [
    ("jump_mm_s", RATE),
    ("jump_deg_s", RATE),
    ("confirm_ms", MS),
    ("still_mm_s", RATE),
    ("still_deg_s", RATE),
    ("settle_ms", MS),
    ("unasked_ms", MS),
    ("no_motion_ms", MS),
    ("wrong_way_ms", MS),
    ("following_mm", 0.1..=5000.0),
    ("following_deg", 0.1..=360.0),
];

/// The machine's own `[watch]`: what an axis does not say itself.
pub(super) fn machine_watch(t: &Table) -> BTreeMap<&'static str, f64> {
    WATCH
        .into_iter()
        .filter_map(|(key, range)| Some((key, t.number(t.optional(key)?, range))))
        .collect()
}

/// An axis' `watch`, if it has one, over the machine's.
fn watch_of(t: &Table, stroke: Stroke, machine: &BTreeMap<&'static str, f64>) -> Watch {
    let own = t
        .optional("watch")
        .map_or_else(BTreeMap::new, |key| t.table(key, machine_watch));
    let get = |key: &'static str| {
        own.get(key).or(machine.get(key)).copied().unwrap_or_else(|| {
            t.complain(
                "watch",
                format!("no {key}, neither here nor in [watch]"),
                "it in one of the two",
            );
            f64::NAN
        })
    };
    Watch {
        jump_rate: get(stroke.pick("jump_mm_s", "jump_deg_s")),
        sensor_confirm: get("confirm_ms"),
        still_rate: get(stroke.pick("still_mm_s", "still_deg_s")),
        settle: get("settle_ms"),
        unasked: get("unasked_ms"),
        no_motion: get("no_motion_ms"),
        wrong_way: get("wrong_way_ms"),
        following: get(stroke.pick("following_mm", "following_deg")),
    }
}
