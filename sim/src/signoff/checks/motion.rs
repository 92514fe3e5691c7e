//! Checks in which something moves: each axis alone, then tips.

use bellcrank_machine::description::{Arm, Axis};

use super::{List, Reading, Take, slug, stroke_unit};

const MS: f64 = 1e3;
const MM: f64 = 1e3;
/// How far a sensor may be off a tape, mm (tenths of a degree): twice what a tape is read to, and the sensor's own. Common practice, no source.
const TAPE: f64 = 5.0;
/// A tip may be so many times as fast as it is asked to be: what a log says is itself measured (common practice, no source).
const OVER: f64 = 1.1;

/// Which way, how far, how fast, how soon at rest: each axis.
pub(super) fn axes(list: &mut List) {
    let machine = list.machine;
    for axis in &machine.axes {
        let (name, slug) = (&axis.name, slug(&axis.name));
        let parts = format!("{axis:?}");
        let needs = [
            "engine/pressure",
            "engine/dump",
            "engine/stop",
            &format!("engine/holding/{slug}"),
            &format!("power/sensor/{slug}"),
            &format!("power/twin/{slug}"),
            &format!("power/command/{slug}"),
        ];
        list.add(
            format!("motion/way/{slug}"),
            (
                format!("Key to commissioning, nobody in reach, a hand on the stop: move the lever of the {name} a little to \
                    extend, then a little to retract."),
                format!("The {name} alone moves; it extends when told to extend, its stroke by the sensor rises, and the \
                    joint's angle goes the way the file says."),
            ),
            None,
            &needs,
            &parts,
        );
        let way = format!("motion/way/{slug}");
        let (unit, size, column) = stroke_unit(axis);
        let within = if unit == "mm" { TAPE } else { TAPE / 10.0 };
        list.add(
            format!("motion/sensor/{slug}"),
            (
                format!(
                    "Set the {name} to three places over its stroke and measure each, by tape from pin to pin or by an \
                    inclinometer; note the largest difference from the sensor."
                ),
                "Sensor and tape agree (`bellcrank gauge` fits a sensor that does not).".to_owned(),
            ),
            Some(Reading::new("largest difference", unit, Some(-within), Some(within))),
            &[&way],
            &parts,
        );
        speed(list, axis, ("out", "extend", axis.drive.full_rate.0), &parts);
        speed(list, axis, ("in", "retract", axis.drive.full_rate.1), &parts);
        list.add(
            format!("motion/ends/{slug}"),
            (
                format!("Run the {name} slowly to each end of its range."),
                "It slows down and stops there by itself, short of any stop, hose or neighbour.".to_owned(),
            ),
            None,
            &[&format!("motion/sensor/{slug}")],
            &parts,
        );
        list.add(
            format!("motion/stop/{slug}"),
            (
                format!("Run the {name} at speed and press stop; read the time until it is at rest."),
                "It stops without a jerk that would throw a load or a person.".to_owned(),
            ),
            Some(Reading::new(
                "time to rest",
                "ms",
                Some(0.0),
                Some(MS * (machine.timing.stop_budget + machine.timing.reaction)),
            )),
            &[&way],
            &format!("{parts} {:?}", machine.timing),
        );
        let log = format!("{}_rate_{column}_s", name.replace(' ', "_"));
        list.add(
            format!("motion/silence/{slug}"),
            (
                format!("With all levers at neutral and the machine enabled, log the {name} for a minute."),
                "It does not creep.".to_owned(),
            ),
            Some(
                Reading::new(
                    "greatest rate",
                    per_second(unit),
                    None,
                    Some(size * axis.watch.still_rate),
                )
                .read_by(log, Take::Furthest),
            ),
            &[&way],
            &parts,
        );
    }
}

fn per_second(unit: &str) -> &'static str {
    if unit == "mm" { "mm/s" } else { "deg/s" }
}

