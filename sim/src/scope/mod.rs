//! What a captured duty signal says: levels, frequency, duty and how much it jitters, what is wrong with the capture, and what the hand lever
//! behind it does.
//!
//! The file goes by once, in pieces, so that its length does not matter. A look at places all over it first gives the two levels and the
//! usual step of time ([`levels`]). Then each row goes the way
//!
//! ```text
//! rows -> edges -> pulses -> figures
//! ```
//!
//! and nothing is kept but sums ([`stats`]). What is wrong is collected, not stopped at ([`trouble`]).

pub mod edges;
mod excerpt;
pub mod format;
pub mod levels;
pub mod lever;
pub mod marks;
mod picture;
pub mod pulses;
mod report;
pub mod rows;
pub mod stats;
pub mod trouble;

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use bellcrank_machine::document::Complaint;
use miette::Diagnostic;

use edges::{Event, Slicer, Slip};
use format::{Format, LOOKED_AT};
use levels::{Levels, NoLevels};
use lever::{LeverMap, Marked};
use marks::Mark;
use pulses::{Made, Odd, OddKind, Pulse, Pulses};
use rows::Line;
use stats::{Jitter, Spread, Track};
use trouble::{Kind, Trouble, Troubles};

pub use excerpt::Excerpt;
pub use picture::picture;
pub use report::ScopeReport;

/// Greatest share of a period from one sample to the next.
const SAMPLE_MOST: f64 = 0.01;
/// Fewest periods that make a measurement.
const PULSES_LEAST: u64 = 10;
/// Characters of a strange line that are told.
const TOLD_MAX: usize = 40;

/// What is asked of a capture.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// The column of the signal, by number or heading. None: the first beside the time.
    pub signal: Option<String>,
    /// Where the lever stood.
    pub marks: Vec<Mark>,
    /// The capture is a sweep of the lever.
    pub sweep: bool,
}

/// What a capture says.
#[derive(Debug, Clone)]
pub struct Scoped {
    /// The file.
    pub file: String,
    /// What it looks like.
    pub format: Format,
    /// The levels.
    pub levels: Levels,
    /// Rows.
    pub rows: u64,
    /// Size of the file, bytes.
    pub bytes: u64,
    /// Time of the first and the last row, s.
    pub span: (f64, f64),
    /// Length of the periods, s.
    pub period: Spread,
    /// Its jitter from one period to the next, s.
    pub period_jitter: f64,
    /// Duty of the periods.
    pub duty: Spread,
    /// Its jitter from one period to the next.
    pub duty_jitter: f64,
    /// The duty over time.
    pub track: Track,
    /// The beginning of the signal.
    pub excerpt: Excerpt,
    /// What the lever does, where that was asked.
    pub lever: Option<LeverMap>,
    /// What is wrong.
    pub troubles: Vec<Trouble>,
}

/// Why a capture gave nothing.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum ScopeError {
    /// It cannot be read.
    #[error("{}: found {cause}, wanted a CSV file that can be read", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: io::Error,
    },
    /// It is no capture, or a broken one.
    #[error("{}", told(.0))]
    #[diagnostic(help("`bellcrank scope --help` tells what a capture looks like"))]
    Content(Vec<Complaint>),
}

