//! Changing a machine file in a few places, with everything else in it left as it is: order, comments, blanks.
//!
//! What was there stays as a comment above each, with the date. The new text is read and checked as a machine file before the old one is replaced, in
//! one step, by renaming; whatever goes wrong before that leaves the old one as it was.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use bellcrank_machine::Description;
use bellcrank_machine::document::{Complaints, DocumentError, read_file};
use miette::Diagnostic;
use schemars::JsonSchema;
use serde::Serialize;
use time::OffsetDateTime;
use toml_edit::{DocumentMut, InlineTable, Item, Table, Value};

/// What was proposed for a machine file.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Revision {
    /// The machine file.
    pub file: String,
    /// The axis.
    pub axis: String,
    /// The key of it.
    pub key: String,
    /// What it says.
    pub was: String,
    /// What it should say.
    pub proposed: String,
    /// It has been changed.
    pub written: bool,
}

/// Other values for some keys of a table of an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Change<'a> {
    /// The axis.
    pub axis: &'a str,
    /// The key of the table, which stands on one line.
    pub key: &'a str,
    /// Keys in it, each with its new value in TOML, or none where it is to be left out.
    pub values: Vec<(&'a str, Option<String>)>,
}

/// A machine file with changes that are not written yet.
#[derive(Debug)]
pub struct Revised {
    path: PathBuf,
    before: String,
    text: String,
    revisions: Vec<Revision>,
}

/// Why a machine file is not changed.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum ReviseError {
    /// It cannot be read.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Document(#[from] DocumentError),
    /// It has no such axis, or no such key there.
    #[error("{file}: found {found}, wanted {wanted}")]
    Place {
        /// The machine file.
        file: String,
        /// What is there.
        found: String,
        /// What should be.
        wanted: String,
    },
    /// It would no longer be a machine file.
    #[error("{file} stays as it was: with the change it would have {complaints}")]
    Refused {
        /// The machine file.
        file: String,
        /// What would be wrong.
        complaints: Box<Complaints>,
    },
    /// The system refuses it.
    #[error("{}: found a file that cannot be changed ({cause}), wanted one that can", path.display())]
    Io {
        /// The machine file.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: io::Error,
    },
}

impl Revised {
    /// A machine file from disk with these changes. `by` says, in the comments, who proposed them.
    ///
    /// # Errors
    /// It cannot be read, has no such axis or table, or would no longer be a machine file.
    pub fn new(path: &Path, changes: &[Change], by: &str) -> Result<Revised, ReviseError> {
        let (file, before) = read_file(path).map_err(DocumentError::from)?;
        let machine = bellcrank_machine::read(&file, &before).map_err(DocumentError::from)?;
        let mut document: DocumentMut = before
            .parse()
            .map_err(|error: toml_edit::TomlError| ReviseError::Place {
                file: file.clone(),
                found: error.message().to_owned(),
                wanted: "valid TOML".to_owned(),
            })?;
        let revisions = changes
            .iter()
            .map(|change| {
                revise(&mut document, change, by, &machine)
                    .map(|(was, proposed)| Revision {
                        file: file.clone(),
                        axis: change.axis.to_owned(),
                        key: change.key.to_owned(),
                        was,
                        proposed,
                        written: false,
                    })
                    .map_err(|(found, wanted)| ReviseError::Place {
                        file: file.clone(),
                        found,
                        wanted,
                    })
            })
            .collect::<Result<_, _>>()?;
        let text = document.to_string();
        let refused = |complaints| ReviseError::Refused {
            file: file.clone(),
            complaints: Box::new(complaints),
        };
        bellcrank_machine::read(&file, &text).map_err(refused)?;
        Ok(Revised {
            path: path.to_owned(),
            before,
            text,
            revisions,
        })
    }

    /// What it comes to, a change each.
    pub fn revisions(&self) -> &[Revision] {
        &self.revisions
    }

    /// It changes nothing.
    pub fn is_idle(&self) -> bool {
        self.revisions.iter().all(|revision| revision.was == revision.proposed)
    }

