//! A recorded run: a CSV file with some of the columns of our own, and how far ours is from it.
//!
//! Ours is sampled at the recording's own times, so nothing is lost between rows. What was recorded before the start or after the
//! end of the programme is left out.

use bellcrank_machine::document::{Complaint, FileError, read_file_up_to};
use miette::Diagnostic;

use super::Bench;
use super::columns::{Column, PRESSURE_A, PRESSURE_B, STROKE, TIME, columns};
use crate::plant::rig::Sample;

/// Largest file that is read, bytes: a million rows of our own columns.
const FILE_MAX: u64 = 200_000_000;
/// Most mistakes that are told.
const TOLD_MAX: usize = 20;
/// What a pressure error is measured against, Pa.
const PRESSURE_SCALE: f64 = 100e5;

/// A recorded run.
#[derive(Debug, Clone)]
pub struct Recording {
    file: String,
    /// Rows of the file, with those that are left out.
    rows: usize,
    times: Vec<f64>,
    /// Each column with its values at all times.
    columns: Vec<(Column, Vec<f64>)>,
}

/// Why a file gave no recording.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum RecordingError {
    /// It could not be read from disk.
    #[error("{0}")]
    File(#[from] FileError),
    /// It says something wrong: the first of what was found.
    #[error("{}", told(.0))]
    #[diagnostic(help("`bellcrank rig --help` lists the columns"))]
    Content(Vec<Complaint>),
}

fn told(complaints: &[Complaint]) -> String {
    let lines: Vec<String> = complaints.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

/// A recording beside our run.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// The recording.
    pub recording: Recording,
    /// Our run at its times.
    pub ours: Vec<Sample>,
}

/// By how much ours and the recording differ in one column, in its unit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Difference {
    /// The largest, whatever its sign.
    pub largest: f64,
    /// When that was, s.
    pub at: f64,
    /// Root of the mean square over all rows.
    pub rms: f64,
}

impl Recording {
    /// Reads a recording of a bench.
    ///
    /// # Errors
    /// The file cannot be read, or has mistakes: the first of them in one error.
    pub fn load(path: &std::path::Path, bench: &Bench) -> Result<Recording, RecordingError> {
        let (file, text) = read_file_up_to(path, FILE_MAX)?;
        Recording::read(&file, &text, bench)
    }

    /// Reads a recording of a bench from its text; `file` is the name that complaints carry.
    ///
    /// # Errors
    /// Its mistakes.
    pub fn read(file: &str, text: &str, bench: &Bench) -> Result<Recording, RecordingError> {
        let mut mistakes = Mistakes { file, list: Vec::new() };
        let mut reader = csv::ReaderBuilder::new()
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let headings = reader.headers().cloned().unwrap_or_default();
        let known = columns(&bench.rig);
        mistakes.headings(&headings, &known);
        mistakes.none()?;

        let mut recording = Recording {
            file: file.to_owned(),
            rows: 0,
            times: Vec::new(),
            columns: Vec::new(),
        };
        // None stands for the time.
        let mut places = Vec::new();
        for name in &headings {
            let column = known.iter().find(|column| column.name == name);
            places.push(column.map(|column| {
                recording.columns.push((*column, Vec::new()));
                recording.columns.len() - 1
            }));
        }
        let mut before = f64::NEG_INFINITY;
        for record in reader.records() {
            // The text is UTF-8 and rows may be of any length, so there is nothing left that the reader could object to.
            let Ok(record) = record else { break };
            let line = crate::pose::line_of(text, &record);
            let Some(numbers) = mistakes.numbers(line, &headings, &record) else {
                if mistakes.list.len() >= TOLD_MAX {
                    break;
                }
                continue;
            };
            recording.rows += 1;
            let time = places.iter().zip(&numbers).find(|(place, _)| place.is_none());
            let time = time.map_or(f64::NAN, |(_, time)| *time);
            if time <= before {
                let wanted = format!("later than the row before ({before})");
                mistakes.add(line, TIME, format!("{time}"), wanted);
                break;
            }
            before = time;
            if (0.0..=bench.rig.end).contains(&time) {
                recording.times.push(time);
                for (place, number) in places.iter().zip(numbers) {
                    if let Some(place) = place {
                        recording.columns[*place].1.push(number);
                    }
                }
            }
        }
        if recording.times.is_empty() && mistakes.list.is_empty() {
            let wanted = format!("at least one between 0 s and the programme's end_s ({})", bench.rig.end);
            mistakes.add(1, TIME, "no row within the programme".to_owned(), wanted);
        }
        mistakes.none()?;
        Ok(recording)
    }

