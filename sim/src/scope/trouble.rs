//! What is wrong with a capture, told once for each kind: where it first is (of gaps, the longest), how often, and what would be right.

use std::collections::BTreeMap;

use bellcrank_machine::document::Complaint;
use schemars::JsonSchema;
use serde::Serialize;

/// A kind of trouble, in the order in which they are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A line that is no row.
    Garbage,
    /// Time runs backwards.
    Backwards,
    /// Two rows with the same time.
    SameTime,
    /// Rows are missing.
    Gap,
    /// Too few samples in a period.
    TooSlow,
    /// A level is cut off by the range of the instrument.
    Clipped,
    /// A level for far less than a period.
    Glitch,
    /// Pulses are missing.
    Missing,
    /// A pulse too many.
    Extra,
    /// Too few periods to say anything.
    TooShort,
    /// What the lever did cannot be made out.
    Lever,
}

impl Kind {
    /// The file itself is broken: nothing is to be read out of it.
    pub fn is_of_the_file(self) -> bool {
        matches!(self, Kind::Garbage | Kind::Backwards)
    }
}

/// One kind of trouble.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Trouble {
    /// Which kind.
    pub kind: Kind,
    /// How often.
    pub times: u64,
    /// The line of the file where it first is; of gaps, the longest.
    pub line: u64,
    /// What is there.
    pub found: String,
    /// What would be right.
    pub wanted: String,
}

/// All that is wrong, one for each kind.
#[derive(Debug, Clone, Default)]
pub struct Troubles {
    list: BTreeMap<Kind, Trouble>,
    /// How bad the worst is, of those kinds whose worst is told.
    worst: BTreeMap<Kind, f64>,
}

impl Troubles {
    /// One more. What is told is that of the first of its kind.
    pub fn add(&mut self, kind: Kind, line: u64, times: u64, told: impl FnOnce() -> (String, String)) {
        let first = self.list.entry(kind).or_insert_with(|| {
            let (found, wanted) = told();
            Trouble {
                kind,
                times: 0,
                line,
                found,
                wanted,
            }
        });
        first.times += times;
    }

    /// One more, of a kind whose worst is told and not its first.
    pub fn add_worst(&mut self, kind: Kind, line: u64, how_bad: f64, (found, wanted): (String, String)) {
        let worst = self.worst.entry(kind).or_insert(how_bad);
        if how_bad > *worst {
            *worst = how_bad;
            if let Some(trouble) = self.list.get_mut(&kind) {
                (trouble.line, trouble.found) = (line, found.clone());
            }
        }
        self.add(kind, line, 1, || (found, wanted));
    }

    /// The file itself is broken.
    pub fn break_the_file(&self) -> bool {
        self.list.keys().any(|kind| kind.is_of_the_file())
    }

    /// All of them, as complaints about a file.
    pub fn complaints(&self, file: &str) -> Vec<Complaint> {
        let complaint = |trouble: &Trouble| Complaint {
            file: file.to_owned(),
            line: usize::try_from(trouble.line).unwrap_or(usize::MAX),
            span: 0..0,
            path: String::new(),
            found: trouble.found_times(),
            wanted: trouble.wanted.clone(),
        };
        self.list.values().map(complaint).collect()
    }

    /// All of them.
    pub fn list(self) -> Vec<Trouble> {
        self.list.into_values().collect()
    }
}

impl Trouble {
    /// What is there, and how often.
    pub fn found_times(&self) -> String {
        if self.times > 1 {
            format!("{} (one of {})", self.found, self.times)
        } else {
            self.found.clone()
        }
    }

    /// In one line.
    pub fn line(&self) -> String {
        format!(
            "line {}: found {}, wanted {}",
            self.line,
            self.found_times(),
            self.wanted
        )
    }
}
