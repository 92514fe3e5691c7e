//! The results of a bench: a summary whose JSON schema is `sim/schemas/rig.json`.

use schemars::JsonSchema;
use serde::Serialize;

use super::columns::{Column, ENGINE, PORT_A, PORT_B, PRESSURE_A, PRESSURE_B, PUMP, SPEED, SPOOL, STROKE, SUPPLY};
use super::{Bench, Comparison, Record};
use crate::plant::rig::Sample;

/// What a bench did.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RigReport {
    /// Name of the bench.
    pub name: String,
    /// Length of the programme, s.
    pub end_s: f64,
    /// Rows of the CSV file.
    pub rows: usize,
    /// Stroke from fully retracted, mm.
    pub stroke_mm: Span,
    /// Speed, extending positive, mm/s.
    pub speed_mm_s: Span,
    /// Gauge pressure of the bore side, bar.
    pub pressure_a_bar: Span,
    /// Gauge pressure of the rod side, bar.
    pub pressure_b_bar: Span,
    /// Spool position, share of full travel.
    pub spool: Span,
    /// Gauge pressure at port A of the valve, bar. None without a load-holding valve: it is that of the bore side then.
    pub port_a_bar: Option<Span>,
    /// The same at port B and the rod side, bar.
    pub port_b_bar: Option<Span>,
    /// Gauge pressure in the pump's line, bar. None on an ideal supply.
    pub supply_bar: Option<Span>,
    /// Flow of the pump into its line, l/min. None on an ideal supply.
    pub pump_lpm: Option<Span>,
    /// Speed of the engine, rpm. None without one.
    pub engine_rpm: Option<Span>,
    /// How a recording compares with this run. None where none was given.
    pub recording: Option<RecordingReport>,
    /// Error that was allowed in each step of the integration, relative.
    pub accuracy: f64,
    /// Steps of the integration that were kept.
    pub steps: u64,
    /// Steps that were too inaccurate and were done again, shorter.
    pub steps_rejected: u64,
    /// The file with all samples.
    pub csv_file: String,
    /// The picture.
    pub picture_file: String,
}

/// A quantity over the run, as sampled.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Span {
    /// Its value at the start.
    pub start: f64,
    /// Its least value.
    pub least: f64,
    /// When that was, s.
    pub least_at_s: f64,
    /// Its greatest value.
    pub greatest: f64,
    /// When that was, s.
    pub greatest_at_s: f64,
    /// Its value at the end.
    pub end: f64,
}

/// A recorded run beside ours, at its own times.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RecordingReport {
    /// The file.
    pub file: String,
    /// Its rows.
    pub rows: usize,
    /// Those of them that are within the programme, and were compared.
    pub rows_compared: usize,
    /// Largest difference in stroke, over the range of the recorded one. None where it was not recorded, or did not change.
    pub position_error: Option<f64>,
    /// Largest difference in the pressure of either chamber, over 100 bar. None where neither was recorded.
    pub pressure_error: Option<f64>,
    /// The difference in each of its columns.
    pub columns: Vec<ColumnDifference>,
}

/// By how much ours and a recording differ, in the unit of the column.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ColumnDifference {
    /// The column.
    pub column: String,
    /// The largest difference, whatever its sign.
    pub largest: f64,
    /// When that was, s.
    pub at_s: f64,
    /// Root of the mean square over all rows.
    pub rms: f64,
}

/// Sums up a run whose samples and picture are in these files.
pub fn report(
    bench: &Bench,
    record: &Record,
    comparison: Option<&Comparison>,
    csv_file: String,
    picture_file: String,
) -> RigReport {
    let span = |column: Column, unit: f64| Span::of(&record.samples, |sample| (column.of)(sample) / unit);
    let first = record.samples.first();
    let (ports, pump, engine) = first.map_or((false, false, false), |sample| {
        (sample.ports.is_some(), sample.pump.is_some(), sample.engine.is_some())
    });
    RigReport {
        name: bench.name.clone(),
        end_s: bench.rig.end,
        rows: record.samples.len(),
        stroke_mm: span(STROKE, 1e-3),
        speed_mm_s: span(SPEED, 1e-3),
        pressure_a_bar: span(PRESSURE_A, 1e5),
        pressure_b_bar: span(PRESSURE_B, 1e5),
        spool: span(SPOOL, 1.0),
        port_a_bar: ports.then(|| span(PORT_A, 1e5)),
        port_b_bar: ports.then(|| span(PORT_B, 1e5)),
        supply_bar: pump.then(|| span(SUPPLY, 1e5)),
        pump_lpm: pump.then(|| span(PUMP, LPM)),
        engine_rpm: engine.then(|| span(ENGINE, RPM)),
        recording: comparison.map(recording),
        accuracy: bench.accuracy.rel,
        steps: record.work.steps,
        steps_rejected: record.work.rejected,
        csv_file,
        picture_file,
    }
}

/// One l/min, m³/s.
pub(super) const LPM: f64 = 1e-3 / 60.0;
/// One rpm, rad/s.
pub(super) const RPM: f64 = std::f64::consts::PI / 30.0;

fn recording(comparison: &Comparison) -> RecordingReport {
    let recording = &comparison.recording;
    let column = |(column, difference): (&str, super::recording::Difference)| ColumnDifference {
        column: column.to_owned(),
        largest: difference.largest,
        at_s: difference.at,
        rms: difference.rms,
    };
    RecordingReport {
        file: recording.file().to_owned(),
        rows: recording.rows(),
        rows_compared: recording.times().len(),
        position_error: comparison.position_error(),
        pressure_error: comparison.pressure_error(),
        columns: comparison.differences().map(column).collect(),
    }
}

impl Span {
    fn of(samples: &[Sample], value: impl Fn(&Sample) -> f64) -> Span {
        let (first, last) = (samples[0], samples[samples.len() - 1]);
        let (mut least, mut greatest) = (first, first);
        for sample in samples {
            least = if value(sample) < value(&least) { *sample } else { least };
            greatest = if value(sample) > value(&greatest) {
                *sample
            } else {
                greatest
            };
        }
        Span {
            start: value(&first),
            least: value(&least),
            least_at_s: least.time,
            greatest: value(&greatest),
            greatest_at_s: greatest.time,
            end: value(&last),
        }
    }
}