    /// The file it was read from.
    pub fn file(&self) -> &str {
        &self.file
    }

    /// Rows of the file, with those outside the programme.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// The times within the programme, rising, s.
    pub fn times(&self) -> &[f64] {
        &self.times
    }

    /// The values of a column at all times, if it has one.
    pub(super) fn values(&self, column: &Column) -> Option<&[f64]> {
        let found = self.columns.iter().find(|(other, _)| other.name == column.name);
        found.map(|(_, values)| values.as_slice())
    }
}

impl Comparison {
    /// The difference in every column that the recording has.
    pub(super) fn differences(&self) -> impl Iterator<Item = (&'static str, Difference)> + '_ {
        let columns = self.recording.columns.iter();
        columns.map(|(column, values)| (column.name, self.difference(*column, values)))
    }

    fn difference(&self, column: Column, values: &[f64]) -> Difference {
        let (mut largest, mut at, mut squares) = (0.0, 0.0, 0.0);
        for (ours, theirs) in self.ours.iter().zip(values) {
            let off = ((column.of)(ours) - theirs).abs();
            squares += off * off;
            if off > largest {
                (largest, at) = (off, ours.time);
            }
        }
        Difference {
            largest,
            at,
            rms: (squares / values.len() as f64).sqrt(),
        }
    }

    /// Largest difference in stroke, over the range of the recorded one. None where it was not recorded, or did not change.
    pub(super) fn position_error(&self) -> Option<f64> {
        let values = self.recording.values(&STROKE)?;
        let least = values.iter().copied().fold(f64::INFINITY, f64::min);
        let range = values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - least;
        (range > 0.0).then(|| self.difference(STROKE, values).largest / range)
    }

    /// Largest difference in either chamber's pressure, over 100 bar. None where neither was recorded.
    pub(super) fn pressure_error(&self) -> Option<f64> {
        let largest = |column| Some(self.difference(column, self.recording.values(&column)?).largest);
        let both = [largest(PRESSURE_A), largest(PRESSURE_B)];
        both.into_iter()
            .flatten()
            .reduce(f64::max)
            .map(|off| off / PRESSURE_SCALE)
    }
}

struct Mistakes<'f> {
    file: &'f str,
    list: Vec<Complaint>,
}

impl Mistakes<'_> {
    fn add(&mut self, line: u64, path: &str, found: String, wanted: String) {
        self.list.push(Complaint {
            file: self.file.to_owned(),
            line: usize::try_from(line).unwrap_or(usize::MAX),
            span: 0..0,
            path: path.to_owned(),
            found,
            wanted,
        });
    }

    /// An error with all mistakes so far, if there are any.
    fn none(&mut self) -> Result<(), RecordingError> {
        if self.list.is_empty() {
            Ok(())
        } else {
            Err(RecordingError::Content(std::mem::take(&mut self.list)))
        }
    }

    fn headings(&mut self, headings: &csv::StringRecord, known: &[Column]) {
        let names: Vec<&str> = known.iter().map(|column| column.name).collect();
        let names = names.join(", ");
        for (number, name) in headings.iter().enumerate() {
            if name != TIME && !known.iter().any(|column| column.name == name) {
                let wanted = format!("{TIME} or a column of this bench: {names}");
                self.add(1, name, "an unknown column".to_owned(), wanted);
            } else if headings.iter().take(number).any(|before| before == name) {
                self.add(1, name, "a second column of that name".to_owned(), "one".to_owned());
            }
        }
        if !self.list.is_empty() {
            return;
        }
        if !headings.iter().any(|name| name == TIME) {
            let found = format!("no column {TIME}");
            self.add(1, "", found, format!("one with the time of each row: {TIME}"));
        } else if headings.len() == 1 {
            self.add(
                1,
                "",
                format!("no column but {TIME}"),
                format!("at least one of {names}"),
            );
        }
    }

    /// The numbers of a row; none where something is wrong with it.
    fn numbers(&mut self, line: u64, headings: &csv::StringRecord, record: &csv::StringRecord) -> Option<Vec<f64>> {
        if record.len() != headings.len() {
            let wanted = format!("{}, as the first line has", headings.len());
            self.add(line, "", format!("{} columns", record.len()), wanted);
            return None;
        }
        let mut numbers = Vec::with_capacity(record.len());
        for (name, cell) in headings.iter().zip(record) {
            match cell.parse::<f64>() {
                Ok(number) if number.is_finite() => numbers.push(number),
                _ => self.add(line, name, format!("{cell:?}"), "a finite number".to_owned()),
            }
        }
        (numbers.len() == record.len()).then_some(numbers)
    }
}
