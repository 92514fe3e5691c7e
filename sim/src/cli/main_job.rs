//! `bellcrank` alone, the main job: the built-in machines surveyed, the built-in scenarios rehearsed, one table, one page.

use std::path::Path;

use bellcrank_machine::{BUILTIN as MACHINES, find};
use indicatif::{ParallelProgressIterator, ProgressBar, ProgressStyle};
use miette::IntoDiagnostic;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::{Console, Verdict, survey as survey_command, terminal_width};
use crate::findings::{Findings, judge};
use crate::report::{self, Rehearsed};
use crate::run::{self, RunError};
use crate::scenario::{self, BUILTIN as SCENARIOS, Scenario};
use crate::survey::{Survey, survey};
use crate::table;
use crate::trace::Trace;

/// Seed of the noise in the main job.
const SEED: u64 = 1;

/// What `bellcrank --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct MainReport {
    /// What the built-in machines allow.
    pub surveys: Vec<Survey>,
    /// What was found in each rehearsal.
    pub rehearsals: Vec<Findings>,
    /// The page that was written.
    pub page_file: String,
}

/// Does the main job.
pub(super) fn run(console: &Console) -> miette::Result<Verdict> {
    let out = console.open_out()?;
    let surveys = MACHINES
        .iter()
        .map(|(name, _)| survey_of(name))
        .collect::<miette::Result<Vec<_>>>()?;
    let scenarios: Vec<Scenario> = SCENARIOS
        .iter()
        .map(|(name, _)| scenario::read(name))
        .collect::<Result<_, _>>()?;
    let runs: Vec<(Trace, Findings)> = scenarios
        .par_iter()
        .progress_with(progress(scenarios.len()))
        .map(|scenario| {
            let trace = run::rehearse(scenario, SEED)?;
            let findings = judge(scenario, SEED, &trace);
            Ok((trace, findings))
        })
        .collect::<Result<_, RunError>>()?;

    let rehearsed: Vec<_> = scenarios
        .iter()
        .zip(&runs)
        .map(|(scenario, (trace, findings))| Rehearsed {
            scenario,
            trace,
            findings,
        })
        .collect();
    let texts: Vec<String> = surveys.iter().map(survey_command::text).collect();
    let page = report::html("The built-in machines, rehearsed", &rehearsed, &texts);
    let page = out.write("report.html", page.as_bytes())?;

    let findings: Vec<Findings> = runs.into_iter().map(|(_, findings)| findings).collect();
    let verdict = Verdict::from(findings.iter().all(|found| found.passed));
    let report = MainReport {
        surveys,
        rehearsals: findings,
        page_file: page.display().to_string(),
    };
    console.show(&report, text)?;
    console.caution();
    Ok(verdict)
}

fn survey_of(name: &str) -> miette::Result<Survey> {
    survey(&find(name, Path::new(""))?, 0.0).into_diagnostic()
}

/// Shown on a terminal alone, and gone when done.
fn progress(rehearsals: usize) -> ProgressBar {
    let style = ProgressStyle::with_template("rehearsing {bar:30} {pos}/{len}, {eta} left");
    let bar = ProgressBar::new(rehearsals as u64);
    // A template that does not parse would be a mistake above; the plain bar then does as well.
    if let Ok(style) = style {
        bar.with_style(style)
    } else {
        bar
    }
}

fn text(report: &MainReport) -> String {
    let mut text = String::new();
    for survey in &report.surveys {
        text += &survey_command::text(survey);
        text += "\n";
    }
    text += "Rehearsed, the control core on the simulated machines:\n\n";
    for found in &report.rehearsals {
        text += &format!("{}: {}\n", found.scenario, found.about);
    }
    text += "\n";
    text += &table::console(&report.rehearsals, terminal_width());
    text += &format!("\nPictures and charts: {}\n", report.page_file);
    text
}
