//! `[[axis]]`, and the `[watch]` that all axes share.
//!
//! Where the actuator is a motor its stroke is an angle, so the keys that give a stroke end in `_deg` instead of `_mm`.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use bellcrank_core::machine::LEVERS_MAX;

use super::{MM, MS, SHARE, Table, checks, hydraulics, sensor};
use crate::description::{
    Actuator, Answer, Axis, Channel, Circuit, Drive, Feed, Joint, JointAxis, Linkage, Notches, Valve, Watch,
};

/// What the rest of the file has to do with an axis.
#[derive(Debug)]
pub(super) struct Setting<'a> {
    pub(super) valves: &'a [(String, Valve)],
    /// Greatest pressure of any supply, Pa.
    pub(super) pressure: f64,
    pub(super) second_supply: bool,
    pub(super) watch: &'a BTreeMap<&'static str, f64>,
    /// s
    pub(super) stop_budget: f64,
}

/// What a stroke is measured in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stroke {
    Length,
    Angle,
}

impl Stroke {
    pub(super) fn pick<T>(self, length: T, angle: T) -> T {
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
        holding: t
            .optional("holding")
            .map(|key| t.table(key, |t| hydraulics::holding(t, setting.pressure))),
        feed: feed(t, setting.second_supply),
        sensor: t.table("sensor", |t| sensor::sensor(t, stroke)),
        twin: t.optional("twin").map(|key| t.table(key, |t| sensor::twin(t, stroke))),
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
        checks::sensors(t, &axis);
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
    // No telescopes: the core knows them (`Linkage::Slide`), the simulator would turn them, which is wrong.
    let kinds = [("clevis", Clevis), ("four_bar", FourBar), ("direct", Direct)];
    match t.choice("kind", &kinds) {
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
        Stroke::Length => t.table("cylinder", hydraulics::cylinder),
        Stroke::Angle => {
            if t.optional("cylinder").is_some() {
                t.complain("cylinder", "a cylinder and a motor", "one of them");
            }
            t.table("motor", hydraulics::motor)
        }
    }
}

/// `supply`: 1 or 2.
fn feed(t: &Table, second: bool) -> Feed {
    match t.optional("supply").map(|key| t.whole(key, 1..=2_u8)) {
        Some(2) if second => Feed::Second,
        Some(2) => {
            t.complain(
                "supply",
                "2, and there is no [second_supply]",
                "1, or a [second_supply]",
            );
            Feed::First
        }
        _ => Feed::First,
    }
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
        notches: Notches::default(),
        spool_hz: f64::NAN,
        spool_zeta: f64::NAN,
        answer: Answer::default(),
        check_flow: f64::NAN,
        check_drop: f64::NAN,
        port_relief: None,
        load_check: false,
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

/// Oldest reading that is used where the file does not say, s.
const STALE: f64 = 0.050;

/// The keys of a `watch` table with their ranges.
const RATE: RangeInclusive<f64> = 0.01..=50_000.0;
const WATCH: [(&str, RangeInclusive<f64>); 12] = [
    ("jump_mm_s", RATE),
    ("jump_deg_s", RATE),
    ("confirm_ms", MS),
    ("stale_ms", MS),
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
    let given = |key: &'static str| own.get(key).or(machine.get(key)).copied();
    let get = |key: &'static str| {
        given(key).unwrap_or_else(|| {
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
        stale: given("stale_ms").unwrap_or(STALE),
        still_rate: get(stroke.pick("still_mm_s", "still_deg_s")),
        settle: get("settle_ms"),
        unasked: get("unasked_ms"),
        no_motion: get("no_motion_ms"),
        wrong_way: get("wrong_way_ms"),
        following: get(stroke.pick("following_mm", "following_deg")),
    }
}
