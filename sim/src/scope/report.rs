//! What `scope` prints: everything that was found, in the units in which people speak of it.

use schemars::JsonSchema;
use serde::Serialize;

use super::lever::LeverMap;
use super::trouble::Trouble;
use super::{SAMPLE_MOST, Scoped};

/// What `scope --json` prints.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ScopeReport {
    /// The capture.
    pub file: String,
    /// Rows with a time and a voltage.
    pub rows: u64,
    /// Size, bytes.
    pub bytes: u64,
    /// How the columns were understood.
    pub columns: Columns,
    /// Time of the first and the last row, s.
    pub span_s: [f64; 2],
    /// Usual time between two rows, s. None for a list of changes.
    pub sample_s: Option<f64>,
    /// Low level, V.
    pub low_v: f64,
    /// High level, V.
    pub high_v: f64,
    /// Whole periods without anything odd.
    pub periods: u64,
    /// Their frequency, Hz.
    pub frequency_hz: f64,
    /// Jitter of the period from one to the next, s.
    pub period_jitter_s: f64,
    /// Mean duty: share of a period that is high.
    pub duty: f64,
    /// The least.
    pub duty_least: f64,
    /// The greatest.
    pub duty_greatest: f64,
    /// Jitter of the duty from one period to the next.
    pub duty_jitter: f64,
    /// What the time between samples alone makes of a steady duty, as jitter, at most. None for a list of changes.
    pub duty_jitter_of_sampling: Option<f64>,
    /// What is wrong with it.
    pub troubles: Vec<Trouble>,
    /// What the lever does, where that was asked and could be told.
    pub lever: Option<LeverMap>,
    /// The picture that was written.
    pub picture_file: String,
    /// What was proposed for a machine file, and what became of it.
    pub revision: Option<crate::revise::Revision>,
}

/// How the columns of a capture were understood.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Columns {
    /// What parts them.
    pub delimiter: char,
    /// Numbers have a decimal comma.
    pub decimal_comma: bool,
    /// Lines above the first row.
    pub heading_lines: u64,
    /// Column of the time, from 1, and what the heading calls it.
    pub time: (usize, String),
    /// Its unit, s.
    pub time_unit_s: f64,
    /// Column of the signal, from 1, and what the heading calls it.
    pub signal: (usize, String),
    /// Its unit, V.
    pub signal_unit_v: f64,
    /// The heading named both units; else s and V were assumed.
    pub units_told: bool,
}

impl ScopeReport {
    /// Of a capture, and of what was written.
    pub fn new(scoped: &Scoped, picture_file: String, revision: Option<crate::revise::Revision>) -> ScopeReport {
        let format = &scoped.format;
        let sampled = (!scoped.levels.changes_only).then_some(scoped.levels.every);
        let period = scoped.period.mean;
        ScopeReport {
            file: scoped.file.clone(),
            rows: scoped.rows,
            bytes: scoped.bytes,
            columns: Columns {
                delimiter: char::from(format.delimiter),
                decimal_comma: format.comma,
                heading_lines: format.first_line - 1,
                time: (format.time.place + 1, format.time.name.clone()),
                time_unit_s: format.time.unit,
                signal: (format.signal.place + 1, format.signal.name.clone()),
                signal_unit_v: format.signal.unit,
                units_told: format.time.told && format.signal.told,
            },
            span_s: [scoped.span.0, scoped.span.1],
            sample_s: sampled,
            low_v: scoped.levels.low,
            high_v: scoped.levels.high,
            periods: scoped.duty.count,
            frequency_hz: 1.0 / period,
            period_jitter_s: scoped.period_jitter,
            duty: scoped.duty.mean,
            duty_least: scoped.duty.least,
            duty_greatest: scoped.duty.greatest,
            duty_jitter: scoped.duty_jitter,
            duty_jitter_of_sampling: sampled.map(|every| of_sampling(every / period)),
            troubles: scoped.troubles.clone(),
            lever: scoped.lever.clone(),
            picture_file,
            revision,
        }
    }

    /// Nothing is wrong with the capture.
    pub fn good(&self) -> bool {
        self.troubles.is_empty()
    }

    /// A sample is a small enough part of a period.
    pub fn sampled_often_enough(&self) -> bool {
        self.sample_s
            .is_none_or(|every| every * self.frequency_hz <= SAMPLE_MOST)
    }
}

/// Greatest jitter that sampling alone makes of a steady duty, with samples of this share of the period: of a period of whole samples, and a pulse
/// half a sample longer than whole ones, which is found one of two lengths as often as the other.
pub fn of_sampling(share: f64) -> f64 {
    share / 2.0
}
