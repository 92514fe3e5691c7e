//! `bellcrank prove SUITE --repeat RUN`: one run of a campaign again, with everything that it records.

use schemars::JsonSchema;
use serde::Serialize;

use super::{Asked, again};
use crate::cli::rehearse::{CoreReport, RehearseReport};
use crate::cli::{Console, Verdict};
use crate::findings::{self, Check};
use crate::prove::campaign;
use crate::prove::outcome::{self, Outcome};
use crate::prove::suite::Run;
use crate::run::rehearse;
use crate::scenario::Scenario;

/// What `prove --repeat --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct RepeatReport {
    /// The run as the ledger has it.
    pub row: Outcome,
    /// What a rehearsal of it shows, and where that was written. Its one expectation is the verdict of the campaign.
    pub rehearsed: RehearseReport,
}

/// Repeats a run.
pub(super) fn run(console: &Console, asked: &Asked, number: u64) -> miette::Result<Verdict> {
    let run = asked.run(number)?;
    let out = console.open_out()?;
    let scenario = told(asked, &run);
    let trace = rehearse(&scenario, run.seed)?;
    let row = outcome::judge(&asked.suite, &run, &scenario, &trace);
    let mut findings = findings::judge(&scenario, run.seed, &trace);
    findings.repeat = again(asked.name, "repeat", number);
    findings.checks = vec![Check {
        what: "verdict of the campaign".to_owned(),
        found: verdict(&row),
        wanted: "not failed".to_owned(),
        passed: !row.verdict.fails(),
    }];
    findings.passed = !row.verdict.fails();
    let rehearsed = RehearseReport::write(&out, &scenario, &trace, findings, CoreReport::here())?;
    let report = RepeatReport { row, rehearsed };
    console.show(&report, text)?;
    console.caution();
    Ok(Verdict::from(!report.row.verdict.fails()))
}

/// The scenario of a run, under a name of its own.
fn told(asked: &Asked, run: &Run) -> Scenario {
    let scenario = asked.suite.scenario(run);
    Scenario {
        name: format!("{} run {}", asked.suite.name, run.number),
        about: format!(
            "{}, and then: {}",
            scenario.about,
            outcome::named(&asked.suite, run).what()
        ),
        ..scenario
    }
}

/// The verdict, and why.
fn verdict(row: &Outcome) -> String {
    let name = row.verdict.name();
    if row.reason.is_empty() {
        name.to_owned()
    } else {
        format!("{name}: {}", row.reason)
    }
}

fn text(report: &RepeatReport) -> String {
    let mut text = String::new();
    for (column, value) in campaign::fields(&report.row) {
        text += &format!("{column:>18}  {value}\n");
    }
    text + "\n" + &report.rehearsed.text()
}
