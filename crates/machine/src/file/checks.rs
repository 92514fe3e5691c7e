//! What takes geometry to see: a linkage that does not close, a range it cannot reach, a sensor that ends before the stroke.

use super::Table;
use crate::description::{Axis, Linkage, Sensor, Signal};
use crate::geometry::{Geometry, GeometryError};

/// Poses along the stroke at which the linkage is looked at.
const SAMPLES: u32 = 200;
/// Least angle by which a linkage has to be clear of its dead centres, rad. Nearer, force and resolution are both lost.
const CLEAR: f64 = 5.0 * std::f64::consts::PI / 180.0;
/// Angles and strokes this near are the same, rad or m.
const SAME: f64 = 1e-9;

/// The linkage closes over the whole stroke, clear of its dead centres, and reaches the whole range.
pub(super) fn linkage(t: &Table, axis: &Axis) {
    let travel = axis.actuator.travel;
    let (least, greatest) = axis.joint.range;
    let geometry = match Geometry::of(axis) {
        Ok(geometry) => geometry,
        Err(why) => {
            let found = format!("pins that do not meet in the middle of range_deg: {why}");
            return t.complain("linkage", found, "a linkage that closes there");
        }
    };

    let mut reach = (f64::INFINITY, f64::NEG_INFINITY);
    for i in 0..=SAMPLES {
        let stroke = travel * f64::from(i) / f64::from(SAMPLES);
        let pose = geometry
            .angle(stroke)
            .and_then(|angle| Ok((angle, geometry.clearance(angle)?)));
        match pose {
            Ok((angle, clear)) if clear >= CLEAR => reach = (reach.0.min(angle), reach.1.max(angle)),
            Ok((_, clear)) => return t.complain("linkage", near_dead_centre(stroke, travel, clear), wanted_clear()),
            Err(why) => return t.complain("linkage", does_not_close(stroke, travel, why), wanted_clear()),
        }
    }

    if matches!(axis.linkage, Linkage::FourBar { .. })
        && (least < -std::f64::consts::PI || greatest > std::f64::consts::PI)
    {
        t.complain(
            "joint",
            "a range_deg beyond half a turn",
            "a four-bar's range inside -180 to 180",
        );
    }
    if least < reach.0 - SAME || greatest > reach.1 + SAME {
        // Rounded inwards, so that what is named can be written.
        let from = (reach.0.to_degrees() * 10.0 - 1e-7).ceil() / 10.0;
        let to = (reach.1.to_degrees() * 10.0 + 1e-7).floor() / 10.0;
        let wanted = format!("a range inside what the stroke reaches: {from} to {to}");
        t.wrong("joint / range_deg", wanted);
    }
}

/// The sensors give a good signal over the whole stroke, and often enough.
pub(super) fn sensors(t: &Table, axis: &Axis) {
    sensor(t, "sensor", &axis.sensor, axis.actuator.travel);
    if let Some(twin) = &axis.twin {
        sensor(t, "twin", &twin.sensor, axis.actuator.travel);
    }
    if axis.sensor.every >= axis.watch.stale {
        let wanted = format!("less than watch.stale_ms ({:.0})", axis.watch.stale * 1e3);
        t.wrong("sensor / every_ms", wanted);
    }
}

fn sensor(t: &Table, key: &str, sensor: &Sensor, travel: f64) {
    let (unit, scale) = match sensor.signal {
        Signal::Voltage => (" V", 1.0),
        Signal::Ratiometric { .. } => (" of its supply", 1.0),
        Signal::Current { .. } => (" mA", 1e3),
    };
    for (end, stroke) in [("in", 0.0), ("out", travel)] {
        let signal = sensor.signal_at(stroke);
        let (low, high) = sensor.fault;
        if signal <= low || signal >= high {
            let found = format!(
                "{:.2}{unit} with the actuator fully {end}, which is a fault",
                signal * scale
            );
            let (low, high) = (low * scale, high * scale);
            t.complain(
                key,
                found,
                format!("a calibration that stays inside {low} to {high}{unit} over the whole stroke"),
            );
        }
    }
}

fn near_dead_centre(stroke: f64, travel: f64, clear: f64) -> String {
    format!(
        "{} it is {:.1} degrees from a dead centre",
        at(stroke, travel),
        clear.to_degrees()
    )
}

fn does_not_close(stroke: f64, travel: f64, why: GeometryError) -> String {
    format!("{} {why}", at(stroke, travel))
}

fn at(stroke: f64, travel: f64) -> String {
    format!("that at {:.0} % of the stroke", 100.0 * stroke / travel)
}

fn wanted_clear() -> String {
    format!(
        "a linkage that closes over the whole stroke, {:.0} degrees clear of its dead centres",
        CLEAR.to_degrees()
    )
}
