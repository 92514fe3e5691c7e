//! A campaign at work: its runs on all cores, its ledger in order.

use rayon::prelude::*;
use xxhash_rust::xxh3::Xxh3;

use super::ledger::{Ledger, LedgerError};
use super::outcome::{Outcome, outcome};
use super::shard::Shard;
use super::suite::Suite;

/// Runs that are handed to the cores at once, and held in memory: enough that no core waits for long at the end of them.
const AT_ONCE: usize = 128;

/// The first line of a campaign's ledger: the suite, a digest of everything that decides its runs, how many there are, and the columns.
pub fn head(suite: &Suite, text: &str) -> String {
    let mut digest = Xxh3::new();
    digest.update(text.as_bytes());
    for work in &suite.works {
        digest.update(format!("{work:?}").as_bytes());
    }
    let columns = columns();
    format!(
        "{columns},suite {} {:016x} of {} runs by {}",
        suite.name,
        digest.digest(),
        suite.runs(),
        env!("CARGO_PKG_VERSION")
    )
}

/// Does the runs of a shard that are not in the ledger yet. `done` is told of every run that has been written.
///
/// # Errors
/// The ledger cannot be written.
pub fn work(
    suite: &Suite,
    shard: Shard,
    ledger: &mut Ledger,
    mut done: impl FnMut(&Outcome),
) -> Result<(), LedgerError> {
    let there = usize::try_from(ledger.lines()).unwrap_or(usize::MAX);
    let mut left = shard.runs(suite.runs()).skip(there).peekable();
    while left.peek().is_some() {
        let numbers: Vec<u64> = left.by_ref().take(AT_ONCE).collect();
        let outcomes: Vec<Outcome> = numbers
            .par_iter()
            .with_max_len(1)
            .map(|&number| outcome(suite, &suite.run(number)))
            .collect();
        let lines: Vec<String> = outcomes.iter().map(line).collect();
        ledger.append(lines.iter().map(String::as_str))?;
        outcomes.iter().for_each(&mut done);
    }
    Ok(())
}

/// An outcome as a line of the ledger, without its end.
pub fn line(outcome: &Outcome) -> String {
    let mut writer = csv::WriterBuilder::new().has_headers(false).from_writer(Vec::new());
    // Writing to memory does not fail, and text that was made of text is text.
    let _ = writer.serialize(outcome);
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8_lossy(&bytes).trim_end().to_owned()
}

/// A line of the ledger as an outcome. None where it is none.
pub fn read(line: &str) -> Option<Outcome> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(line.as_bytes());
    reader.deserialize().next()?.ok()
}

/// The names of the columns.
fn columns() -> String {
    [
        "run",
        "machine",
        "work",
        "faults",
        "axes",
        "at_s",
        "amounts_percent",
        "operator",
        "seed",
        "verdict",
        "reason",
        "noticed",
        "noticed_axis",
        "noticed_ms",
        "stopped_ms",
        "travel_mm",
        "nearest_mm",
        "speed_there_mm_s",
        "pressure_bar",
        "sank_mm",
        "digest",
    ]
    .join(",")
}
