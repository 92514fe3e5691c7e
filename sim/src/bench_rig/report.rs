//! The results of a bench: a summary whose JSON schema is `sim/schemas/rig.json`, and all samples as CSV.

use schemars::JsonSchema;
use serde::Serialize;

use super::{Bench, Record};
use crate::plant::rig::Sample;

/// The headings of the CSV file.
const HEADINGS: [&str; 7] = ["t_s", "x_m", "v_m_s", "pA_Pa", "pB_Pa", "spool", "spool_rate_1_s"];

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

/// Sums up a run whose samples and picture are in these files.
pub fn report(bench: &Bench, record: &Record, csv_file: String, picture_file: String) -> RigReport {
    let span = |value: fn(&Sample) -> f64| Span::of(&record.samples, value);
    RigReport {
        name: bench.name.clone(),
        end_s: bench.rig.end,
        rows: record.samples.len(),
        stroke_mm: span(|sample| sample.stroke * 1e3),
        speed_mm_s: span(|sample| sample.speed * 1e3),
        pressure_a_bar: span(|sample| sample.pressure_a / 1e5),
        pressure_b_bar: span(|sample| sample.pressure_b / 1e5),
        spool: span(|sample| sample.spool),
        accuracy: bench.accuracy.rel,
        steps: record.work.steps,
        steps_rejected: record.work.rejected,
        csv_file,
        picture_file,
    }
}

impl Span {
    fn of(samples: &[Sample], value: fn(&Sample) -> f64) -> Span {
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

/// All samples as CSV, in SI, each number the shortest that reads back as the same double.
///
/// # Panics
/// Never: memory takes everything.
pub fn csv(record: &Record) -> Vec<u8> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(HEADINGS).expect("memory takes everything");
    for s in &record.samples {
        let row = (
            s.time,
            s.stroke,
            s.speed,
            s.pressure_a,
            s.pressure_b,
            s.spool,
            s.spool_rate,
        );
        writer.serialize(row).expect("memory takes everything");
    }
    writer.into_inner().expect("memory takes everything")
}
