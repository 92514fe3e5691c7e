//! Fitting a length or angle sensor: from lengths measured from pin to pin to its calibration, and a check of the joint's angle against an
//! inclinometer, through the linkage.
//!
//! The signal is read well and the tape badly; so the stroke is what is off by chance, and a straight line stroke = a + b signal goes through
//! the points by least squares ([`Fit`]). What the points say of the line is judged against how well a tape is read: a point that does not fit is
//! named where the others agree without it.

mod fit;
pub mod points;
mod report;

use bellcrank_machine::description::{Axis, Linkage, Sensor, Signal};
use bellcrank_machine::geometry::{Geometry, GeometryError};
use miette::Diagnostic;
use statrs::distribution::{ContinuousCDF, StudentsT};

pub use fit::Fit;
pub use points::{Measured, Pair};
pub use report::GaugeReport;

/// How well a length is read off a tape, mm, and an angle off an inclinometer, degrees: standard deviations. Common practice, no source.
pub const TAPE_MM: f64 = 1.0;
/// See [`TAPE_MM`].
pub const INCLINOMETER_DEG: f64 = 0.3;
/// Least share of the stroke that the points must span.
const SPAN_LEAST: f64 = 0.25;
/// Readings are off when they are so many standard deviations off.
const OFF: f64 = 3.0;
/// What lies outside an interval, both sides together.
const OUTSIDE: f64 = 0.05;
/// Fewest points by which a bent sensor can be told from a mismeasured point.
const POINTS_FOR_BEND: usize = 6;

/// What is asked.
#[derive(Debug, Clone)]
pub struct Asked<'a> {
    /// The axis.
    pub axis: &'a Axis,
    /// Its sensor, or its twin's.
    pub sensor: &'a Sensor,
    /// What was measured.
    pub measured: Measured,
    /// How well lengths were read, mm (degrees for a motor): standard deviation.
    pub reading: f64,
    /// How well angles were read, degrees: standard deviation.
    pub inclinometer_deg: f64,
}

/// What came of it. Strokes in m (rad for a motor), signals in the unit of the machine file.
#[derive(Debug, Clone)]
pub struct Gauged {
    /// Stroke over signal, by the points that agree.
    pub line: Fit,
    /// Signal and stroke of each point.
    pub points: Vec<(f64, f64)>,
    /// What is wrong with each point.
    pub suspect: Vec<Option<Suspicion>>,
    /// The line at both ends of the stroke.
    pub ends: [End; 2],
    /// How far it is bent over the span of the points, m or rad, where that is sure.
    pub bend: Option<f64>,
    /// The joint's angle.
    pub angle: Option<AngleCheck>,
    /// Why nothing is proposed.
    pub objections: Vec<String>,
}

/// What is wrong with a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Suspicion {
    /// Without it the others agree: it is off from their line by so much, m or rad.
    Mismeasured(f64),
    /// The cylinder cannot have that length.
    Impossible,
}

/// One end of the stroke.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct End {
    /// The stroke there, m or rad.
    pub stroke: f64,
    /// The signal that the line gives.
    pub signal: f64,
    /// Half of the 95 % interval of the line there, m or rad.
    pub uncertain: f64,
    /// What the machine file's calibration makes of that signal, less the stroke, m or rad.
    pub file_off: f64,
}

/// Angles by the line and the linkage, against those measured.
#[derive(Debug, Clone, PartialEq)]
pub struct AngleCheck {
    /// Signal, angle measured, angle by the sensor, rad. No angle where the linkage has none.
    pub readings: Vec<(f64, f64, Result<f64, GeometryError>)>,
    /// Mean of measured less computed, rad: what the inclinometer, the joint's zero or the pins are off by.
    pub offset: f64,
    /// Largest difference from it, rad.
    pub scatter: f64,
}

/// Why there is nothing to fit.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum GaugeError {
    /// The points do not settle a line.
    #[error("axis {axis:?}: found {found}, wanted {wanted}")]
    Points {
        /// The axis.
        axis: String,
        /// What there is.
        found: String,
        /// What it takes.
        wanted: String,
    },
    /// The linkage of the machine file does not close.
    #[error("axis {axis:?}: found a linkage that does not close ({cause}), wanted one that does")]
    Linkage {
        /// The axis.
        axis: String,
        /// Why.
        cause: GeometryError,
    },
}

