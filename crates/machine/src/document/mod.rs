//! Reading a TOML document key by key, with every mistake collected instead of only the first.
//!
//! [`read`] parses a text and hands its top [`Table`] to a function that builds a value from it. A getter always returns
//! something: where the file is wrong it writes a [`Complaint`] and returns a stand-in (NaN for a number), so the builder reads
//! on and finds the next mistake. What was built only comes out when there was nothing to complain about, so no stand-in does.
//! Checks between values belong behind [`Table::clean`], or are written so that NaN passes them.
//!
//! The unit of a number is the end of its key: `number("bore_mm", 5.0..=500.0)` takes its range in millimetres and returns
//! metres. Everything comes back in SI; a key without a unit is a plain number.
//!
//! A key that nobody asked for is a mistake too: it is reported when its table has been read.

mod complaint;
mod find;
mod load;
mod table;
mod units;

pub use complaint::{Complaint, Complaints};
pub use find::{BuiltIn, DocumentError, builtin, find};
pub use load::{FILE_MAX, FileError, read_file, read_file_up_to};
pub use table::Table;
pub use units::unit;

use complaint::Ledger;
use toml::de::DeTable;

/// Builds a value from a TOML text. `file` is the name that complaints carry.
///
/// ```
/// let text = "name = \"boom\"\nbore_mm = 63\n";
/// let (name, bore) = bellcrank_machine::document::read("boom.toml", text, |t| (t.text("name"), t.number("bore_mm", 5.0..=500.0)))?;
/// assert_eq!((name.as_str(), bore), ("boom", 0.063));
/// # Ok::<(), bellcrank_machine::document::Complaints>(())
/// ```
///
/// # Errors
/// [`Complaints`] with everything that is wrong: mistakes in the TOML itself, or else all that the builder and the unknown keys
/// gave rise to.
pub fn read<T>(file: &str, text: &str, build: impl FnOnce(&Table<'_>) -> T) -> Result<T, Complaints> {
    let ledger = Ledger::new(file, text);
    let (root, errors) = DeTable::parse_recoverable(text);
    for e in &errors {
        let end = text.len();
        let span = e.span().map_or(end..end, |s| s.start.min(end)..s.end.min(end));
        ledger.add(span, String::new(), e.message(), "valid TOML");
    }
    if !errors.is_empty() {
        // What is left of a broken document would only give rise to complaints that are not meant.
        return Err(ledger.fail());
    }
    let value = Table::root(&ledger, root.get_ref()).read(build);
    ledger.close(value)
}

#[cfg(test)]
mod tests;