    /// Replaces the file.
    ///
    /// # Errors
    /// It cannot be written, or has been changed by somebody else since it was read.
    pub fn write(self) -> Result<Vec<Revision>, ReviseError> {
        let refused = |cause| ReviseError::Io {
            path: self.path.clone(),
            cause,
        };
        let now = fs::read_to_string(&self.path).map_err(refused)?;
        if now != self.before {
            return Err(refused(io::Error::other("it has been changed meanwhile")));
        }
        // A link stays a link: what it leads to is replaced.
        let path = fs::canonicalize(&self.path).map_err(refused)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let part = path.with_file_name(format!(".{name}.{}.part", std::process::id()));
        let written = File::create(&part).and_then(|mut file| {
            file.write_all(self.text.as_bytes())?;
            file.set_permissions(fs::metadata(&path)?.permissions())?;
            file.sync_all()?;
            fs::rename(&part, &path)
        });
        if let Err(cause) = written {
            // Best effort: the first error is the one worth telling.
            let _ = fs::remove_file(&part);
            return Err(refused(cause));
        }
        let written = self.revisions.into_iter().map(|revision| Revision {
            written: true,
            ..revision
        });
        Ok(written.collect())
    }
}

/// Makes one change, and tells what was there and what is now; or what was found where it should be made, and what was wanted.
fn revise(
    document: &mut DocumentMut,
    change: &Change,
    by: &str,
    machine: &Description,
) -> Result<(String, String), (String, String)> {
    let (axis, key) = (change.axis, change.key);
    let Some(table) = axis_table(document, axis) else {
        return Err((format!("no axis {axis:?}"), format!("one of {}", axes(machine))));
    };
    let old = table.get(key).and_then(Item::as_value).and_then(Value::as_inline_table);
    let Some(old) = old.cloned() else {
        let wanted = format!("the {key} of axis {axis:?} on one line, as {key} = {{ ... }}");
        return Err((format!("no {key} on one line"), wanted));
    };
    let new = changed(&old, &change.values);
    let (was, proposed) = (one_line(&old), one_line(&new));
    if was == proposed {
        return Ok((was, proposed));
    }
    if let Some(item) = table.get_mut(key) {
        *item = Item::Value(Value::InlineTable(new));
    }
    if let Some(mut name) = table.key_mut(key) {
        let prefix = name
            .leaf_decor()
            .prefix()
            .and_then(|prefix| prefix.as_str())
            .unwrap_or_default();
        let prefix = format!("{prefix}# {}, {by}; was {key} = {was}\n", today());
        name.leaf_decor_mut().set_prefix(prefix);
    }
    Ok((was, proposed))
}

/// Today's date in UTC, as ISO 8601 has it.
pub fn today() -> String {
    let now = OffsetDateTime::now_utc();
    format!("{:04}-{:02}-{:02}", now.year(), u8::from(now.month()), now.day())
}

fn axis_table<'d>(document: &'d mut DocumentMut, axis: &str) -> Option<&'d mut Table> {
    let axes = document.get_mut("axis")?.as_array_of_tables_mut()?;
    axes.iter_mut()
        .find(|table| table.get("name").and_then(Item::as_str) == Some(axis))
}

fn axes(machine: &Description) -> String {
    let names: Vec<&str> = machine.axes.iter().map(|axis| axis.name.as_str()).collect();
    names.join(", ")
}

fn changed(old: &InlineTable, values: &[(&str, Option<String>)]) -> InlineTable {
    let mut new = old.clone();
    for (key, value) in values {
        match value.as_ref().and_then(|value| value.parse::<Value>().ok()) {
            Some(value) => {
                let mut value = value.decorated(" ", "");
                if new
                    .get(key)
                    .is_some_and(|old| old.decor().suffix().and_then(|suffix| suffix.as_str()) == Some(" "))
                {
                    value.decor_mut().set_suffix(" ");
                }
                new.insert(*key, value);
            }
            None => {
                new.remove(key);
            }
        }
    }
    new.fmt();
    *new.decor_mut() = old.decor().clone();
    new
}