/// The unit of a signal as machine files have it, in SI, and the key of its values.
pub fn signal_key(signal: &Signal) -> (&'static str, f64) {
    match signal {
        Signal::Voltage => ("volts", 1.0),
        Signal::Ratiometric { .. } => ("shares", 1.0),
        Signal::Current { .. } => ("loop_ma", 1e-3),
    }
}

/// Fits a sensor.
///
/// # Errors
/// The points are too few, too close or beyond what the sensor can say, or the linkage does not close.
pub fn gauge(asked: &Asked) -> Result<Gauged, GaugeError> {
    let (axis, sensor) = (asked.axis, asked.sensor);
    let refuse = |found: String, wanted: String| GaugeError::Points {
        axis: axis.name.clone(),
        found,
        wanted,
    };
    let geometry = Geometry::of(axis).map_err(|cause| GaugeError::Linkage {
        axis: axis.name.clone(),
        cause,
    })?;
    let points: Vec<(f64, f64)> = asked
        .measured
        .lengths
        .iter()
        .map(|pair| (pair.signal, stroke_of(axis, pair.reading)))
        .collect();
    if points.len() < 2 {
        return Err(refuse(format!("{} points", points.len()), "two or more".to_owned()));
    }
    let (key, unit) = signal_key(&sensor.signal);
    let fault = [sensor.fault.0 / unit, sensor.fault.1 / unit];
    let angles = asked.measured.angles.iter().map(|pair| pair.signal);
    if let Some(signal) = points
        .iter()
        .map(|point| point.0)
        .chain(angles)
        .find(|signal| *signal <= fault[0] || *signal >= fault[1])
    {
        let wanted = format!(
            "between {} and {}, where the sensor is not at fault",
            fault[0], fault[1]
        );
        return Err(refuse(format!("a signal of {signal} {key}"), wanted));
    }
    let travel = axis.actuator.travel;
    let span = |values: &mut dyn Iterator<Item = f64>| {
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
            (low.min(value), high.max(value))
        });
        high - low
    };
    let spanned = span(&mut points.iter().map(|point| point.1));
    let unit_of = Unit::of(axis);
    if spanned < SPAN_LEAST * travel {
        let wanted = format!(
            "at least {:.0} % of the stroke of {}",
            100.0 * SPAN_LEAST,
            unit_of.told(travel)
        );
        return Err(refuse(format!("points that span {}", unit_of.told(spanned)), wanted));
    }
    let Some(line) = Fit::new(&points, 1).filter(|_| span(&mut points.iter().map(|point| point.0)) > 0.0) else {
        return Err(refuse(
            "points with one and the same signal".to_owned(),
            "a signal that changes with the stroke".to_owned(),
        ));
    };
    let reading = unit_of.si(asked.reading);
    let suspect = suspects(&points, &line, reading, travel);
    // What follows is told by the points that agree.
    let agreeing = |(_, suspicion): &(_, &Option<Suspicion>)| !matches!(suspicion, Some(Suspicion::Mismeasured(_)));
    let agreeing: Vec<(f64, f64)> = points
        .iter()
        .copied()
        .zip(&suspect)
        .filter(agreeing)
        .map(|(point, _)| point)
        .collect();
    let line = Fit::new(&agreeing, 1).unwrap_or(line);
    let mut gauged = Gauged {
        ends: [0.0, travel].map(|stroke| end(sensor, unit, &line, reading, stroke)),
        bend: bend(&agreeing),
        angle: angle_check(&geometry, &line, &asked.measured.angles),
        objections: Vec::new(),
        suspect,
        line,
        points,
    };
    gauged.objections = objections(&gauged, asked, &unit_of, fault);
    Ok(gauged)
}

/// How people speak of an axis' stroke.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// mm or deg.
    pub name: &'static str,
    size: f64,
}

impl Unit {
    /// Of an axis.
    pub fn of(axis: &Axis) -> Unit {
        match axis.linkage {
            Linkage::Direct { .. } => Unit {
                name: "deg",
                size: 1_f64.to_radians(),
            },
            Linkage::Clevis { .. } | Linkage::FourBar { .. } => Unit { name: "mm", size: 1e-3 },
        }
    }

