//! A value out of a CSV log with a heading, such as the record of a run: of one column, the greatest, the least, or what is furthest from zero.

use std::path::Path;

use bellcrank_machine::document::{Complaint, FileError, read_file_up_to};
use miette::Diagnostic;

use super::checks::Take;

/// Largest log that is read, bytes.
const LOG_MAX: u64 = 200_000_000;

/// Why a log gave no value.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum LogError {
    /// It could not be read from disk.
    #[error("{0}")]
    File(#[from] FileError),
    /// It says something wrong.
    #[error(transparent)]
    Content(#[from] Complaint),
}

/// Reads the value.
///
/// # Errors
/// The file cannot be read, or has no such column with a number in it, or something else in it.
pub fn from_log(path: &Path, column: &str, take: Take) -> Result<f64, LogError> {
    let (file, text) = read_file_up_to(path, LOG_MAX)?;
    Ok(value(&file, &text, column, take)?)
}

fn value(file: &str, text: &str, column: &str, take: Take) -> Result<f64, Complaint> {
    let complaint = |line: u64, path: &str, found: String, wanted: String| Complaint {
        file: file.to_owned(),
        line: usize::try_from(line).unwrap_or(usize::MAX),
        span: 0..0,
        path: path.to_owned(),
        found,
        wanted,
    };
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let headings = reader.headers().cloned().unwrap_or_default();
    let Some(place) = headings.iter().position(|heading| heading == column) else {
        let known = headings.iter().collect::<Vec<_>>().join(", ");
        return Err(complaint(
            1,
            "",
            format!("columns {known}"),
            format!("one called {column}"),
        ));
    };
    let mut best: Option<f64> = None;
    for record in reader.records() {
        // The text is UTF-8 and rows may be of any length, so there is nothing left that the reader could object to.
        let Ok(record) = record else { break };
        // Where there was no figure a log has none.
        let Some(cell) = record.get(place).filter(|cell| !cell.is_empty()) else {
            continue;
        };
        let number = cell.parse::<f64>().ok().filter(|number| number.is_finite());
        let Some(number) = number else {
            let line = record.position().map_or(0, csv::Position::line);
            return Err(complaint(
                line,
                column,
                format!("{cell:?}"),
                "a finite number".to_owned(),
            ));
        };
        let number = if take == Take::Furthest { number.abs() } else { number };
        let better = |best: f64| {
            if take == Take::Least {
                number < best
            } else {
                number > best
            }
        };
        if best.is_none_or(better) {
            best = Some(number);
        }
    }
    best.ok_or_else(|| {
        complaint(
            1,
            column,
            "a column without a number".to_owned(),
            "at least one".to_owned(),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_value_that_counts_is_taken() {
        let text = "t_s,a_mm_s,b\n0,-5,1\n1,3,\n2,,x\n";
        let check = |take, wanted| assert_eq!(value("l.csv", text, "a_mm_s", take), Ok(wanted));
        check(Take::Greatest, 3.0);
        check(Take::Least, -5.0);
        check(Take::Furthest, 5.0);
        let said = |column| value("l.csv", text, column, Take::Least).unwrap_err().to_string();
        assert_eq!(said("c"), "l.csv:1: found columns t_s, a_mm_s, b, wanted one called c");
        assert_eq!(said("b"), "l.csv:4: b: found \"x\", wanted a finite number");
        assert!(value("l.csv", "a\n", "a", Take::Least).is_err());
    }
}
