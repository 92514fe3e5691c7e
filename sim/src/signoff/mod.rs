//! The record of a commissioning: which checks a machine asks for ([`checks`]), what was answered ([`record`]), and how far it has come.
//!
//! This guides and remembers; it judges nothing that a person has not seen, and takes no decision from the site's competent person.

pub mod checks;
mod page;
pub mod reading;
pub mod record;
mod report;

use std::path::Path;

use bellcrank_machine::Description;
use bellcrank_machine::document::{DocumentError, builtin, read_file};
use miette::Diagnostic;

use checks::Check;
use record::{Answered, Entry, Record, RecordError, now};

pub use page::page;
pub use report::{CheckRow, SignoffReport};

/// A machine, its checks, and the fingerprint of its file.
#[derive(Debug, Clone)]
pub struct Machine {
    /// What the file is called.
    pub file: String,
    /// SHA-256 of it.
    pub digest: String,
    /// What it says.
    pub description: Description,
    /// What it asks for.
    pub checks: Vec<Check>,
}

/// Where a check stands.
#[derive(Debug, Clone, PartialEq)]
pub enum Standing {
    /// It has been answered.
    Answered(Answer),
    /// It can be done now.
    Open,
    /// Others come first: their indices.
    Blocked(Vec<usize>),
    /// It was answered, but what it rests on has changed since, or whoever took the change on wants it again.
    Again(Answer),
}

/// What was answered.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// How it went.
    pub verdict: Answered,
    /// What was measured.
    pub value: Option<f64>,
    /// The log it was read from.
    pub read_from: Option<String>,
    /// Who did it.
    pub by: String,
    /// What else there is to say.
    pub note: String,
    /// When, UTC.
    pub at: String,
    mark: String,
}

/// An answer that is offered.
#[derive(Debug, Clone, PartialEq)]
pub struct Offered {
    /// The check's name.
    pub check: String,
    /// How it went.
    pub verdict: Answered,
    /// What was measured.
    pub value: Option<f64>,
    /// The log it was read from.
    pub read_from: Option<String>,
    /// Who did it.
    pub by: String,
    /// What else there is to say.
    pub note: String,
}

/// Why an answer is not taken.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum Refusal {
    /// It says something that does not go.
    #[error("{path}: found {found}, wanted {wanted}")]
    Answer {
        /// The check or the option.
        path: String,
        /// What was offered.
        found: String,
        /// What would be taken.
        wanted: String,
    },
    /// Others come first.
    #[error("{check}: found checks before it that have not passed, wanted these first:\n{}", first.join("\n"))]
    Order {
        /// The check.
        check: String,
        /// What it needs, and how that stands.
        first: Vec<String>,
    },
    /// The machine file is another.
    #[error("{file}: found another machine file than the record is about, wanted it taken on first\n{told}")]
    #[diagnostic(help(
        "--accept-machine --by INITIALS takes it on; --repeat CHECK adds checks that are to be done again"
    ))]
    Changed {
        /// The machine file.
        file: String,
        /// What has changed, and what is to be repeated.
        told: String,
    },
    /// The record is that of another machine.
    #[error("{record}: found the record of {found:?}, wanted that of {wanted:?}")]
    OtherMachine {
        /// The record.
        record: String,
        /// Its machine.
        found: String,
        /// The machine at hand.
        wanted: String,
    },
    /// The record cannot be used.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Record(#[from] RecordError),
}

impl Machine {
    /// A machine file, or a built-in machine.
    ///
    /// # Errors
    /// There is none, or it has mistakes.
    pub fn load(name: &str) -> Result<Machine, DocumentError> {
        let (file, text) = match builtin(name, &bellcrank_machine::BUILTIN) {
            Some(text) => (name.to_owned(), text.to_owned()),
            None => read_file(Path::new(name))?,
        };
        let description = bellcrank_machine::read(&file, &text)?;
        Ok(Machine {
            digest: checks::digest(text.as_bytes()),
            checks: checks::of(&description),
            description,
            file,
        })
    }
}

/// A record beside the machine that it is about.
#[derive(Debug, Clone)]
pub struct Signoff {
    /// The record.
    pub record: Record,
    /// The machine as it is now.
    pub machine: Machine,
}

impl Signoff {
    /// Goes on with a record, or begins one.
    ///
    /// # Errors
    /// The record cannot be used, or is that of another machine.
    pub fn open(path: &Path, machine: Machine) -> Result<Signoff, Refusal> {
        let record = match Record::load(path)? {
            Some(record) => record,
            None => Record::begin(path, &machine.description.name, &machine.digest),
        };
        if record.machine() != machine.description.name {
            return Err(Refusal::OtherMachine {
                record: path.display().to_string(),
                found: record.machine().to_owned(),
                wanted: machine.description.name,
            });
        }
        Ok(Signoff { record, machine })
    }