    /// From that to SI.
    pub fn si(self, value: f64) -> f64 {
        value * self.size
    }

    /// From SI to that.
    pub fn plain(self, value: f64) -> f64 {
        value / self.size
    }

    /// With the unit.
    pub fn told(self, value: f64) -> String {
        format!("{:.1} {}", self.plain(value), self.name)
    }
}

/// The stroke at a length from pin to pin, mm; at an angle of the joint, degrees, for a motor.
fn stroke_of(axis: &Axis, reading: f64) -> f64 {
    let reading = Unit::of(axis).si(reading);
    match axis.linkage {
        Linkage::Clevis { closed, .. } | Linkage::FourBar { closed, .. } => reading - closed,
        Linkage::Direct { zero } => reading - zero,
    }
}

/// What is wrong with each point. Where the points agree as well as they were read, nothing. Else the one without which the others do, if there are
/// enough others to tell.
fn suspects(points: &[(f64, f64)], line: &Fit, reading: f64, travel: f64) -> Vec<Option<Suspicion>> {
    let beyond = |stroke: f64| stroke < -OFF * reading || stroke > travel + OFF * reading;
    let mut found: Vec<_> = points
        .iter()
        .map(|point| beyond(point.1).then_some(Suspicion::Impossible))
        .collect();
    let agree = |fit: &Fit| {
        fit.deviation()
            .is_none_or(|deviation| deviation <= limit(fit.freedom(), reading))
    };
    if agree(line) {
        return found;
    }
    let without = |left_out: usize| {
        let others: Vec<_> = points
            .iter()
            .enumerate()
            .filter(|(number, _)| *number != left_out)
            .map(|(_, point)| *point)
            .collect();
        let fit = Fit::new(&others, 1).filter(|fit| fit.freedom() > 0 && agree(fit))?;
        Some((
            left_out,
            points[left_out].1 - fit.at(points[left_out].0),
            fit.deviation()?,
        ))
    };
    let best = (0..points.len())
        .filter_map(without)
        .min_by(|one, other| one.2.total_cmp(&other.2));
    if let Some((number, off, _)) = best {
        found[number] = Some(Suspicion::Mismeasured(off));
    }
    found
}

/// Greatest standard deviation of residuals that readings with a standard deviation explain: [`OFF`] times for a single one, less the more there are.
fn limit(freedom: usize, reading: f64) -> f64 {
    // The standard deviation of an estimate from n readings is about 1 / sqrt(2 n) of it.
    reading * (1.0 + (OFF - 1.0) / (freedom as f64).sqrt())
}

fn end(sensor: &Sensor, unit: f64, line: &Fit, reading: f64, stroke: f64) -> End {
    let signal = (stroke - line.coefficients[0]) / line.coefficients[1];
    let uncertain = match line.deviation() {
        Some(deviation) => quantile(line.freedom()) * line.value_deviation(signal, deviation),
        // Two points say nothing of how well they were read.
        None => 1.96 * line.value_deviation(signal, reading),
    };
    End {
        stroke,
        signal,
        uncertain,
        file_off: file_stroke(sensor, signal * unit) - stroke,
    }
}

/// The stroke that the machine file's calibration makes of a signal.
fn file_stroke(sensor: &Sensor, signal: f64) -> f64 {
    let last = sensor.points.len() - 2;
    let pair = sensor
        .points
        .windows(2)
        .find(|pair| signal <= pair[1].0)
        .unwrap_or(&sensor.points[last..]);
    pair[0].1 + (pair[1].1 - pair[0].1) * (signal - pair[0].0) / (pair[1].0 - pair[0].0)
}

/// Of Student's distribution: half of the 95 % interval in standard deviations.
fn quantile(freedom: usize) -> f64 {
    StudentsT::new(0.0, 1.0, freedom as f64).map_or(f64::INFINITY, |t| t.inverse_cdf(1.0 - OUTSIDE / 2.0))
}

