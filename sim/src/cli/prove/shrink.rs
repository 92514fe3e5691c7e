//! `bellcrank prove SUITE --shrink RUN`: a failed run made as small as it still fails, as a scenario file.

use std::path::Path;

use bellcrank_machine::builtin;
use miette::{IntoDiagnostic, miette};
use schemars::JsonSchema;
use serde::Serialize;

use super::{Asked, again};
use crate::cli::{Console, Verdict, file_stem};
use crate::findings::{self, quoted};
use crate::prove::outcome::Outcome;
use crate::prove::shrink::shrink;
use crate::run::rehearse;
use crate::scenario::{self, Scenario};

/// What `prove --shrink --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ShrinkReport {
    /// What is left of the run, as a row of the ledger.
    pub row: Outcome,
    /// How long what is left lasts, s.
    pub length_s: f64,
    /// Runs that were tried.
    pub trials: u32,
    /// The scenario that was written.
    pub scenario_file: String,
    /// The command that rehearses it.
    pub rehearse: String,
    /// That rehearsal fails. Not all that a campaign judges can be expected in a scenario file.
    pub shown: bool,
}

/// Makes a run smaller.
pub(super) fn run(console: &Console, asked: &Asked, number: u64) -> miette::Result<Verdict> {
    let run = asked.run(number)?;
    let out = console.open_out()?;
    let (name, seed) = (asked.name, run.seed);
    let small = shrink(&asked.suite, run)?
        .ok_or_else(|| miette!("{name}: found run {number} that has not failed, wanted one that has"))?;
    let scenario = Scenario {
        name: format!("{} run {number}, smaller", asked.suite.name),
        about: format!("{}, and then: {}", small.scenario.about, small.outcome.what()),
        ..small.scenario
    };
    let path = out.path(&format!("{}.toml", file_stem(&scenario.name)));
    let text = format!(
        "# {}\n# Made by: {}\n{}",
        small.outcome.reason,
        again(name, "shrink", number),
        scenario::toml(&scenario, &machine_of(&scenario)?)
    );
    // As it will be read: what is told of it must be true of the file.
    let read = scenario::parse(&path.to_string_lossy(), &text, Path::new(""))?;
    let shown = !findings::judge(&read, seed, &rehearse(&read, seed)?).passed;
    let path = out.write(&format!("{}.toml", file_stem(&scenario.name)), text.as_bytes())?;
    let path = path.display().to_string();
    let report = ShrinkReport {
        row: small.outcome,
        length_s: scenario.length,
        trials: small.trials,
        rehearse: format!("bellcrank rehearse {} --seed {seed}", quoted(&path)),
        scenario_file: path,
        shown,
    };
    console.show(&report, text_of)?;
    console.caution();
    Ok(Verdict::Failed)
}

/// How the machine of a scenario is found from any folder.
fn machine_of(scenario: &Scenario) -> miette::Result<String> {
    if builtin(&scenario.machine_file).is_some() {
        return Ok(scenario.machine_file.clone());
    }
    let path = std::path::absolute(&scenario.machine_file).into_diagnostic()?;
    Ok(path.to_string_lossy().into_owned())
}

fn text_of(report: &ShrinkReport) -> String {
    let row = &report.row;
    let mut text = format!("after {} trials: {}", report.trials, row.what());
    if !row.faults.is_empty() {
        text += &format!(", at {} s, {} %", row.at_s, row.amounts_percent);
    }
    text += &format!(", {:.2} s long\nstill failed: {}\n", report.length_s, row.reason);
    text += &format!(
        "scenario: {}\nto rehearse it: {}\n",
        report.scenario_file, report.rehearse
    );
    if !report.shown {
        text += "that rehearsal does not fail: what failed cannot be expected in a scenario file\n";
    }
    text
}