/// A table as one line without what stands around it.
fn one_line(table: &InlineTable) -> String {
    let text = table.to_string();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The digger with a value changed, as a file in a folder of its own.
    fn digger(name: &str) -> (PathBuf, String) {
        let path = std::env::temp_dir().join(format!("bellcrank-revise-{}-{name}.toml", std::process::id()));
        let text = bellcrank_machine::builtin("yard-digger").unwrap().to_owned();
        fs::write(&path, &text).unwrap();
        (path, text)
    }

    fn change<'a>(axis: &'a str, low: &str) -> [Change<'a>; 1] {
        [Change {
            axis,
            key: "channel",
            values: vec![
                ("neutral", Some("0.502".to_owned())),
                ("band", Some(format!("[{low}, 0.8]"))),
                ("reversed", Some("true".to_owned())),
            ],
        }]
    }

    #[test]
    fn one_line_changes_and_all_others_stay() {
        let (path, before) = digger("one");
        let revised = Revised::new(&path, &change("stick", "0.2"), "from a test").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), before);
        let [revision] = &revised.write().unwrap()[..] else {
            panic!("one change");
        };
        assert_eq!(revision.was, "{ neutral = 0.5, band = [0.1, 0.9] }");
        assert_eq!(
            revision.proposed,
            "{ neutral = 0.502, band = [0.2, 0.8], reversed = true }"
        );
        assert!(revision.written);
        let after = fs::read_to_string(&path).unwrap();
        let (before, after): (Vec<&str>, Vec<&str>) = (before.lines().collect(), after.lines().collect());
        let old = "channel = { neutral = 0.5, band = [0.1, 0.9] }";
        // The third axis: slew, boom, stick.
        let at = before
            .iter()
            .enumerate()
            .filter(|(_, line)| **line == old)
            .nth(2)
            .unwrap()
            .0;
        assert_eq!(after[..at], before[..at]);
        assert_eq!(after[at], format!("# {}, from a test; was {old}", today()));
        assert_eq!(
            after[at + 1],
            "channel = { neutral = 0.502, band = [0.2, 0.8], reversed = true }"
        );
        assert_eq!(after[at + 2..], before[at + 1..]);
        // A second change keeps the first in its comments, and takes a key away again.
        let second = Change {
            axis: "stick",
            key: "channel",
            values: vec![("reversed", None), ("neutral", Some("0.5".to_owned()))],
        };
        let other = Change {
            axis: "boom",
            ..second.clone()
        };
        let revised = Revised::new(&path, &[second, other], "a second look").unwrap();
        assert!(!revised.is_idle());
        let revisions = revised.write().unwrap();
        assert_eq!(revisions[0].proposed, "{ neutral = 0.5, band = [0.2, 0.8] }");
        assert_eq!(revisions[1].proposed, revisions[1].was, "the boom said so already");
        let text = fs::read_to_string(&path).unwrap();
        assert_eq!(
            (
                text.matches("from a test").count(),
                text.matches("a second look").count()
            ),
            (1, 1)
        );
        fs::remove_file(path).unwrap();
    }

    #[test]
    fn what_would_be_wrong_is_refused_and_nothing_written() {
        let (path, before) = digger("two");
        let said = |axis, low: &str| {
            Revised::new(&path, &change(axis, low), "a test")
                .unwrap_err()
                .to_string()
        };
        assert!(said("bom", "0.2").contains("found no axis \"bom\", wanted one of slew, boom, stick, bucket"));
        assert!(
            said("boom", "0.6").contains("stays as it was: with the change it would have 1 mistake"),
            "{}",
            said("boom", "0.6")
        );
        let revised = Revised::new(&path, &change("boom", "0.2"), "a test").unwrap();
        fs::write(&path, format!("{before}# touched")).unwrap();
        assert!(
            revised
                .write()
                .unwrap_err()
                .to_string()
                .contains("it has been changed meanwhile")
        );
        assert_eq!(fs::read_to_string(&path).unwrap(), format!("{before}# touched"));
        fs::remove_file(path).unwrap();
    }
}
