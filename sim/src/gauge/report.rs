//! What `gauge` prints, in the units in which people speak of it, and the sensor block that it proposes.

use schemars::JsonSchema;
use serde::Serialize;

use super::{Asked, Gauged, Unit, signal_key};
use crate::revise::Revision;

/// What `gauge --json` prints. Strokes are in mm, of a motor in degrees.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct GaugeReport {
    /// The axis.
    pub axis: String,
    /// mm or deg.
    pub stroke_unit: String,
    /// volts, shares or `loop_ma`.
    pub signal_unit: String,
    /// The points.
    pub points: Vec<PointRow>,
    /// Change of stroke with the signal.
    pub slope: f64,
    /// Stroke at a signal of zero.
    pub zero: f64,
    /// Standard deviation of what the points lie off the line. None for two points, which lie on it whatever they are.
    pub residual_deviation: Option<f64>,
    /// The line at both ends of the stroke.
    pub ends: Vec<EndRow>,
    /// How far the sensor bows out from a straight line over the points, where that is beyond doubt.
    pub bend: Option<f64>,
    /// The check of the joint's angle.
    pub angle: Option<AngleReport>,
    /// Why nothing is proposed.
    pub objections: Vec<String>,
    /// What is proposed for the machine file.
    pub proposal: Option<Proposal>,
    /// What is proposed for the machine file on disk, and what became of it.
    pub revision: Option<Revision>,
}

/// A point.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct PointRow {
    /// As it was measured, mm or degrees.
    pub reading: f64,
    /// The signal.
    pub signal: f64,
    /// The stroke that it stands for.
    pub stroke: f64,
    /// How far that is off the line, of those that agree.
    pub residual: f64,
    /// It does not fit, or cannot be.
    pub suspect: bool,
}

/// An end of the stroke.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct EndRow {
    /// The stroke.
    pub stroke: f64,
    /// The signal there.
    pub signal: f64,
    /// Half of the 95 % interval of the stroke.
    pub uncertain: f64,
    /// What the machine file as it is makes of that signal, less the stroke.
    pub file_off: f64,
}

/// The check of angles, degrees.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct AngleReport {
    /// The readings.
    pub readings: Vec<AngleRow>,
    /// Mean of inclinometer less sensor.
    pub offset_deg: f64,
    /// Largest difference from that.
    pub scatter_deg: f64,
}

/// An angle, degrees.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct AngleRow {
    /// The signal.
    pub signal: f64,
    /// What the inclinometer said.
    pub measured_deg: f64,
    /// What line and linkage make of the signal. None where the linkage does not close.
    pub computed_deg: Option<f64>,
}

/// A calibration as it stands in a machine file.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Proposal {
    /// The key of the signals: `volts`, `shares` or `loop_ma`.
    pub signal_key: String,
    /// The signals, the smaller first.
    pub signals: [f64; 2],
    /// The key of the strokes: `at_mm` or `at_deg`.
    pub stroke_key: String,
    /// The strokes that belong to them.
    pub strokes: [f64; 2],
}

impl GaugeReport {
    /// Of a fit.
    pub fn new(asked: &Asked, gauged: &Gauged) -> GaugeReport {
        let unit = Unit::of(asked.axis);
        let plain = |value: f64| unit.plain(value);
        let rows = asked.measured.lengths.iter().zip(&gauged.points).zip(&gauged.suspect);
        let ends = gauged.ends.map(|end| EndRow {
            stroke: plain(end.stroke),
            signal: end.signal,
            uncertain: plain(end.uncertain),
            file_off: plain(end.file_off),
        });
        GaugeReport {
            axis: asked.axis.name.clone(),
            stroke_unit: unit.name.to_owned(),
            signal_unit: signal_key(&asked.sensor.signal).0.to_owned(),
            points: rows
                .map(|((pair, point), suspect)| PointRow {
                    reading: pair.reading,
                    signal: pair.signal,
                    stroke: plain(point.1),
                    residual: plain(point.1 - gauged.line.at(point.0)),
                    suspect: suspect.is_some(),
                })
                .collect(),
            slope: plain(gauged.line.coefficients[1]),
            zero: plain(gauged.line.coefficients[0]),
            residual_deviation: gauged.line.deviation().map(plain),
            ends: ends.to_vec(),
            bend: gauged.bend.map(plain),
            angle: gauged.angle.as_ref().map(|angle| AngleReport {
                readings: angle
                    .readings
                    .iter()
                    .map(|(signal, measured, computed)| AngleRow {
                        signal: *signal,
                        measured_deg: measured.to_degrees(),
                        computed_deg: computed.as_ref().ok().map(|angle| angle.to_degrees()),
                    })
                    .collect(),
                offset_deg: angle.offset.to_degrees(),
                scatter_deg: angle.scatter.to_degrees(),
            }),
            objections: gauged.objections.clone(),
            proposal: gauged.objections.is_empty().then(|| proposal(asked, gauged, unit)),
            revision: None,
        }
    }
}

/// The line as a calibration of two points, at the ends of the stroke.
fn proposal(asked: &Asked, gauged: &Gauged, unit: Unit) -> Proposal {
    let (signal_key, _) = signal_key(&asked.sensor.signal);
    let digits = if signal_key == "shares" { 1e5 } else { 1e4 };
    let mut ends = gauged.ends.map(|end| {
        (
            (end.signal * digits).round() / digits,
            (unit.plain(end.stroke) * 100.0).round() / 100.0,
        )
    });
    ends.sort_by(|one, other| one.0.total_cmp(&other.0));
    Proposal {
        signal_key: signal_key.to_owned(),
        signals: ends.map(|end| end.0),
        stroke_key: format!("at_{}", unit.name),
        strokes: ends.map(|end| end.1),
    }
}
