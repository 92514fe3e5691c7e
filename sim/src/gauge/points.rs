//! What was measured: signals of a sensor with the length from pin to pin, or the joint's angle, that belongs to each.
//!
//! From the command line as `LENGTH=SIGNAL`, or from a CSV file with a heading: the column of the signal is called as in the machine file (`volts`,
//! `shares`, `loop_ma`), beside it stand `length_mm`, `joint_deg` or both; a cell may be empty.

use std::path::Path;
use std::str::FromStr;

use bellcrank_machine::document::{Complaint, FileError, read_file};
use miette::Diagnostic;

/// The heading of lengths, and that of angles.
const LENGTH: &str = "length_mm";
const JOINT: &str = "joint_deg";

/// What was measured, in the unit that it was measured in.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Measured {
    /// Lengths from pin to pin, mm, each with the signal.
    pub lengths: Vec<Pair>,
    /// Joint angles, degrees, each with the signal.
    pub angles: Vec<Pair>,
}

/// A reading and the signal that belongs to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Length, mm, or angle, degrees.
    pub reading: f64,
    /// V, V/V or mA.
    pub signal: f64,
}

/// Why a file gave no points.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum PointsError {
    /// It could not be read from disk.
    #[error("{0}")]
    File(#[from] FileError),
    /// It says something wrong.
    #[error("{}", told(.0))]
    #[diagnostic(help("`bellcrank gauge --help` lists the columns"))]
    Content(Vec<Complaint>),
}

fn told(complaints: &[Complaint]) -> String {
    let lines: Vec<String> = complaints.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

impl FromStr for Pair {
    type Err = String;

    fn from_str(text: &str) -> Result<Pair, String> {
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
        let pair = text.split_once('=').and_then(|(reading, signal)| {
            Some(Pair {
                reading: number(reading)?,
                signal: number(signal)?,
            })
        });
        pair.ok_or_else(|| format!("found {text:?}, wanted READING=SIGNAL, two numbers: 612.5=1.25"))
    }
}

impl Measured {
    /// Reads a file of points; `signal` is the heading of the signals.
    ///
    /// # Errors
    /// It cannot be read, or has mistakes: all of them.
    pub fn load(path: &Path, signal: &'static str) -> Result<Measured, PointsError> {
        let (file, text) = read_file(path)?;
        Measured::read(&file, &text, signal)
    }

    /// The same from its text.
    ///
    /// # Errors
    /// All its mistakes.
    pub fn read(file: &str, text: &str, signal: &'static str) -> Result<Measured, PointsError> {
        let mut reader = csv::ReaderBuilder::new()
            .flexible(true)
            .trim(csv::Trim::All)
            .comment(Some(b'#'))
            .from_reader(text.as_bytes());
        let headings = reader.headers().cloned().unwrap_or_default();
        let mut wrong = Vec::new();
        let mut complain = |line: u64, path: &str, found: String, wanted: String| {
            wrong.push(Complaint {
                file: file.to_owned(),
                line: usize::try_from(line).unwrap_or(usize::MAX),
                span: 0..0,
                path: path.to_owned(),
                found,
                wanted,
            });
        };
        let place = |name: &str| headings.iter().position(|heading| heading == name);
        let known = [signal, LENGTH, JOINT];
        for heading in headings.iter().filter(|heading| !known.contains(heading)) {
            complain(
                1,
                heading,
                "an unknown column".to_owned(),
                format!("{signal}, {LENGTH} or {JOINT}"),
            );
        }
        let (Some(signals), true) = (place(signal), place(LENGTH).or(place(JOINT)).is_some()) else {
            let found = format!("columns {}", headings.iter().collect::<Vec<_>>().join(", "));
            complain(1, "", found, format!("{signal}, and beside it {LENGTH} or {JOINT}"));
            return Err(PointsError::Content(wrong));
        };
        let mut measured = Measured::default();
        for record in reader.records() {
            // The text is UTF-8 and rows may be of any length, so there is nothing left that the reader could object to.
            let Ok(record) = record else { break };
            let line = record.position().map_or(0, csv::Position::line);
            let mut cell = |place: Option<usize>| {
                let cell = record.get(place?).filter(|cell| !cell.is_empty())?;
                let number = cell.parse::<f64>().ok().filter(|number| number.is_finite());
                if number.is_none() {
                    complain(
                        line,
                        &headings[place?],
                        format!("{cell:?}"),
                        "a finite number".to_owned(),
                    );
                }
                number
            };
            let (signal, length, joint) = (cell(Some(signals)), cell(place(LENGTH)), cell(place(JOINT)));
            let pair = |reading: f64| {
                Some(Pair {
                    reading,
                    signal: signal?,
                })
            };
            measured.lengths.extend(length.and_then(pair));
            measured.angles.extend(joint.and_then(pair));
        }
        if wrong.is_empty() {
            Ok(measured)
        } else {
            Err(PointsError::Content(wrong))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_read_with_gaps() {
        let text = "volts,length_mm,joint_deg\n# at the stops\n1.0,600,\n2,,-12.5\n3.5 , 800 ,10\n";
        let found = Measured::read("p.csv", text, "volts").unwrap();
        let pair = |reading, signal| Pair { reading, signal };
        assert_eq!(found.lengths, [pair(600.0, 1.0), pair(800.0, 3.5)]);
        assert_eq!(found.angles, [pair(-12.5, 2.0), pair(10.0, 3.5)]);
        assert_eq!("612.5 = 1.25".parse(), Ok(pair(612.5, 1.25)));
    }

    #[test]
    fn every_mistake_is_named_with_its_line() {
        let said = |text: &str| Measured::read("p.csv", text, "volts").unwrap_err().to_string();
        assert_eq!(
            said("volts,length_mm\n1,x\ny,3\n"),
            "p.csv:2: length_mm: found \"x\", wanted a finite number\np.csv:3: volts: found \"y\", wanted a finite number"
        );
        assert!(
            said("amps,length_mm\n1,2\n")
                .contains("amps: found an unknown column, wanted volts, length_mm or joint_deg")
        );
        assert!(said("volts\n1\n").contains("found columns volts, wanted volts, and beside it length_mm or joint_deg"));
        assert!("1.5".parse::<Pair>().unwrap_err().contains("wanted READING=SIGNAL"));
    }
}
