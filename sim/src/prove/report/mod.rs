//! What a campaign leaves behind for people and for other programs: a page, results for continuous integration, a sheet, a summary.
//!
//! All of it is a function of the suite and of its ledger's lines, read one after the other (`tally`): the same ledger makes the same bytes.
//! Reading order: `tally` counts, `spread` says how figures are spread, `gaps` what was not exercised, `shares` what was detected; `page`
//! has the page from top to bottom with `matrix`, `charts`, `worst` and `tables` as its parts; `junit` is for continuous integration.

mod charts;
mod distances;
mod gaps;
mod junit;
mod matrix;
mod page;
mod shares;
mod spread;
mod tables;
mod tally;
#[cfg(test)]
mod tests;
mod worst;

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::Serialize;

use self::tally::Tally;
use super::campaign;
use super::catalogue::CATALOGUE;
use super::ledger::{LedgerError, Lines};
use super::outcome::Outcome;
use super::stops::Stops;
use super::suite::Suite;
use crate::findings::quoted;

/// What a ledger comes to.
#[derive(Debug)]
pub struct Evidence<'s> {
    suite: &'s Suite,
    /// The suite as it was named on the command line.
    named: String,
    ledger: PathBuf,
    tally: Tally<'s>,
    stops: Vec<Stops>,
}

/// What was not exercised, and what was detected.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Summary {
    /// By machine, what was not exercised.
    pub not_exercised: Vec<NotExercised>,
    /// By subsystem, what was detected in the runs with one fault, over all machines.
    pub detection: Vec<Detection>,
    /// The run to look at first.
    pub worst_run: Option<u64>,
    /// The line that repeats it.
    pub repeat_worst: Option<String>,
}

/// What was not exercised on one machine.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct NotExercised {
    /// The machine.
    pub machine: String,
    /// Entries of the catalogue that were never put in, though they can happen.
    pub never_put_in: Vec<String>,
    /// Entries that were put in but never showed.
    pub never_showed: Vec<String>,
    /// Entries that cannot happen to it.
    pub cannot_happen: Vec<String>,
    /// How many pairs of entries were put in together.
    pub pairs_put_in: usize,
    /// Of how many.
    pub pairs_possible: usize,
}

/// What was detected of a subsystem. Counted in a simulation: evidence for whoever reviews it, and no rating.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Detection {
    /// The subsystem.
    pub subsystem: String,
    /// Runs in which something showed, or always shows.
    pub showed: u64,
    /// Those in which the core named something.
    pub noticed: u64,
    /// Those that were good: noticed in time under a true name, stopped, and it stayed stopped.
    pub good: u64,
    /// Share of the good, percent.
    pub good_percent: Option<f64>,
    /// Its 95 % interval, percent.
    pub interval_percent: Option<[f64; 2]>,
    /// Runs in which nothing showed; not counted above.
    pub quiet: u64,
}

impl<'s> Evidence<'s> {
    /// Reads a ledger of a suite, which was named so.
    ///
    /// # Errors
    /// The ledger cannot be read, or a line of it is damaged.
    pub fn read(suite: &'s Suite, named: &str, ledger: &Path) -> Result<Self, LedgerError> {
        let mut tally = Tally::new(suite);
        let mut stops = Stops::of(suite);
        for outcome in outcomes(ledger)? {
            let outcome = outcome?;
            tally.add(&outcome);
            if let Some(stops) = stops.iter_mut().find(|stops| stops.machine == outcome.machine) {
                stops.count(&outcome);
            }
        }
        Ok(Self {
            suite,
            named: named.to_owned(),
            ledger: ledger.to_path_buf(),
            tally,
            stops,
        })
    }

    /// The page.
    pub fn html(&self) -> String {
        page::page(self).into_string()
    }

    /// The results as `JUnit` XML, a test case an entry of the catalogue on a machine.
    ///
    /// # Errors
    /// It cannot be written to memory.
    pub fn junit(&self) -> io::Result<String> {
        junit::report(self).to_string().map_err(io::Error::other)
    }

    /// The rows of the ledger with their headings, for a spreadsheet; without checksums.
    ///
    /// # Errors
    /// The ledger can no longer be read, or the sheet cannot be written.
    pub fn sheet(&self, to: &mut dyn Write) -> io::Result<()> {
        let mut sheet = csv::Writer::from_writer(to);
        for outcome in outcomes(&self.ledger).map_err(io::Error::other)? {
            sheet.serialize(outcome.map_err(io::Error::other)?)?;
        }
        sheet.flush()
    }

    /// What was not exercised, and what was detected.
    pub fn summary(&self) -> Summary {
        let names = |entries: &[usize]| entries.iter().map(|&entry| CATALOGUE[entry].name.to_owned()).collect();
        let not_exercised = self.tally.machines.iter().map(|machine| {
            let gaps = gaps::gaps(machine);
            NotExercised {
                machine: machine.machine.name.clone(),
                never_put_in: names(&gaps.never),
                never_showed: names(&gaps.quiet),
                cannot_happen: names(&gaps.cannot),
                pairs_put_in: gaps.pairs_possible - gaps.pairs.len(),
                pairs_possible: gaps.pairs_possible,
            }
        });
        let detection = shares::detected(&self.tally).into_iter().map(|detected| {
            let some = detected.good.of > 0;
            let (low, high) = detected.good.interval();
            Detection {
                subsystem: detected.subsystem.name().to_owned(),
                showed: detected.good.of,
                noticed: detected.noticed.did,
                good: detected.good.did,
                good_percent: detected.good.value().map(percent),
                interval_percent: some.then(|| [percent(low), percent(high)]),
                quiet: detected.quiet,
            }
        });
        let worst = self.tally.worst.as_ref().map(|worst| worst.run);
        Summary {
            not_exercised: not_exercised.collect(),
            detection: detection.collect(),
            worst_run: worst,
            repeat_worst: worst.map(|run| self.repeat(run)),
        }
    }

    /// The line that repeats a run.
    fn repeat(&self, run: u64) -> String {
        format!("bellcrank prove {} --repeat {run}", quoted(&self.named))
    }
}

/// The runs of a ledger, in order.
fn outcomes(ledger: &Path) -> Result<impl Iterator<Item = Result<Outcome, LedgerError>>, LedgerError> {
    let lines = Lines::open(ledger)?.skip(1);
    let path = ledger.to_path_buf();
    Ok((2_u64..).zip(lines).map(move |(number, line)| {
        let damaged = || LedgerError::Damaged {
            path: path.clone(),
            line: number,
        };
        campaign::read(&line?).ok_or_else(damaged)
    }))
}

/// A share in percent, to a tenth. Less than all is never told as all, and more than nothing never as nothing.
fn percent(share: f64) -> f64 {
    let tenths = (1e3 * share).round();
    let least = if share > 0.0 { 1.0 } else { 0.0 };
    let most = if share < 1.0 { 999.0 } else { 1000.0 };
    tenths.clamp(least, most) / 10.0
}

/// A fault of a run with its axes, in words.
fn what(outcome: &Outcome) -> String {
    let pairs = outcome.faults.split(" + ").zip(outcome.axes.split(" + "));
    let words = pairs.map(|(fault, axis)| match axis {
        "-" => fault.to_owned(),
        axis => format!("{fault} ({axis})"),
    });
    words.collect::<Vec<_>>().join(" + ")
}
