//! `bellcrank schema`: the form of what the commands print with `--json`.

use clap::builder::PossibleValuesParser;
use miette::IntoDiagnostic;
use schemars::{Schema, schema_for};

use super::main_job::MainReport;
use super::pack::PackReport;
use super::port_check::PortReport;
use super::prove::{ProveReport, RepeatReport, ShrinkReport};
use super::rehearse::RehearseReport;
use super::seat::SeatReport;
use super::survey::SurveyReport;
use super::trim::TrimReport;
use super::{Console, Verdict};
use crate::bench_rig::RigReport;
use crate::gauge::GaugeReport;
use crate::pose::PoseReport;
use crate::scope::ScopeReport;
use crate::signoff::SignoffReport;

/// The name of a command, and the schema of its output.
type Output = (&'static str, fn() -> Schema);

/// Every output that has a schema, by the name of its command, with an option that makes it another one; `main` is what comes without a
/// command.
const OUTPUTS: [Output; 15] = [
    ("main", || schema_for!(MainReport)),
    ("survey", || schema_for!(SurveyReport)),
    ("pose", || schema_for!(PoseReport)),
    ("prove", || schema_for!(ProveReport)),
    ("prove-repeat", || schema_for!(RepeatReport)),
    ("prove-shrink", || schema_for!(ShrinkReport)),
    ("rehearse", || schema_for!(RehearseReport)),
    ("seat", || schema_for!(SeatReport)),
    ("rig", || schema_for!(RigReport)),
    ("pack", || schema_for!(PackReport)),
    ("port-check", || schema_for!(PortReport)),
    ("gauge", || schema_for!(GaugeReport)),
    ("scope", || schema_for!(ScopeReport)),
    ("signoff", || schema_for!(SignoffReport)),
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
