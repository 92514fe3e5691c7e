//! `[[axis]]`, and the `[watch]` and `[drive]` that all axes share.
//!
//! Where the actuator is a motor its stroke is an angle, so the keys that give a stroke end in `_deg` instead of `_mm`.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use bellcrank_core::machine::{CURVE_POINTS_MAX, LEVERS_MAX};

use super::{MM, MS, SHARE, Table, checks, hydraulics, sensor};
use crate::description::{
    Actuator, Answer, Axis, Channel, Circuit, Drive, Feed, Joint, JointAxis, Linkage, Notches, Timing, Valve, Watch,
};

/// What the rest of the file has to do with an axis.
#[derive(Debug)]
pub(super) struct Setting<'a> {
    pub(super) valves: &'a [(String, Valve)],
    /// Greatest pressure of any supply, Pa.
    pub(super) pressure: f64,
    pub(super) second_supply: bool,
    pub(super) watch: &'a BTreeMap<&'static str, f64>,
    pub(super) drive: &'a BTreeMap<&'static str, f64>,
    pub(super) timing: &'a Timing,
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
        drive: t.table("drive", |t| drive(t, stroke, setting)),
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

#[derive(Clone, Copy)]
enum ChannelKind {
    Pwm,
    Coils,
    Voltage,
}

fn channel(t: &Table) -> Channel {
    use ChannelKind::{Coils, Pwm, Voltage};
    let kinds = [("pwm", Pwm), ("coils", Coils), ("voltage", Voltage)];
    let kind = t.optional("kind").map_or(Some(Pwm), |key| t.choice(key, &kinds));
    let reversed = || t.optional("reversed").is_some_and(|key| t.flag(key));
    match kind {
        Some(Coils) => Channel::Coils {
            full: t.pair("full_ma", 1.0..=10_000.0),
        },
        Some(Voltage) => Channel::Voltage {
            full: t.number("full_v", 0.1..=30.0),
            reversed: reversed(),
        },
        Some(Pwm) => {
            let neutral = t.number("neutral", SHARE);
            let band = t.rising("band", SHARE);
            if neutral <= band.0 || neutral >= band.1 {
                t.wrong("neutral", format!("inside band ({}), on neither end", t.words("band")));
            }
            Channel::Pwm {
                neutral,
                band,
                reversed: reversed(),
            }
        }
        None => {
            t.pass_over_rest();
            Channel::Coils {
                full: (f64::NAN, f64::NAN),
            }
        }
    }
}

/// What the axes may share in the machine's `[drive]`, with ranges. The first five must be given, there or on
/// the axis.
const SHARED: [(&str, RangeInclusive<f64>); 11] = [
    ("ramp_up_ms", MS),
    ("ramp_down_ms", MS),
    ("stop_ramp_ms", MS),
    ("gain_per_s", 0.0..=100.0),
    ("integral_ms", 0.0..=60_000.0),
    ("ramp_round_ms", 0.0..=1000.0),
    ("smooth_ms", 0.0..=1000.0),
    ("damp_ms", 0.0..=1000.0),
    ("lead_ms", 0.0..=500.0),
    ("dither_percent", 0.1..=10.0),
    ("dither_hz", 10.0..=1000.0),
];

/// The machine's own `[drive]`, what an axis does not say itself; or those keys of an axis' `drive`.
pub(super) fn shared_drive(t: &Table, timing: &Timing) -> BTreeMap<&'static str, f64> {
    let given = given(t, &SHARED);
    let budget = timing.stop_budget;
    if given.get("stop_ramp_ms").is_some_and(|ramp| *ramp > budget) {
        let wanted = format!("at most timing.stop_budget_ms ({:.0}): power is cut then", budget * 1e3);
        t.wrong("stop_ramp_ms", wanted);
    }
    if given.get("dither_hz").is_some_and(|hz| hz * timing.tick > 0.5) {
        let wanted = format!("at most {:.0}: half a wave takes a tick", 0.5 / timing.tick);
        t.wrong("dither_hz", wanted);
    }
    given
}

