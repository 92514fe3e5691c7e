//! `bellcrank prove`: a campaign of runs in which something goes wrong.

mod repeat;
mod shrink;
mod told;

use std::io::Write as _;
use std::path::{Path, PathBuf};

use bellcrank_machine::document;
use clap::builder::NonEmptyStringValueParser;
use indicatif::{ProgressBar, ProgressStyle};
use miette::miette;

use super::evidence;
use super::{Console, OutFolder, Streamed, Verdict, file_stem};
use crate::findings::quoted;
use crate::prove::campaign;
use crate::prove::ledger::{Ledger, LedgerError, Lines, sealed};
use crate::prove::shard::{Shard, merged};
use crate::prove::suite::{self, BUILTIN, Run, Suite};

pub use repeat::RepeatReport;
pub use shrink::ShrinkReport;
pub use told::ProveReport;

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Prove: run a campaign of rehearsals in which something goes wrong, and judge each

What came of each run is a line of NAME.ledger in the output folder, NAME being that of the suite: appended as runs end, with a checksum, in the \
order of the runs. A campaign that was interrupted goes on with --resume; shards that were run apart are put together with --merge, to the same \
bytes. Any run is repeated with --repeat, which writes the page and the record of a rehearsal; a failed one is made \
as small as it still fails with --shrink, which writes a scenario. Exit code 1 if a run has failed.

Beside the ledger stand, in the end, NAME.html to be read, NAME.junit.xml for continuous integration and NAME.csv for a spreadsheet.

A suite file is TOML with the unit in each key; sim/suites/shift.toml is the built-in one.";

/// `bellcrank prove [SUITE]`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Name of a built-in suite, or path of a suite file
    #[arg(value_name = "SUITE", default_value = "shift", value_parser = NonEmptyStringValueParser::new())]
    suite: String,
    /// Go on with the ledger that is there
    #[arg(long)]
    resume: bool,
    /// Run only part I of N, each part a ledger of its own
    #[arg(long, value_name = "I/N", default_value_t = Shard::WHOLE)]
    shard: Shard,
    /// Put these ledgers of all the shards together instead of running anything
    #[arg(long, value_name = "LEDGER", num_args = 1.., conflicts_with_all = ["resume", "shard"])]
    merge: Vec<PathBuf>,
    /// Repeat this run alone, and write what it records
    #[arg(long, value_name = "RUN", conflicts_with_all = ["resume", "shard", "merge"])]
    repeat: Option<u64>,
    /// Make this failed run as small as it still fails, and write it as a scenario file
    #[arg(long, value_name = "RUN", conflicts_with_all = ["resume", "shard", "merge", "repeat"])]
    shrink: Option<u64>,
}

/// A suite, with the name by which it was asked for.
struct Asked<'a> {
    name: &'a str,
    suite: Suite,
}

impl Asked<'_> {
    /// A run of the suite.
    fn run(&self, number: u64) -> miette::Result<Run> {
        let runs = self.suite.runs();
        if number < runs {
            Ok(self.suite.run(number))
        } else {
            let last = runs.saturating_sub(1);
            Err(miette!(
                "{}: found run {number} asked for, wanted 0 to {last}",
                self.name
            ))
        }
    }
}

/// The command that does something with one run of a suite.
fn again(suite: &str, what: &str, run: u64) -> String {
    format!("bellcrank prove {} --{what} {run}", quoted(suite))
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let asked = Asked {
            name: &self.suite,
            suite: suite::read(&self.suite)?,
        };
        if let Some(number) = self.repeat {
            return repeat::run(console, &asked, number);
        }
        if let Some(number) = self.shrink {
            return shrink::run(console, &asked, number);
        }
        let suite = &asked.suite;
        let (_, text) = document::find("suite", &self.suite, &BUILTIN, Path::new(""))?;
        let head = campaign::head(suite, &text);
        let out = console.open_out()?;
        let mut report = ProveReport::new(&self.suite, suite, self.shard);
        let path = if self.merge.is_empty() {
            self.work(suite, &head, &out.path(&self.ledger_name(suite)), &mut report)?
        } else {
            self.put_together(suite, &head, &out, &mut report)?
        };
        report.ledger_file = path.display().to_string();
        report.evidence = Some(evidence::write(suite, &self.suite, &path, &out)?);
        console.show(&report, ProveReport::text)?;
        console.caution();
        Ok(Verdict::from(report.passed()))
    }

    fn work(&self, suite: &Suite, head: &str, path: &Path, report: &mut ProveReport) -> miette::Result<PathBuf> {
        let mut ledger = if self.resume {
            Ledger::resume(path, head)?
        } else {
            Ledger::begin(path, head)?
        };
        let all = self.shard.count(suite.runs());
        let bar = progress(all);
        bar.set_position(ledger.lines());
        // What is there already is counted from the file: it was judged when it was run.
        for line in Lines::open(path)?.skip(1) {
            report.count(campaign::read(&line?).as_ref());
        }
        campaign::work(suite, self.shard, &mut ledger, |outcome| {
            bar.inc(1);
            report.count(Some(outcome));
        })?;
        bar.finish_and_clear();
        Ok(path.to_path_buf())
    }

    /// Line by line: a campaign of millions takes no more memory than a small one.
    fn put_together(
        &self,
        suite: &Suite,
        head: &str,
        out: &OutFolder,
        report: &mut ProveReport,
    ) -> miette::Result<PathBuf> {
        out.stream(&self.ledger_name(suite), |file| {
            merged(&self.merge, head, suite.runs(), |line| {
                report.count(campaign::read(line).as_ref());
                file.write_all(sealed(line).as_bytes()).map_err(Streamed::Io)
            })
        })
    }

    fn ledger_name(&self, suite: &Suite) -> String {
        let stem = file_stem(&suite.name);
        if self.shard == Shard::WHOLE {
            format!("{stem}.ledger")
        } else {
            format!("{stem}-{}-of-{}.ledger", self.shard.number, self.shard.of)
        }
    }
}

fn progress(runs: u64) -> ProgressBar {
    let style = ProgressStyle::with_template("proving {bar:30} {pos}/{len}, {per_sec}, {eta} left");
    let bar = ProgressBar::new(runs);
    if let Ok(style) = style {
        bar.with_style(style)
    } else {
        bar
    }
}

impl From<LedgerError> for Streamed<miette::Report> {
    fn from(error: LedgerError) -> Self {
        Self::Other(error.into())
    }
}