/// How far a parabola through the points bows out from its chord, where its bend is beyond doubt.
fn bend(points: &[(f64, f64)]) -> Option<f64> {
    let fit = Fit::new(points, 2).filter(|_| points.len() >= POINTS_FOR_BEND)?;
    let (bend, deviation) = (fit.coefficients[2], fit.deviation()?);
    let sure = bend.abs() > 2.0 * quantile(fit.freedom()) * fit.coefficient_deviation(2, deviation);
    let (low, high) = points
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), point| {
            (low.min(point.0), high.max(point.0))
        });
    sure.then(|| bend * ((high - low) / 2.0).powi(2))
}

fn angle_check(geometry: &Geometry, line: &Fit, angles: &[Pair]) -> Option<AngleCheck> {
    let readings: Vec<_> = angles
        .iter()
        .map(|pair| {
            (
                pair.signal,
                pair.reading.to_radians(),
                geometry.angle(line.at(pair.signal)),
            )
        })
        .collect();
    let off: Vec<f64> = readings
        .iter()
        .filter_map(|(_, measured, computed)| Some(measured - computed.ok()?))
        .collect();
    if readings.is_empty() {
        return None;
    }
    let offset = off.iter().sum::<f64>() / off.len() as f64;
    let scatter = off.iter().map(|off| (off - offset).abs()).fold(0.0, f64::max);
    Some(AngleCheck {
        readings,
        offset,
        scatter,
    })
}

/// Why the line is not to be believed, or not to be used.
fn objections(gauged: &Gauged, asked: &Asked, unit: &Unit, fault: [f64; 2]) -> Vec<String> {
    let mut objections = Vec::new();
    let named = gauged.suspect.iter().any(Option::is_some);
    for (number, suspicion) in gauged.suspect.iter().enumerate() {
        let reading = asked.measured.lengths[number].reading;
        match suspicion {
            Some(Suspicion::Impossible) => objections.push(format!(
                "point {} ({reading} {}): its stroke would be {}, of {}",
                number + 1,
                unit.name,
                unit.told(gauged.points[number].1),
                unit.told(asked.axis.actuator.travel)
            )),
            Some(Suspicion::Mismeasured(off)) => objections.push(format!(
                "point {} ({reading} {}) is {} off the line of the others, which agree: measure it again",
                number + 1,
                unit.name,
                unit.told(*off)
            )),
            None => {}
        }
    }
    let deviation = gauged.line.deviation().unwrap_or(0.0);
    if !named && deviation > limit(gauged.line.freedom().max(1), unit.si(asked.reading)) {
        let advice = if gauged.points.len() < 4 {
            "which one is off cannot be told from so few: measure a fourth"
        } else {
            "no single one of them explains it"
        };
        objections.push(format!(
            "the points disagree by {} (standard deviation): {advice}",
            unit.told(deviation)
        ));
    }
    for end in gauged.ends {
        if end.signal <= fault[0] || end.signal >= fault[1] {
            objections.push(format!(
                "at a stroke of {} the signal would be {:.3}, outside {} to {}, where it counts as a fault",
                unit.told(end.stroke),
                end.signal,
                fault[0],
                fault[1]
            ));
        }
    }
    objections.extend(
        gauged
            .angle
            .iter()
            .flat_map(|angle| angle_objections(angle, asked.inclinometer_deg)),
    );
    objections
}

fn angle_objections(angle: &AngleCheck, inclinometer_deg: f64) -> Vec<String> {
    let mut objections = Vec::new();
    for (signal, _, computed) in &angle.readings {
        if let Err(cause) = computed {
            objections.push(format!("at a signal of {signal} the linkage does not close: {cause}"));
        }
    }
    let (offset, scatter) = (angle.offset.to_degrees(), angle.scatter.to_degrees());
    if scatter > OFF * inclinometer_deg {
        objections.push(format!(
            "angles differ from the inclinometer's by up to {scatter:.2} deg after {offset:.2} deg are taken off: pins or \
                lengths in the machine file are wrong"
        ));
    } else if offset.abs() > OFF * inclinometer_deg {
        objections.push(format!(
            "angles are {offset:.2} deg off the inclinometer's, all alike: its zero, the joint's zero or a pin is off"
        ));
    }
    objections
}
