//! What `signoff` prints: where every check stands.

use schemars::JsonSchema;
use serde::Serialize;

use super::record::Answered;
use super::{Signoff, Standing, in_words};

/// What `signoff --json` prints.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct SignoffReport {
    /// The machine.
    pub machine: String,
    /// Its file.
    pub machine_file: String,
    /// SHA-256 of it.
    pub machine_file_sha256: String,
    /// It is not the one that the record is about.
    pub machine_changed: bool,
    /// The record.
    pub record_file: String,
    /// Lines in it.
    pub entries: usize,
    /// The seal of the last.
    pub seal: String,
    /// Checks that have passed.
    pub passed: usize,
    /// That have failed.
    pub failed: usize,
    /// That were left out, with a reason.
    pub left_out: usize,
    /// All checks.
    pub of: usize,
    /// Every check has passed or was left out, with this machine file.
    pub done: bool,
    /// The check that is next.
    pub next: Option<String>,
    /// All of them, in order.
    pub checks: Vec<CheckRow>,
    /// The page that was written.
    pub page_file: Option<String>,
}

/// Where a check stands.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct CheckRow {
    /// Its name.
    pub check: String,
    /// When it is done.
    pub stage: String,
    /// What to do.
    pub action: String,
    /// What must be seen.
    pub expected: String,
    /// What is measured, and the bounds.
    pub measures: Option<String>,
    /// passed, FAILED, left out, open, not yet, again.
    pub standing: String,
    /// Checks that must pass first and have not.
    pub waits_for: Vec<String>,
    /// What was measured, with its unit.
    pub value: Option<String>,
    /// The log it was read from.
    pub read_from: Option<String>,
    /// Who did it.
    pub by: Option<String>,
    /// When, UTC.
    pub at: Option<String>,
    /// What else was said.
    pub note: Option<String>,
}

impl SignoffReport {
    /// Of a record and its machine.
    pub fn new(signoff: &Signoff) -> SignoffReport {
        let standings = signoff.standings();
        let count = |verdict: Answered| {
            let is = |standing: &&Standing| matches!(standing, Standing::Answered(answer) if answer.verdict == verdict);
            standings.iter().filter(is).count()
        };
        let checks = &signoff.machine.checks;
        SignoffReport {
            machine: signoff.machine.description.name.clone(),
            machine_file: signoff.machine.file.clone(),
            machine_file_sha256: signoff.machine.digest.clone(),
            machine_changed: !signoff.is_current(),
            record_file: signoff.record.path.display().to_string(),
            entries: signoff.record.entries.len(),
            seal: signoff.record.seal.clone(),
            passed: count(Answered::Pass),
            failed: count(Answered::Fail),
            left_out: count(Answered::Skip),
            of: checks.len(),
            done: signoff.is_done(),
            next: signoff.next().map(|number| checks[number].id.clone()),
            checks: (0..checks.len())
                .map(|number| row(signoff, number, &standings))
                .collect(),
            page_file: None,
        }
    }
}

fn row(signoff: &Signoff, number: usize, standings: &[Standing]) -> CheckRow {
    let check = &signoff.machine.checks[number];
    let standing = &standings[number];
    let answer = match standing {
        Standing::Answered(answer) | Standing::Again(answer) => Some(answer),
        Standing::Open | Standing::Blocked(_) => None,
    };
    let waits_for = match standing {
        Standing::Blocked(_) | Standing::Again(_) => signoff.first_for(number, standings),
        Standing::Answered(_) | Standing::Open => Vec::new(),
    };
    let value = answer.and_then(|answer| answer.value).zip(check.reading.as_ref());
    CheckRow {
        check: check.id.clone(),
        stage: check.stage.name().to_owned(),
        action: check.action.clone(),
        expected: check.expected.clone(),
        measures: check
            .reading
            .as_ref()
            .map(|reading| format!("{}: {}", reading.what, reading.bounds())),
        standing: in_words(standing).to_owned(),
        waits_for: waits_for
            .iter()
            .map(|need| signoff.machine.checks[*need].id.clone())
            .collect(),
        value: value.map(|(value, reading)| format!("{value} {}", reading.unit)),
        read_from: answer.and_then(|answer| answer.read_from.clone()),
        by: answer.map(|answer| answer.by.clone()),
        at: answer.map(|answer| answer.at.clone()),
        note: answer.map(|answer| answer.note.clone()).filter(|note| !note.is_empty()),
    }
}