fn drive(t: &Table, stroke: Stroke, setting: &Setting) -> Drive {
    let own = shared_drive(t, setting.timing);
    let shared = |key| own.get(key).or(setting.drive.get(key)).copied();
    let needed = |key: &'static str| {
        shared(key).unwrap_or_else(|| {
            t.complain(key, "nothing, neither here nor in [drive]", "it in one of the two");
            f64::NAN
        })
    };
    let rate = |key| t.pair(key, 0.1..=10_000.0);
    let deadband = t.pair("deadband", 0.0..=0.6);
    let curve = |key, deadband| t.optional(key).map_or_else(Vec::new, |key| curve(t, key, deadband));
    let drive = Drive {
        deadband,
        curve: [curve("curve_out", deadband.0), curve("curve_in", deadband.1)],
        full_rate: rate(stroke.pick("full_mm_s", "full_deg_s")),
        ramp_up: needed("ramp_up_ms"),
        ramp_down: needed("ramp_down_ms"),
        stop_ramp: needed("stop_ramp_ms"),
        ramp_round: shared("ramp_round_ms").unwrap_or(0.0),
        gain: needed("gain_per_s"),
        smooth: shared("smooth_ms").unwrap_or(0.0),
        damp: shared("damp_ms").unwrap_or(0.0),
        integral_time: needed("integral_ms"),
        lead: shared("lead_ms").unwrap_or(0.0),
        fill: t
            .optional(stroke.pick("fill_mm", "fill_deg"))
            .map_or((0.0, 0.0), |key| t.pair(key, 0.0..=20.0)),
        run_on: t
            .optional(stroke.pick("run_on_mm", "run_on_deg"))
            .map_or((0.0, 0.0), |key| t.pair(key, -20.0..=20.0)),
        hold: t
            .optional(stroke.pick("hold_mm", "hold_deg"))
            .map_or(0.0, |key| t.number(key, 0.01..=100.0)),
        dither: shared("dither_percent").zip(shared("dither_hz")),
        braking: t.number(stroke.pick("braking_mm_s2", "braking_deg_s2"), 1.0..=50_000.0),
    };
    if shared("dither_percent").is_some() != shared("dither_hz").is_some() {
        t.complain("dither_percent", "one of dither_percent and dither_hz", "both, or none");
    }
    drive
}

/// Points of a valve curve, from its deadband on.
fn curve(t: &Table, key: &'static str, deadband: f64) -> Vec<(f64, f64)> {
    let points: Vec<(f64, f64)> = t.points(key, SHARE).iter().map(|point| (point.x, point.y)).collect();
    let mut before = (deadband, 0.0);
    for &point in &points {
        if t.clean() && (point.0 <= before.0 || point.1 <= before.1) {
            t.complain(
                key,
                format!("[{}, {}] after [{}, {}]", point.0, point.1, before.0, before.1),
                "command and share of the full rate both rising, from the deadband on",
            );
        }
        before = point;
    }
    if points.len() > CURVE_POINTS_MAX {
        t.wrong(key, format!("at most {CURVE_POINTS_MAX} points"));
    }
    points
}

/// The keys of a table that it has.
fn given(t: &Table, keys: &[(&'static str, RangeInclusive<f64>)]) -> BTreeMap<&'static str, f64> {
    keys.iter()
        .filter_map(|(key, range)| Some((*key, t.number(t.optional(key)?, range.clone()))))
        .collect()
}

/// Oldest reading that is used where the file does not say, s.
const STALE: f64 = 0.050;

/// The keys of a `watch` table with their ranges.
const RATE: RangeInclusive<f64> = 0.01..=50_000.0;
const WATCH: [(&str, RangeInclusive<f64>); 17] = [
    ("jump_mm_s", RATE),
    ("jump_deg_s", RATE),
    ("confirm_ms", MS),
    ("stale_ms", MS),
    ("still_mm_s", RATE),
    ("still_deg_s", RATE),
    ("opening_doubt_percent", 0.0..=50.0),
    ("rate_least_percent", 0.1..=100.0),
    ("rate_most_percent", 100.0..=1000.0),
    ("give_mm", 0.0..=500.0),
    ("give_deg", 0.0..=90.0),
    ("settle_ms", MS),
    ("unasked_ms", MS),
    ("no_motion_ms", MS),
    ("wrong_way_ms", MS),
    ("following_mm", 0.1..=5000.0),
    ("following_deg", 0.1..=360.0),
];

/// The machine's own `[watch]`: what an axis does not say itself.
pub(super) fn machine_watch(t: &Table) -> BTreeMap<&'static str, f64> {
    given(t, &WATCH)
}

/// An axis' `watch`, if it has one, over the machine's.
fn watch_of(t: &Table, stroke: Stroke, machine: &BTreeMap<&'static str, f64>) -> Watch {
    let own = t
        .optional("watch")
        .map_or_else(BTreeMap::new, |key| t.table(key, machine_watch));
    let either = |key: &'static str| own.get(key).or(machine.get(key)).copied();
    let get = |key: &'static str| {
        either(key).unwrap_or_else(|| {
            t.complain(
                "watch",
                format!("no {key}, neither here nor in [watch]"),
                "it in one of the two",
            );
            f64::NAN
        })
    };
    let watch = Watch {
        jump_rate: get(stroke.pick("jump_mm_s", "jump_deg_s")),
        sensor_confirm: get("confirm_ms"),
        stale: either("stale_ms").unwrap_or(STALE),
        still_rate: get(stroke.pick("still_mm_s", "still_deg_s")),
        opening_doubt: get("opening_doubt_percent"),
        rate_share: (get("rate_least_percent"), get("rate_most_percent")),
        give: get(stroke.pick("give_mm", "give_deg")),
        settle: get("settle_ms"),
        unasked: get("unasked_ms"),
        no_motion: get("no_motion_ms"),
        wrong_way: get("wrong_way_ms"),
        following: get(stroke.pick("following_mm", "following_deg")),
    };
    if watch.settle > watch.no_motion {
        t.complain(
            "watch",
            format!("a no_motion_ms of {:.0}", watch.no_motion * 1e3),
            format!(
                "at least settle_ms ({:.0}): motion may take that long",
                watch.settle * 1e3
            ),
        );
    }
    watch
}