    /// The machine file is the one that the record is about.
    pub fn is_current(&self) -> bool {
        self.record.machine_file() == self.machine.digest
    }

    /// Where every check stands, in order.
    pub fn standings(&self) -> Vec<Standing> {
        let answers: Vec<(Option<Answer>, bool)> = self
            .machine
            .checks
            .iter()
            .map(|check| self.last_answer(check))
            .collect();
        let settled = |number: usize| {
            let (answer, again) = &answers[number];
            !again && answer.as_ref().is_some_and(|answer| answer.verdict != Answered::Fail)
        };
        let standing = |(number, check): (usize, &Check)| match &answers[number] {
            (Some(answer), false) => Standing::Answered(answer.clone()),
            (Some(answer), true) => Standing::Again(answer.clone()),
            (None, _) => {
                let first: Vec<usize> = check.needs.iter().copied().filter(|need| !settled(*need)).collect();
                if first.is_empty() {
                    Standing::Open
                } else {
                    Standing::Blocked(first)
                }
            }
        };
        self.machine.checks.iter().enumerate().map(standing).collect()
    }

    /// The last answer to a check, and whether it is to be done again.
    fn last_answer(&self, check: &Check) -> (Option<Answer>, bool) {
        let (mut last, mut again) = (None, false);
        for entry in &self.record.entries {
            match entry {
                Entry::Answer {
                    check: id,
                    mark,
                    verdict,
                    value,
                    read_from,
                    by,
                    note,
                    at,
                } if *id == check.id => {
                    again = false;
                    last = Some(Answer {
                        verdict: *verdict,
                        value: *value,
                        read_from: read_from.clone(),
                        by: by.clone(),
                        note: note.clone(),
                        at: at.clone(),
                        mark: mark.clone(),
                    });
                }
                Entry::MachineChanged { repeat, .. } if repeat.contains(&check.id) => again = true,
                _ => {}
            }
        }
        let again = again || last.as_ref().is_some_and(|answer: &Answer| answer.mark != check.mark);
        (last, again)
    }

    /// Checks that were answered, and rest on something that has changed since.
    pub fn outdated(&self) -> Vec<&Check> {
        let standings = self.standings();
        let again = |pair: &(&Check, &Standing)| matches!(pair.1, Standing::Again(_));
        self.machine
            .checks
            .iter()
            .zip(&standings)
            .filter(again)
            .map(|(check, _)| check)
            .collect()
    }

    /// The first check that can be done now.
    pub fn next(&self) -> Option<usize> {
        let standings = self.standings();
        let due = |number: &usize| match &standings[*number] {
            Standing::Open => true,
            Standing::Again(_) => self.first_for(*number, &standings).is_empty(),
            Standing::Answered(_) | Standing::Blocked(_) => false,
        };
        (0..standings.len()).find(due)
    }

    /// Every check has passed, or was left out with a reason.
    pub fn is_done(&self) -> bool {
        let fine =
            |standing: &Standing| matches!(standing, Standing::Answered(answer) if answer.verdict != Answered::Fail);
        self.is_current() && self.standings().iter().all(fine)
    }

    /// What a check needs that has not passed.
    fn first_for(&self, number: usize, standings: &[Standing]) -> Vec<usize> {
        let settled =
            |need: usize| matches!(&standings[need], Standing::Answered(answer) if answer.verdict != Answered::Fail);
        let needs = self.machine.checks[number].needs.iter().copied();
        needs.filter(|need| !settled(*need)).collect()
    }

    /// Takes an answer down, in memory.
    ///
    /// # Errors
    /// It does not go: no such check, its turn has not come, its value is out of bounds, something lacks.
    pub fn answer(&mut self, offered: Offered) -> Result<(), Refusal> {
        self.is_ready_for_answers()?;
        let checks = &self.machine.checks;
        let Some(number) = checks.iter().position(|check| check.id == offered.check) else {
            let near = checks.iter().map(|check| check.id.as_str()).max_by(|one, other| {
                let likeness = |id: &str| strsim::jaro_winkler(id, &offered.check);
                likeness(one).total_cmp(&likeness(other))
            });
            let wanted = format!(
                "a check of this machine (`--list` names them): {}?",
                near.unwrap_or_default()
            );
            return Err(refusal("--answer", format!("{:?}", offered.check), wanted));
        };
        let check = &checks[number];
        let standings = self.standings();
        let first = self.first_for(number, &standings);
        if !first.is_empty() {
            let told = |&need: &usize| format!("  {} ({})", checks[need].id, in_words(&standings[need]));
            return Err(Refusal::Order {
                check: check.id.clone(),
                first: first.iter().map(told).collect(),
            });
        }
        acceptable(check, &offered)?;
        let entry = Entry::Answer {
            check: check.id.clone(),
            mark: check.mark.clone(),
            verdict: offered.verdict,
            value: offered.value,
            read_from: offered.read_from,
            by: offered.by,
            note: offered.note,
            at: now(),
        };
        self.record.push(entry);
        Ok(())
    }

