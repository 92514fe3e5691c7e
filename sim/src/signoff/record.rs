//! The record of a commissioning: one line an entry, each sealed with what came before it.
//!
//! A line is an entry in JSON, a blank, and the SHA-256 of the seal of the line before and the entry, in hexadecimal. So a line that was changed,
//! taken out or moved no longer fits, and the first that does not is named. Lines taken off the end leave a record that fits in itself: against
//! that the last seal is printed, to be written down elsewhere, and can be asked for. The seal is no signature: whoever can write the file can
//! write another that fits. It shows slips and tampering by halves, and no more.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use miette::Diagnostic;
use serde::{Deserialize, Serialize};
use time::OffsetDateTime;

use super::checks::digest;

/// What the first line's form is called.
const FORM: &str = "bellcrank signoff 1";
/// What the first line is sealed with.
const NOTHING: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "entry", rename_all = "snake_case", deny_unknown_fields)]
pub enum Entry {
    /// The first: what is being commissioned.
    Begun {
        /// The form of the record.
        form: String,
        /// The machine.
        machine: String,
        /// SHA-256 of the machine file.
        machine_file: String,
        /// When, UTC.
        at: String,
    },
    /// The machine file is another one from here on.
    MachineChanged {
        /// SHA-256 of it.
        machine_file: String,
        /// Checks that are to be done again.
        repeat: Vec<String>,
        /// Who took that on.
        by: String,
        /// When, UTC.
        at: String,
    },
    /// A check was done.
    Answer {
        /// Which.
        check: String,
        /// What it rested on.
        mark: String,
        /// How it went.
        verdict: Answered,
        /// What was measured, in the unit of the check.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        value: Option<f64>,
        /// The log that it was read from.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        read_from: Option<String>,
        /// Who did it.
        by: String,
        /// What else there is to say.
        #[serde(skip_serializing_if = "String::is_empty", default)]
        note: String,
        /// When, UTC.
        at: String,
    },
}

/// How a check went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Answered {
    /// What must be seen was seen.
    Pass,
    /// It was not.
    Fail,
    /// It was not done, for the reason in the note.
    Skip,
}

/// A record that fits in itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// The file.
    pub path: PathBuf,
    /// Its entries.
    pub entries: Vec<Entry>,
    /// The last seal.
    pub seal: String,
    text: String,
}

/// Why there is no record.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum RecordError {
    /// The system refuses it.
    #[error("{}: found a file that cannot be used ({cause}), wanted one that can", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: io::Error,
    },
    /// It is no record, or of another form.
    #[error("{}:1: found {found}, wanted the record of a commissioning", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What is there.
        found: String,
    },
    /// A line does not fit.
    #[error("{}", .0)]
    #[diagnostic(help("nothing is added to a record that does not fit; keep it, and begin another"))]
    Broken(Break),
}

/// The first line that does not fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}:{line}: found {found}, wanted {wanted}", path.display())]
pub struct Break {
    /// The file.
    pub path: PathBuf,
    /// The line, from 1.
    pub line: usize,
    /// What is there.
    pub found: String,
    /// What should be.
    pub wanted: String,
}

impl Record {
    /// A new one, not written yet.
    pub fn begin(path: &Path, machine: &str, machine_file: &str) -> Record {
        let mut record = Record {
            path: path.to_owned(),
            entries: Vec::new(),
            seal: NOTHING.to_owned(),
            text: String::new(),
        };
        record.push(Entry::Begun {
            form: FORM.to_owned(),
            machine: machine.to_owned(),
            machine_file: machine_file.to_owned(),
            at: now(),
        });
        record
    }

    /// Reads one. None where there is no such file.
    ///
    /// # Errors
    /// It cannot be read, is no record, or does not fit in itself.
    pub fn load(path: &Path) -> Result<Option<Record>, RecordError> {
        let refused = |cause| RecordError::Io {
            path: path.to_owned(),
            cause,
        };
        let bytes = match fs::read(path) {
            Err(cause) if cause.kind() == io::ErrorKind::NotFound => return Ok(None),
            bytes => bytes.map_err(refused)?,
        };
        let foreign = |found: &str| RecordError::Foreign {
            path: path.to_owned(),
            found: found.to_owned(),
        };
        let text = String::from_utf8(bytes).map_err(|_| foreign("something that is no text"))?;
        if text.is_empty() {
            return Err(foreign("an empty file"));
        }
        Record::read(path, text).map(Some)
    }

    fn read(path: &Path, text: String) -> Result<Record, RecordError> {
        let mut record = Record {
            path: path.to_owned(),
            entries: Vec::new(),
            seal: NOTHING.to_owned(),
            text: String::new(),
        };
        for (number, piece) in text.split_inclusive('\n').enumerate() {
            let broken = |found: &str, wanted: &str| {
                RecordError::Broken(Break {
                    path: path.to_owned(),
                    line: number + 1,
                    found: found.to_owned(),
                    wanted: wanted.to_owned(),
                })
            };
            let parts = piece.strip_suffix('\n').and_then(|line| line.rsplit_once(' '));
            let entry = parts.and_then(|(entry, seal)| Some((serde_json::from_str::<Entry>(entry).ok()?, entry, seal)));
            let Some((entry, json, seal)) = entry else {
                if number == 0 {
                    let found = "a first line that is no entry".to_owned();
                    return Err(RecordError::Foreign {
                        path: path.to_owned(),
                        found,
                    });
                }
                return Err(broken("a line that is no entry, or not whole", "it as it was written"));
            };
            let first = matches!(&entry, Entry::Begun { form, .. } if form == FORM);
            if first != (number == 0) {
                let found = "a beginning of another form, or in another place".to_owned();
                return Err(RecordError::Foreign {
                    path: path.to_owned(),
                    found,
                });
            }
            if seal != sealed(&record.seal, json) {
                return Err(broken(
                    "a line that does not fit the one before it: one of them was changed, or lines were taken out or moved",
                    "it as it was written",
                ));
            }
            seal.clone_into(&mut record.seal);
            record.entries.push(entry);
        }
        record.text = text;
        Ok(record)
    }

