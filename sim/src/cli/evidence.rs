//! The files that a campaign leaves beside its ledger.

use std::path::Path;

use miette::{IntoDiagnostic, WrapErr};
use schemars::JsonSchema;
use serde::Serialize;

use super::{OutFolder, OutFolderError, Streamed, listed};
use crate::prove::report::{Evidence, Summary};
use crate::prove::suite::Suite;

/// The evidence of a campaign: where it is, and the gist of it.
#[derive(Debug, Serialize, JsonSchema)]
pub struct EvidenceReport {
    /// The page to read.
    pub page_file: String,
    /// Results for continuous integration, `JUnit` XML.
    pub junit_file: String,
    /// The runs for a spreadsheet.
    pub csv_file: String,
    /// What was not exercised, and what was detected.
    #[serde(flatten)]
    pub summary: Summary,
}

/// Writes the evidence of a ledger beside it. `named` is the suite as it was named on the command line.
///
/// # Errors
/// The ledger cannot be read, or a file cannot be written.
pub fn write(suite: &Suite, named: &str, ledger: &Path, out: &OutFolder) -> miette::Result<EvidenceReport> {
    let evidence = Evidence::read(suite, named, ledger)?;
    let stem = ledger.file_stem().unwrap_or_default().to_string_lossy();
    let junit = evidence
        .junit()
        .into_diagnostic()
        .wrap_err("the results cannot be written as XML")?;
    let sheet = out.stream(&format!("{stem}.csv"), |file| {
        evidence.sheet(file).map_err(Streamed::<OutFolderError>::Io)
    })?;
    let shown = |path: std::path::PathBuf| path.display().to_string();
    Ok(EvidenceReport {
        csv_file: shown(sheet),
        junit_file: shown(out.write(&format!("{stem}.junit.xml"), junit.as_bytes())?),
        page_file: shown(out.write(&format!("{stem}.html"), evidence.html().as_bytes())?),
        summary: evidence.summary(),
    })
}

/// What people are told of it: first what it does not show.
pub fn text_of(report: &EvidenceReport) -> String {
    let mut text = String::new();
    for machine in &report.summary.not_exercised {
        text += &format!("not exercised on {}:\n", machine.machine);
        for (what, names) in [
            ("never put in:", &machine.never_put_in),
            ("never showed:", &machine.never_showed),
        ] {
            if !names.is_empty() {
                text += &listed(&format!("  {what}"), names);
            }
        }
        let (tried, all) = (machine.pairs_put_in, machine.pairs_possible);
        text += &format!("  {} of {all} pairs of entries\n", all - tried);
    }
    text + &format!(
        "page: {}\nsheet: {}\nJUnit: {}\n",
        report.page_file, report.csv_file, report.junit_file
    )
}