fn told(complaints: &[Complaint]) -> String {
    let lines: Vec<String> = complaints.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

impl ScopeError {
    /// One thing wrong.
    fn one(file: &str, line: u64, path: &str, found: impl Into<String>, wanted: impl Into<String>) -> ScopeError {
        ScopeError::Content(vec![Complaint {
            file: file.to_owned(),
            line: usize::try_from(line).unwrap_or(usize::MAX),
            span: 0..0,
            path: path.to_owned(),
            found: found.into(),
            wanted: wanted.into(),
        }])
    }
}

/// Reads a capture.
///
/// # Errors
/// It cannot be read, is broken, or has no signal in it: with all that is wrong.
pub fn read(path: &Path, asked: &Asked) -> Result<Scoped, ScopeError> {
    let refused = |cause| ScopeError::File {
        path: path.to_owned(),
        cause,
    };
    let name = path.display().to_string();
    let mut file = open(path).map_err(refused)?;
    let mut head = Vec::new();
    file.by_ref()
        .take(LOOKED_AT as u64)
        .read_to_end(&mut head)
        .map_err(refused)?;
    let format = Format::sniff(&name, &head, head.len() < LOOKED_AT, asked.signal.as_deref())?;
    let places = rows::here_and_there(&mut file, &format).map_err(refused)?;
    let levels = Levels::of(&places);
    drop(places);

    let mut reading = Reading::new(levels, asked);
    let bytes = rows::each(&mut file, &format, |line, row| reading.step(line, row)).map_err(refused)?;
    reading.finish(name, format, bytes, asked)
}

/// Opens what is a regular file.
fn open(path: &Path) -> io::Result<File> {
    let file = File::open(path)?;
    if file.metadata()?.is_file() {
        Ok(file)
    } else {
        Err(io::Error::new(io::ErrorKind::InvalidInput, "no regular file"))
    }
}

/// A capture that is being read.
struct Reading {
    levels: Result<Levels, NoLevels>,
    slicer: Option<Slicer>,
    pulses: Pulses,
    sums: Sums,
    rows: u64,
    edges: u64,
    span: (f64, f64),
    excerpt: Excerpt,
    /// The row before was none, or had a wrong time: that it lacks is no trouble of its own.
    row_lost: bool,
}

/// What is kept of periods.
struct Sums {
    period: Spread,
    period_jitter: Jitter,
    duty: Spread,
    duty_jitter: Jitter,
    track: Option<Track>,
    marked: Marked,
    troubles: Troubles,
}

impl Reading {
    fn new(levels: Result<Levels, NoLevels>, asked: &Asked) -> Reading {
        Reading {
            slicer: levels.as_ref().ok().map(Slicer::new),
            excerpt: Excerpt::new(levels.as_ref().map_or(1.0, |levels| levels.every)),
            levels,
            pulses: Pulses::default(),
            sums: Sums {
                period: Spread::default(),
                period_jitter: Jitter::default(),
                duty: Spread::default(),
                duty_jitter: Jitter::default(),
                track: None,
                marked: Marked::new(&asked.marks),
                troubles: Troubles::default(),
            },
            rows: 0,
            edges: 0,
            span: (f64::NAN, f64::NAN),
            row_lost: false,
        }
    }

    #[inline]
    fn step(&mut self, line: u64, row: Line) {
        let (time, volt) = match row {
            Line::Row(time, volt) => (time, volt),
            Line::Strange(text) => {
                self.sums.troubles.add(Kind::Garbage, line, 1, || strange(text));
                self.row_lost = true;
                return;
            }
        };
        self.rows += 1;
        if self.span.0.is_nan() {
            self.span.0 = time;
        }
        self.span.1 = time;
        let Some(slicer) = &mut self.slicer else { return };
        let before = slicer.before();
        let (slip, edge) = slicer.step(line, time, volt);
        let row_lost = std::mem::take(&mut self.row_lost);
        if let Some(slip) = slip {
            self.slipped(line, slip, row_lost, time, before);
        }
        self.excerpt.push(time, volt, edge.as_ref());
        if let Some(edge) = edge {
            self.edges += 1;
            self.event(Event::Edge(edge));
        }
    }

    #[inline(never)]
    fn event(&mut self, event: Event) {
        let sums = &mut self.sums;
        self.pulses.step(event, |made| sums.take(made));
    }

    #[inline(never)]
    fn slipped(&mut self, line: u64, slip: Slip, row_lost: bool, time: f64, before: Option<f64>) {
        let before = before.unwrap_or(time);
        let every = self.levels.as_ref().map_or(0.0, |levels| levels.every);
        let (kind, found, wanted) = match slip {
            Slip::Backwards => (
                Kind::Backwards,
                format!("{time} s after {before} s"),
                "time that runs forwards".to_owned(),
            ),
            Slip::Same => (
                Kind::SameTime,
                format!("{time} s twice"),
                "a later time: export it with more digits".to_owned(),
            ),
            Slip::Gap => {
                let found = format!("a gap of {} s in the samples", short(time - before));
                (Kind::Gap, found, format!("one every {} s", short(every)))
            }
        };
        self.row_lost = slip != Slip::Gap;
        if !(row_lost && slip == Slip::Gap) {
            self.sums
                .troubles
                .add_worst(kind, line, (time - before).abs(), (found, wanted));
        }
        if slip != Slip::Same {
            self.event(Event::Break);
        }
    }

    fn finish(mut self, file: String, format: Format, bytes: u64, asked: &Asked) -> Result<Scoped, ScopeError> {
        let sums = &mut self.sums;
        self.pulses.finish(|made| sums.take(made));
        let first = format.first_line;
        let (levels, track) = match (self.levels, sums.track.take()) {
            (Ok(levels), Some(track)) => (levels, track),
            (levels, _) => {
                return Err(nothing(
                    &file,
                    first,
                    &levels,
                    self.edges,
                    self.rows,
                    &self.sums.troubles,
                ));
            }
        };
        let period = sums.period.mean;
        if let Some(limit) = levels.clipped {
            let wanted = "both levels within the range of the instrument".to_owned();
            let told = || (format!("a level cut off at {} V", short(limit)), wanted);
            sums.troubles.add(Kind::Clipped, first, 1, told);
        }
        if !levels.changes_only && levels.every > SAMPLE_MOST * period {
            let found = format!(
                "a sample every {:.2} % of a period ({} s)",
                100.0 * levels.every / period,
                short(levels.every)
            );
            let wanted = format!(
                "every {} % or more often: too slow for {} Hz",
                100.0 * SAMPLE_MOST,
                short(1.0 / period)
            );
            sums.troubles.add(Kind::TooSlow, first, 1, || (found, wanted));
        }
        if sums.duty.count < PULSES_LEAST {
            let found = format!("{} whole periods", sums.duty.count);
            sums.troubles
                .add(Kind::TooShort, first, 1, || (found, format!("at least {PULSES_LEAST}")));
        }
        let duty_jitter = sums.duty_jitter.deviation();
        let lever = if asked.sweep {
            Some(
                lever::sweep(&track, duty_jitter)
                    .map_err(|wrong| vec![wrong])
                    .and_then(|rests| lever::map(&rests)),
            )
        } else if asked.marks.is_empty() {
            None
        } else {
            Some(lever::map(
                &std::mem::replace(&mut sums.marked, Marked::new(&[])).rests(),
            ))
        };
        let lever = lever.and_then(|map| {
            let wrong = map.as_ref().err().cloned().unwrap_or_default();
            for told in &wrong {
                sums.troubles.add(Kind::Lever, first, 1, || told.clone());
            }
            map.ok()
        });
        if sums.troubles.break_the_file() {
            return Err(ScopeError::Content(sums.troubles.complaints(&file)));
        }
        let sums = self.sums;
        Ok(Scoped {
            file,
            format,
            levels,
            rows: self.rows,
            bytes,
            span: self.span,
            period: sums.period,
            period_jitter: sums.period_jitter.deviation(),
            duty: sums.duty,
            duty_jitter,
            track,
            excerpt: self.excerpt,
            lever,
            troubles: sums.troubles.list(),
        })
    }
}

/// There is no signal to speak of: why, and what else is wrong.
fn nothing(
    file: &str,
    line: u64,
    levels: &Result<Levels, NoLevels>,
    edges: u64,
    rows: u64,
    troubles: &Troubles,
) -> ScopeError {
    let found = match *levels {
        Err(NoLevels { range: (low, high) }) => {
            format!(
                "no edges: {rows} rows between {} and {} V without two levels",
                short(low),
                short(high)
            )
        }
        Ok(Levels { low, high, .. }) => {
            format!(
                "{edges} edges between {} and {} V in {rows} rows, not one whole period",
                short(low),
                short(high)
            )
        }
    };
    let mut complaints = troubles.complaints(file);
    if let ScopeError::Content(more) = ScopeError::one(
        file,
        line,
        "",
        found,
        "a signal that goes to and fro between two levels",
    ) {
        complaints.extend(more);
    }
    ScopeError::Content(complaints)
}

impl Sums {
    fn take(&mut self, made: Made) {
        match made {
            Made::Pulse(pulse) => self.pulse(&pulse),
            Made::Odd(odd) => self.odd(&odd),
        }
    }

    fn pulse(&mut self, pulse: &Pulse) {
        let period = pulse.until - pulse.from;
        self.period.push(period);
        self.period_jitter.push(period);
        self.duty.push(pulse.duty);
        self.duty_jitter.push(pulse.duty);
        self.track
            .get_or_insert_with(|| Track::new(pulse.from, period))
            .push(pulse);
        self.marked.push(pulse);
    }

    fn odd(&mut self, odd: &Odd) {
        let level = if odd.high { "high" } else { "low" };
        let lasts = short(odd.lasts);
        let at = short(odd.at);
        let (kind, times, found, wanted) = match odd.kind {
            OddKind::Glitch => (
                Kind::Glitch,
                1,
                format!("a glitch at {at} s, {level} for {lasts} s"),
                "a clean signal",
            ),
            OddKind::Missing(missing) => (
                Kind::Missing,
                missing,
                format!("pulses missing from {at} s, {level} for {lasts} s"),
                "a pulse every period",
            ),
            OddKind::Extra => (
                Kind::Extra,
                1,
                format!("a period of {lasts} s at {at} s"),
                "all of about one length",
            ),
        };
        self.troubles.add(kind, odd.line, times, || (found, wanted.to_owned()));
    }
}

/// A line that is no row, so much of it as is worth telling.
fn strange(text: &[u8]) -> (String, String) {
    let text = String::from_utf8_lossy(text);
    let mut told: String = text.trim().chars().take(TOLD_MAX).collect();
    if told.len() < text.trim().len() {
        told += "...";
    }
    (format!("{told:?}"), "a row with a time and a voltage".to_owned())
}

/// A number with four digits that count, without a tail of zeros.
pub fn short(value: f64) -> String {
    let rounded: f64 = format!("{value:.3e}").parse().unwrap_or(value);
    if rounded == 0.0 || (1e-4..1e8).contains(&rounded.abs()) {
        format!("{rounded}")
    } else {
        format!("{rounded:e}")
    }
}

#[cfg(test)]
mod tests {
    use super::short;

    #[test]
    fn numbers_are_told_shortly() {
        let said = [-0.0, 3.3, 1.2345e-5, 0.000_123_456, 1234.567, -0.999_99, 1e9].map(short);
        assert_eq!(said, ["-0", "3.3", "1.234e-5", "0.0001235", "1235", "-1", "1e9"]);
    }
}