    /// Takes the machine file on as it is now, in memory. What rests on what has changed is to be done again, and what else is named.
    ///
    /// # Errors
    /// Nobody takes it on, or a name is that of no check.
    pub fn accept_machine(&mut self, repeat: &[String], by: &str) -> Result<Vec<String>, Refusal> {
        initials(by)?;
        let mut all: Vec<String> = self.outdated().iter().map(|check| check.id.clone()).collect();
        for name in repeat {
            if !self.machine.checks.iter().any(|check| check.id == *name) {
                return Err(refusal(
                    "--repeat",
                    format!("{name:?}"),
                    "a check of this machine (`--list` names them)".to_owned(),
                ));
            }
            if !all.contains(name) {
                all.push(name.clone());
            }
        }
        self.record.push(Entry::MachineChanged {
            machine_file: self.machine.digest.clone(),
            repeat: all.clone(),
            by: by.to_owned(),
            at: now(),
        });
        Ok(all)
    }

    /// Answers are taken for the machine file that the record is about, and no other.
    ///
    /// # Errors
    /// It has changed.
    pub fn is_ready_for_answers(&self) -> Result<(), Refusal> {
        if self.is_current() {
            return Ok(());
        }
        let outdated: Vec<String> = self.outdated().iter().map(|check| format!("  {}", check.id)).collect();
        let told = if outdated.is_empty() {
            "nothing that was checked rests on what has changed".to_owned()
        } else {
            format!(
                "these checks rest on what has changed, and are to be done again:\n{}",
                outdated.join("\n")
            )
        };
        Err(Refusal::Changed {
            file: self.machine.file.clone(),
            told,
        })
    }
}

/// How a check stands, in a few words.
pub fn in_words(standing: &Standing) -> &'static str {
    match standing {
        Standing::Answered(answer) => match answer.verdict {
            Answered::Pass => "passed",
            Answered::Fail => "FAILED",
            Answered::Skip => "left out",
        },
        Standing::Open => "open",
        Standing::Blocked(_) => "not yet",
        Standing::Again(_) => "again",
    }
}

fn refusal(path: &str, found: String, wanted: String) -> Refusal {
    Refusal::Answer {
        path: path.to_owned(),
        found,
        wanted,
    }
}

fn initials(by: &str) -> Result<(), Refusal> {
    let fine = !by.trim().is_empty() && by.chars().count() <= 40 && !by.chars().any(char::is_control);
    if fine {
        Ok(())
    } else {
        let wanted = "the initials or name of whoever did it, up to 40 characters";
        Err(refusal("--by", format!("{by:?}"), wanted.to_owned()))
    }
}

/// An answer says what its check asks for.
fn acceptable(check: &Check, offered: &Offered) -> Result<(), Refusal> {
    initials(&offered.by)?;
    if offered.verdict == Answered::Skip && offered.note.trim().is_empty() {
        let wanted = "the reason why it is left out".to_owned();
        return Err(refusal("--note", "nothing".to_owned(), wanted));
    }
    match (&check.reading, offered.value) {
        (None, Some(value)) => Err(refusal(
            "--value",
            format!("{value}"),
            format!("none: {} measures nothing", check.id),
        )),
        (Some(reading), None) if offered.verdict == Answered::Pass => {
            let wanted = format!("{}: {}", reading.what, reading.bounds());
            Err(refusal("--value", "nothing".to_owned(), wanted))
        }
        (Some(reading), Some(value)) if offered.verdict == Answered::Pass && !reading.takes(value) => {
            let found = format!("{value} {} with the answer pass", reading.unit);
            let wanted = format!(
                "{} of {}; with another value the answer is fail",
                reading.what,
                reading.bounds()
            );
            Err(refusal("--value", found, wanted))
        }
        (_, Some(value)) if !value.is_finite() => Err(refusal("--value", format!("{value}"), "a number".to_owned())),
        _ => Ok(()),
    }
}
