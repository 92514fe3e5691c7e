//! Where the lever stood, and when: told on the command line or in a small TOML file beside the capture.
//!
//! On the command line a mark is `LEVER=FROM..UNTIL`, with the lever from -1 (full retract) over 0 (neutral) to 1 (full extend), or in words
//! (`retract`, `neutral`, `extend`), and seconds: `neutral=0.5..2`. The file has the same as tables:
//!
//! ```toml
//! [[mark]]
//! lever = 0.0
//! from_s = 0.5
//! until_s = 2.0
//! ```

use std::str::FromStr;

use bellcrank_machine::document::{self, Complaints, Table};

/// Latest time, s.
const LATEST_S: f64 = 1e6;

/// A time during which the lever stood still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Where it stood: -1 full retract, 0 neutral, 1 full extend.
    pub lever: f64,
    /// From when, s, in the time of the capture.
    pub from: f64,
    /// Until when, s.
    pub until: f64,
}

impl FromStr for Mark {
    type Err = String;

    fn from_str(text: &str) -> Result<Mark, String> {
        let wanted = || {
            format!(
                "found {text:?}, wanted LEVER=FROM..UNTIL: from -1 to 1, or retract, neutral or extend; seconds, as in neutral=0.5..2"
            )
        };
        let (lever, time) = text.split_once('=').ok_or_else(wanted)?;
        let (from, until) = time.split_once("..").ok_or_else(wanted)?;
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
        let lever = match lever.trim() {
            "neutral" => Some(0.0),
            "extend" => Some(1.0),
            "retract" => Some(-1.0),
            other => number(other).filter(|lever| lever.abs() <= 1.0),
        };
        let mark = Mark {
            lever: lever.ok_or_else(wanted)?,
            from: number(from).ok_or_else(wanted)?,
            until: number(until).ok_or_else(wanted)?,
        };
        if mark.from < mark.until {
            Ok(mark)
        } else {
            Err(wanted())
        }
    }
}

/// Reads a file of marks.
///
/// # Errors
/// All its mistakes.
pub fn read(file: &str, text: &str) -> Result<Vec<Mark>, Complaints> {
    document::read(file, text, |t| t.tables("mark", mark))
}

fn mark(t: &Table) -> Mark {
    let mark = Mark {
        lever: t.number("lever", -1.0..=1.0),
        from: t.number("from_s", -LATEST_S..=LATEST_S),
        until: t.number("until_s", -LATEST_S..=LATEST_S),
    };
    if mark.from >= mark.until {
        t.wrong("until_s", "later than from_s");
    }
    mark
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_read_in_numbers_and_in_words() {
        let mark = |lever, from, until| Ok(Mark { lever, from, until });
        assert_eq!("neutral=0.5..2".parse(), mark(0.0, 0.5, 2.0));
        assert_eq!("extend=-1..2e1".parse(), mark(1.0, -1.0, 20.0));
        assert_eq!("-0.5 = 3 .. 4".parse(), mark(-0.5, 3.0, 4.0));
        for bad in ["", "neutral", "up=1..2", "2=1..2", "0=2..1", "0=1..x", "0=1..inf"] {
            assert!(
                bad.parse::<Mark>().unwrap_err().contains("wanted LEVER=FROM..UNTIL"),
                "{bad}"
            );
        }
    }

    #[test]
    fn a_file_of_marks_is_read() {
        let text = "[[mark]]\nlever = 0.5\nfrom_s = 1\nuntil_s = 2.5\n";
        assert_eq!(
            read("m.toml", text).unwrap(),
            [Mark {
                lever: 0.5,
                from: 1.0,
                until: 2.5
            }]
        );
        let said = read("m.toml", &text.replace("2.5", "0.5")).unwrap_err().to_string();
        assert!(said.contains("until_s: found 0.5, wanted later than from_s"), "{said}");
    }
}