    /// Adds an entry, in memory.
    ///
    /// # Panics
    /// Never: an entry is made of nothing that JSON could not say.
    pub fn push(&mut self, entry: Entry) {
        let json = serde_json::to_string(&entry).expect("an entry is plain");
        self.seal = sealed(&self.seal, &json);
        self.text += &format!("{json} {}\n", self.seal);
        self.entries.push(entry);
    }

    /// Writes it whole: under another name first, renamed when all of it is on disk.
    ///
    /// # Errors
    /// The system refuses it. What was there is still there then.
    pub fn write(&self) -> Result<(), RecordError> {
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        let part = self.path.with_file_name(format!(".{name}.{}.part", std::process::id()));
        let written = File::create(&part).and_then(|mut file| {
            file.write_all(self.text.as_bytes())?;
            file.sync_all()?;
            fs::rename(&part, &self.path)
        });
        written.map_err(|cause| {
            // Best effort: the first error is the one worth telling.
            let _ = fs::remove_file(&part);
            RecordError::Io {
                path: self.path.clone(),
                cause,
            }
        })
    }

    /// The machine that is being commissioned.
    pub fn machine(&self) -> &str {
        match self.entries.first() {
            Some(Entry::Begun { machine, .. }) => machine,
            _ => "",
        }
    }

    /// SHA-256 of the machine file that the last entries are about.
    pub fn machine_file(&self) -> &str {
        let file = |entry: &Entry| match entry {
            Entry::Begun { machine_file, .. } | Entry::MachineChanged { machine_file, .. } => {
                Some(machine_file.clone())
            }
            Entry::Answer { .. } => None,
        };
        let last = self.entries.iter().rposition(|entry| file(entry).is_some());
        match last.and_then(|last| self.entries.get(last)) {
            Some(Entry::Begun { machine_file, .. } | Entry::MachineChanged { machine_file, .. }) => machine_file,
            _ => "",
        }
    }
}

/// The seal of an entry behind another.
fn sealed(before: &str, json: &str) -> String {
    digest(format!("{before}{json}").as_bytes())
}

/// Now, in UTC, as ISO 8601 has it.
pub fn now() -> String {
    let now = OffsetDateTime::now_utc();
    let (year, month, day) = (now.year(), u8::from(now.month()), now.day());
    format!(
        "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z",
        now.hour(),
        now.minute(),
        now.second()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(check: &str) -> Entry {
        Entry::Answer {
            check: check.to_owned(),
            mark: "m".to_owned(),
            verdict: Answered::Pass,
            value: Some(1.25),
            read_from: None,
            by: "ab".to_owned(),
            note: "größer".to_owned(),
            at: now(),
        }
    }

    fn record() -> Record {
        let mut record = Record::begin(Path::new("r.signoff"), "digger", "abc");
        (0..4).for_each(|number| record.push(answer(&format!("check {number}"))));
        record
    }

    fn read(text: &str) -> Result<Record, String> {
        Record::read(Path::new("r.signoff"), text.to_owned()).map_err(|error| error.to_string())
    }

    #[test]
    fn what_is_written_is_read_back() {
        let record = record();
        assert_eq!(read(&record.text).unwrap(), record);
        assert_eq!((record.machine(), record.machine_file()), ("digger", "abc"));
    }

    /// The seal is the plain SHA-256 of what stands in the file: anybody can check it with other tools.
    #[test]
    fn a_seal_is_what_its_doc_says() {
        let record = record();
        let first = record.text.lines().next().unwrap();
        let (json, seal) = first.rsplit_once(' ').unwrap();
        assert_eq!(seal, digest(format!("{NOTHING}{json}").as_bytes()));
        // "abc" is the one-block example of FIPS 180-4 (from memory): the library is what it says it is.
        assert_eq!(
            digest(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    /// Every single byte changed, every line taken out, doubled, or swapped with the next.
    #[test]
    fn whatever_is_changed_shows() {
        let text = record().text;
        for at in 0..text.len() {
            let mut bytes = text.clone().into_bytes();
            bytes[at] ^= 1;
            let Ok(changed) = String::from_utf8(bytes) else {
                continue;
            };
            assert!(read(&changed).is_err(), "byte {at}");
        }
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        for at in 0..lines.len() - 1 {
            let without: String = lines
                .iter()
                .enumerate()
                .filter(|(number, _)| *number != at)
                .map(|(_, line)| *line)
                .collect();
            let said = read(&without).unwrap_err();
            assert!(said.contains(&format!("r.signoff:{}:", at + 1)), "{said}");
            let mut swapped = lines.clone();
            swapped.swap(at, at + 1);
            assert!(read(&swapped.concat()).is_err());
            let mut doubled = lines.clone();
            doubled.insert(at, lines[at]);
            assert!(read(&doubled.concat()).is_err());
        }
        // The end taken off fits in itself: the last seal tells.
        let short = read(&lines[..3].concat()).unwrap();
        assert_ne!(short.seal, record().seal);
        assert!(read(text.trim_end()).unwrap_err().contains("not whole"));
    }
}
