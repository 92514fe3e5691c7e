//! `bellcrank schema`: the form of what the commands print with `--json`.

use clap::builder::PossibleValuesParser;
use miette::IntoDiagnostic;
use schemars::{Schema, schema_for};

use super::main_job::MainReport;
use super::prove::{ProveReport, RepeatReport, ShrinkReport};
use super::rehearse::RehearseReport;
use super::survey::SurveyReport;
use super::trim::TrimReport;
use super::{Console, Verdict};
use crate::bench_rig::RigReport;
use crate::pose::PoseReport;

/// The name of a command, and the schema of its output.
type Output = (&'static str, fn() -> Schema);

/// Every output that has a schema, by the name of its command, with an option that makes it another one; `main` is what comes without a
/// command.
const OUTPUTS: [Output; 9] = [
    ("main", || schema_for!(MainReport)),
    ("survey", || schema_for!(SurveyReport)),
    ("pose", || schema_for!(PoseReport)),
    ("prove", || schema_for!(ProveReport)),
    ("prove-repeat", || schema_for!(RepeatReport)),
    ("prove-shrink", || schema_for!(ShrinkReport)),
    ("rehearse", || schema_for!(RehearseReport)),
    ("rig", || schema_for!(RigReport)),
    ("trim", || schema_for!(TrimReport)),
];

/// `bellcrank schema NAME`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The command whose output is meant
    #[arg(value_parser = PossibleValuesParser::new(OUTPUTS.map(|(name, _)| name)))]
    name: String,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        for (_, schema) in OUTPUTS.iter().filter(|(name, _)| *name == self.name) {
            console.print(&serde_json::to_string_pretty(&schema()).into_diagnostic()?)?;
        }
        Ok(Verdict::Good)
    }
}
