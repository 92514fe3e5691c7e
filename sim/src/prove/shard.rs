//! Which runs of a campaign a shard does, and how shards are put together again.

use std::fmt;
use std::iter::Peekable;
use std::path::PathBuf;
use std::str::FromStr;

use super::ledger::{LedgerError, Lines};

/// One part of a campaign: every so many-th run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which part, from 1.
    pub number: u64,
    /// Of how many.
    pub of: u64,
}

impl Shard {
    /// All of it.
    pub const WHOLE: Self = Self { number: 1, of: 1 };

    /// The runs of this shard among the first `runs` of the campaign, in order.
    pub fn runs(self, runs: u64) -> impl Iterator<Item = u64> {
        let step = usize::try_from(self.of).unwrap_or(usize::MAX);
        (self.number - 1..runs).step_by(step)
    }

    /// How many that are.
    pub fn count(self, runs: u64) -> u64 {
        (runs + self.of - self.number) / self.of
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parts = text.split_once('/');
        let parts = parts.and_then(|(number, of)| Some((number.parse().ok()?, of.parse().ok()?)));
        match parts {
            Some((number, of)) if (1..=of).contains(&number) => Ok(Self { number, of }),
            _ => Err("wanted i/n with i from 1 to n, as in 2/4".to_owned()),
        }
    }
}

/// Hands every line of the shards' ledgers to `each`, in the order of the runs: first `head`, the line that names the campaign, then one line
/// a run.
///
/// # Errors
/// The ledgers are not of this campaign, a run is missing or is there twice, a file cannot be read, or `each` fails.
pub fn merged<E: From<LedgerError>>(
    paths: &[PathBuf],
    head: &str,
    runs: u64,
    mut each: impl FnMut(&str) -> Result<(), E>,
) -> Result<(), E> {
    let mut shards = Vec::new();
    for path in paths {
        let mut lines = Lines::open(path)?;
        let found = lines.next().transpose()?.unwrap_or_default();
        if found != head {
            let other = LedgerError::Other {
                path: path.clone(),
                found,
                wanted: head.to_owned(),
            };
            return Err(other.into());
        }
        shards.push((path, lines.peekable()));
    }
    each(head)?;
    for run in 0..runs {
        let mut found = None;
        for (path, lines) in &mut shards {
            if next_run(lines)? == Some(run) {
                if found.is_some() {
                    return Err(parts(path, format!("run {run} a second time"), "each run once").into());
                }
                found = lines.next().transpose()?;
            }
        }
        let Some(line) = found else {
            let (path, _) = &shards[usize::try_from(run).unwrap_or(0) % shards.len()];
            let found = format!("no run {run}, there or in another shard");
            return Err(parts(path, found, "every run up to the last").into());
        };
        each(&line)?;
    }
    for (path, lines) in &mut shards {
        if let Some(run) = next_run(lines)? {
            return Err(parts(path, format!("run {run}"), format!("none after {}", runs - 1)).into());
        }
    }
    Ok(())
}

/// The number of the run on the next line: what stands before its first comma.
fn next_run(lines: &mut Peekable<Lines>) -> Result<Option<u64>, LedgerError> {
    match lines.peek() {
        Some(Ok(line)) => Ok(line.split(',').next().and_then(|number| number.parse().ok())),
        Some(Err(_)) => lines.next().transpose().map(|_| None),
        None => Ok(None),
    }
}

fn parts(path: &std::path::Path, found: String, wanted: impl Into<String>) -> LedgerError {
    LedgerError::Parts {
        path: path.to_path_buf(),
        found,
        wanted: wanted.into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shards_share_out_every_run_once() {
        for (runs, of) in [(0, 1), (1, 4), (10, 3), (12, 4)] {
            let shards = (1..=of).map(|number| Shard { number, of });
            let mut all: Vec<u64> = shards.clone().flat_map(|shard| shard.runs(runs)).collect();
            all.sort_unstable();
            assert_eq!(all, (0..runs).collect::<Vec<_>>());
            for shard in shards {
                assert_eq!(shard.count(runs), shard.runs(runs).count() as u64, "{shard} of {runs}");
            }
        }
    }

    #[test]
    fn what_is_no_shard_is_told() {
        assert_eq!("2/4".parse(), Ok(Shard { number: 2, of: 4 }));
        for wrong in ["", "2", "0/4", "5/4", "a/b", "1/0", "-1/2"] {
            assert!(wrong.parse::<Shard>().is_err(), "{wrong}");
        }
    }
}