fn speed(list: &mut List, axis: &Axis, (id, word, rate): (&str, &str, f64), parts: &str) {
    let (unit, size, column) = stroke_unit(axis);
    let (least, most) = axis.watch.rate_share;
    let name = &axis.name;
    let take = if id == "out" { Take::Greatest } else { Take::Furthest };
    let log = format!("{}_rate_{column}_s", name.replace(' ', "_"));
    let reading = Reading::new(
        "rate",
        per_second(unit),
        Some(size * rate * least),
        Some(size * rate * most),
    )
    .read_by(log, take);
    list.add(
        format!("motion/speed-{id}/{}", slug(name)),
        (
            format!("Warm oil, no load: {word} the {name} at full lever over the middle of its stroke, and read its rate."),
            "It is within what the diagnostics take for healthy around the file's full rate; outside, trim the valve first.".to_owned(),
        ),
        Some(reading),
        &[&format!("motion/sensor/{}", slug(name))],
        parts,
    );
}

/// Zones, speeds, tipping: each arm.
pub(super) fn tips(list: &mut List) {
    let machine = list.machine;
    for arm in &machine.arms {
        first(list, arm);
    }
    for arm in &machine.arms {
        for zone in &machine.zones {
            let parts = format!("{arm:?} {zone:?} {:?}", machine.timing);
            list.add(
                format!("tip/clearance/{}/{}", slug(&arm.name), slug(&zone.name)),
                (
                    format!(
                        "With a dummy where people would be, push the {} towards the zone {:?}, slowly, then faster.",
                        arm.name, zone.name
                    ),
                    "It stops or slides along before it; measure the least gap.".to_owned(),
                ),
                Some(
                    Reading::new("least gap", "mm", Some(MM * zone.margin), None)
                        .read_by(format!("{}_clearance_mm", arm.name.replace(' ', "_")), Take::Least),
                ),
                &[&format!("tip/first/{}", slug(&arm.name))],
                &parts,
            );
        }
        if let Some(carrier) = &machine.carrier {
            list.add(
                format!("tip/tipping/{}", slug(&arm.name)),
                (
                    format!(
                        "On level ground, with {} kg at the {}'s tip held low, reach out as far as it lets you.",
                        arm.payload, arm.name
                    ),
                    "It stops reaching out before a track or foot gets light.".to_owned(),
                ),
                None,
                &[&format!("tip/first/{}", slug(&arm.name))],
                &format!("{arm:?} {carrier:?}"),
            );
        }
    }
    if let [one, other, ..] = machine.arms.as_slice() {
        list.add(
            "tip/arms".to_owned(),
            (
                format!(
                    "Lead the tips of {} and {} towards each other, slowly.",
                    one.name, other.name
                ),
                "They keep their distance; measure the least gap.".to_owned(),
            ),
            Some(Reading::new(
                "least gap",
                "mm",
                Some(MM * machine.guard.arms_margin),
                None,
            )),
            &["tip/first"],
            &format!("{:?} {:?}", machine.arms, machine.guard),
        );
    }
}

/// The first move of a tip.
fn first(list: &mut List, arm: &Arm) {
    let machine = list.machine;
    let needs: Vec<String> = arm
        .axes
        .iter()
        .chain(&arm.grip)
        .flat_map(|&axis| {
            let slug = slug(&machine.axes[axis].name);
            ["way", "sensor", "ends", "stop", "silence", "speed-out", "speed-in"]
                .map(|check| format!("motion/{check}/{slug}"))
        })
        .collect();
    let needs: Vec<&str> = needs.iter().map(String::as_str).collect();
    let axes: Vec<&Axis> = arm.axes.iter().map(|&axis| &machine.axes[axis]).collect();
    let parts = format!("{arm:?} {axes:?} {:?} {:?}", machine.guard, machine.seat);
    let most = machine
        .guard
        .commissioning_speed
        .unwrap_or(arm.tip_speed)
        .min(arm.tip_speed);
    list.add(
        format!("tip/first/{}", slug(&arm.name)),
        (
            format!("Key to commissioning, no load, nobody in reach: lead the tip of the {} a hand's width forward, back, left, \
                right, up and down.", arm.name),
            "It goes that way, straight, and stops when the lever is let go.".to_owned(),
        ),
        Some(
            Reading::new("greatest speed", "mm/s", None, Some(OVER * MM * most))
                .read_by(format!("{}_tip_speed_mm_s", arm.name.replace(' ', "_")), Take::Greatest),
        ),
        &needs,
        &parts,
    );
}
