//! Which runs of a campaign a shard does, and how shards are put together again.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
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
    // Of each shard the run that is next in it: the least of them comes next of all.
    let mut next = BinaryHeap::new();
    for (shard, (_, lines)) in shards.iter_mut().enumerate() {
        next.extend(next_run(lines)?.map(|run| Reverse((run, shard))));
    }
    let mut wanted = 0;
    while let Some(Reverse((run, shard))) = next.pop() {
        let (path, lines) = &mut shards[shard];
        if run < wanted {
            return Err(parts(path, format!("run {run} a second time"), "each run once").into());
        }
        if run >= runs {
            return Err(parts(path, format!("run {run}"), format!("none after {}", runs - 1)).into());
        }
        if run > wanted {
            break;
        }
        if let Some(line) = lines.next().transpose()? {
            each(&line)?;
        }
        wanted += 1;
        next.extend(next_run(lines)?.map(|run| Reverse((run, shard))));
    }
    if wanted < runs {
        let (path, _) = &shards[usize::try_from(wanted).unwrap_or(0) % shards.len()];
        let found = format!("no run {wanted}, there or in another shard");
        return Err(parts(path, found, "every run up to the last").into());
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
    use crate::prove::ledger::sealed;

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

    /// In any order, and what is missing, there twice, out of order or too much is told.
    #[test]
    fn shards_are_put_together_in_the_order_of_their_runs() {
        let folder = std::env::temp_dir().join(format!("bellcrank-shards-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let merge = |shards: &[Vec<u64>]| {
            let paths: Vec<PathBuf> = (0..shards.len()).map(|n| folder.join(n.to_string())).collect();
            for (path, runs) in paths.iter().zip(shards) {
                let lines = std::iter::once("head".to_owned()).chain(runs.iter().map(|run| format!("{run},good")));
                std::fs::write(path, lines.map(|line| sealed(&line)).collect::<String>()).unwrap();
            }
            let mut told = Vec::new();
            merged(&paths, "head", 5, |line| {
                told.push(line.to_owned());
                Ok::<(), LedgerError>(())
            })
            .map(|()| told)
            .map_err(|error| error.to_string())
        };
        let whole = ["head", "0,good", "1,good", "2,good", "3,good", "4,good"];
        for good in [
            vec![vec![0, 3], vec![1, 4], vec![2]],
            vec![vec![2], vec![1, 4], vec![0, 3]],
            vec![vec![0, 1, 2, 3, 4]],
        ] {
            assert_eq!(merge(&good).unwrap(), whole);
        }
        for (bad, wanted) in [
            ([vec![0, 2, 4], vec![1]], "no run 3"),
            ([vec![0, 2, 3, 4], vec![1, 3]], "run 3 a second time"),
            ([vec![0, 2, 1, 3], vec![4]], "no run 1"),
            ([vec![0, 2, 4], vec![1, 3, 5]], "none after 4"),
            ([vec![0, 1, 2, 3], vec![]], "no run 4"),
        ] {
            let error = merge(&bad).unwrap_err();
            assert!(error.contains(wanted), "{error}");
        }
        std::fs::remove_dir_all(folder).unwrap();
    }

    #[test]
    fn what_is_no_shard_is_told() {
        assert_eq!("2/4".parse(), Ok(Shard { number: 2, of: 4 }));
        for wrong in ["", "2", "0/4", "5/4", "a/b", "1/0", "-1/2"] {
            assert!(wrong.parse::<Shard>().is_err(), "{wrong}");
        }
    }
}
