//! `bellcrank prove`: a campaign of runs in which something goes wrong.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bellcrank_machine::document;
use clap::builder::NonEmptyStringValueParser;
use indicatif::{ProgressBar, ProgressStyle};
use schemars::JsonSchema;
use serde::Serialize;

use super::evidence::{self, EvidenceReport};
use super::{Console, Verdict, file_stem};
use crate::prove::campaign;
use crate::prove::ledger::{Ledger, Lines, sealed};
use crate::prove::outcome::{self, Outcome};
use crate::prove::shard::{Shard, merged};
use crate::prove::suite::{self, BUILTIN, Suite};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Prove: run a campaign of rehearsals in which something goes wrong, and judge each

What came of each run is a line of NAME.ledger in the output folder, NAME being that of the suite: appended as runs end, with a checksum, in the \
order of the runs. A campaign that was interrupted goes on with --resume; shards that were run apart are put together with --merge, to the same \
bytes. Exit code 1 if a run has failed.

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
}

/// What `prove --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ProveReport {
    /// Name of the suite.
    pub suite: String,
    /// Which part of it, as I/N.
    pub shard: String,
    /// How many runs were good, quiet, beyond software, failed and void.
    pub verdicts: BTreeMap<String, u64>,
    /// The runs that failed: their numbers and why, up to a hundred.
    pub failed: Vec<FailedRun>,
    /// The ledger.
    pub ledger_file: String,
    /// What was made of it.
    pub evidence: Option<EvidenceReport>,
}

/// A run that failed.
#[derive(Debug, Serialize, JsonSchema)]
pub struct FailedRun {
    /// Its number.
    pub run: u64,
    /// What was put in, and on which axis.
    pub fault: String,
    /// Why it is not good.
    pub reason: String,
}

/// Failed runs that are told one by one.
const TOLD: usize = 100;

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let suite = suite::read(&self.suite)?;
        let (_, text) = document::find("suite", &self.suite, &BUILTIN, Path::new(""))?;
        let head = campaign::head(&suite, &text);
        let out = console.open_out()?;
        let mut report = ProveReport {
            suite: suite.name.clone(),
            shard: self.shard.to_string(),
            verdicts: BTreeMap::new(),
            failed: Vec::new(),
            ledger_file: String::new(),
            evidence: None,
        };
        let path = if self.merge.is_empty() {
            self.work(&suite, &head, &out.path(&self.ledger_name(&suite)), &mut report)?
        } else {
            let mut lines = String::new();
            merged(&self.merge, suite.runs(), |line| {
                lines += &sealed(line);
                report.count(campaign::read(line));
                Ok(())
            })?;
            out.write(&self.ledger_name(&suite), lines.as_bytes())?
        };
        report.ledger_file = path.display().to_string();
        report.evidence = Some(evidence::write(&suite, &self.suite, &path, &out)?);
        console.show(&report, text_of)?;
        console.caution();
        Ok(Verdict::from(
            !report.verdicts.contains_key("failed") && !report.verdicts.contains_key("void"),
        ))
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
            report.count(campaign::read(&line?));
        }
        campaign::work(suite, self.shard, &mut ledger, |outcome| {
            bar.inc(1);
            report.count(Some(outcome.clone()));
        })?;
        bar.finish_and_clear();
        Ok(path.to_path_buf())
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

impl ProveReport {
    fn count(&mut self, outcome: Option<Outcome>) {
        let Some(outcome) = outcome else { return };
        let name = format!("{:?}", outcome.verdict).to_lowercase();
        *self.verdicts.entry(name).or_default() += 1;
        let bad = matches!(outcome.verdict, outcome::Verdict::Failed | outcome::Verdict::Void);
        if bad && self.failed.len() < TOLD {
            self.failed.push(FailedRun {
                run: outcome.run,
                fault: format!("{} ({}), {}", outcome.faults, outcome.axes, outcome.operator),
                reason: outcome.reason,
            });
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

fn text_of(report: &ProveReport) -> String {
    let mut text = format!("suite {}, shard {}\n", report.suite, report.shard);
    for (verdict, count) in &report.verdicts {
        text += &format!("{count:8} {verdict}\n");
    }
    for failed in &report.failed {
        text += &format!("run {}: {}: {}\n", failed.run, failed.fault, failed.reason);
    }
    text += &format!("ledger: {}\n", report.ledger_file);
    text + &report.evidence.as_ref().map(evidence::text_of).unwrap_or_default()
}
