//! A campaign at work: its runs on all cores, its ledger in order.

use rayon::prelude::*;
use xxhash_rust::xxh3::Xxh3;

use super::ledger::{Ledger, LedgerError};
use super::outcome::{Outcome, outcome};
use super::shard::Shard;
use super::suite::Suite;

/// Runs for each core that are handed out at once, and held in memory: enough that no core waits for long at the end of them, and few enough that
/// not much is lost with a kill.
const AT_ONCE: usize = 32;

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
    let at_once = AT_ONCE * rayon::current_num_threads();
    let there = usize::try_from(ledger.lines()).unwrap_or(usize::MAX);
    let mut left = shard.runs(suite.runs()).skip(there).peekable();
    while left.peek().is_some() {
        let numbers: Vec<u64> = left.by_ref().take(at_once).collect();
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
    written(outcome, false)
}

/// A line of the ledger as an outcome. None where it is none.
pub fn read(line: &str) -> Option<Outcome> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(line.as_bytes());
    reader.deserialize().next()?.ok()
}

/// The names of the columns: those of the fields, as they stand above any row.
pub fn columns() -> String {
    let mut text = written(&Outcome::default(), true);
    text.truncate(text.find('\n').unwrap_or(text.len()));
    text
}

/// The columns of an outcome with what stands in them.
pub fn fields(outcome: &Outcome) -> Vec<(String, String)> {
    let line = line(outcome);
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .from_reader(line.as_bytes());
    let values = reader.records().next().and_then(Result::ok).unwrap_or_default();
    let columns = columns();
    let columns = columns.split(',').map(ToOwned::to_owned);
    columns.zip(values.iter().map(ToOwned::to_owned)).collect()
}

fn written(outcome: &Outcome, headed: bool) -> String {
    let mut writer = csv::WriterBuilder::new().has_headers(headed).from_writer(Vec::new());
    // Writing to memory does not fail, and text that was made of text is text.
    let _ = writer.serialize(outcome);
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8_lossy(&bytes).trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_has_as_many_fields_as_there_are_columns_and_is_read_as_it_was_written() {
        let outcome = Outcome {
            reason: "one, \"two\"; three".to_owned(),
            noticed_ms: Some(0.1),
            ..Outcome::default()
        };
        let line = line(&outcome);
        assert_eq!(read(&line).as_ref(), Some(&outcome));
        assert!(columns().starts_with("run,machine,work,faults,"), "{}", columns());
        let fields = fields(&outcome);
        assert_eq!(fields.len(), columns().split(',').count());
        assert!(fields.contains(&("reason".to_owned(), outcome.reason)));
    }
}
