//! What a campaign comes to: counts, and the runs that failed.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::again;
use crate::cli::evidence::{self, EvidenceReport};
use crate::prove::outcome::Outcome;
use crate::prove::shard::Shard;
use crate::prove::stops::{COMPARED, Stops};
use crate::prove::suite::Suite;

/// Failed runs that are told one by one.
const TOLD: usize = 100;

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
    /// What the stops of each machine come to, and how near its arms came to what they must keep out of.
    pub stops: Vec<Stops>,
    /// The ledger.
    pub ledger_file: String,
    /// What was made of it.
    pub evidence: Option<EvidenceReport>,
    /// What the suite was asked for by.
    #[serde(skip)]
    name: String,
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
    /// The command that repeats it.
    pub repeat: String,
    /// The command that makes it smaller.
    pub shrink: String,
}

impl ProveReport {
    pub(super) fn new(name: &str, suite: &Suite, shard: Shard) -> Self {
        Self {
            suite: suite.name.clone(),
            shard: shard.to_string(),
            verdicts: BTreeMap::new(),
            failed: Vec::new(),
            stops: Stops::of(suite),
            ledger_file: String::new(),
            evidence: None,
            name: name.to_owned(),
        }
    }

    pub(super) fn count(&mut self, outcome: Option<&Outcome>) {
        let Some(outcome) = outcome else { return };
        *self.verdicts.entry(outcome.verdict.name().to_owned()).or_default() += 1;
        if let Some(stops) = self.stops.iter_mut().find(|stops| stops.machine == outcome.machine) {
            stops.count(outcome);
        }
        if outcome.verdict.fails() && self.failed.len() < TOLD {
            self.failed.push(FailedRun {
                run: outcome.run,
                fault: outcome.what(),
                reason: outcome.reason.clone(),
                repeat: again(&self.name, "repeat", outcome.run),
                shrink: again(&self.name, "shrink", outcome.run),
            });
        }
    }

    /// No run has failed.
    pub(super) fn passed(&self) -> bool {
        self.failed.is_empty()
    }

    pub(super) fn text(&self) -> String {
        let mut text = format!("suite {}, shard {}\n", self.suite, self.shard);
        for (verdict, count) in &self.verdicts {
            text += &format!("{count:8} {verdict}\n");
        }
        for failed in &self.failed {
            text += &format!("run {}: {}: {}\n", failed.run, failed.fault, failed.reason);
            text += &format!(
                "    to repeat it: {}; --shrink {} makes it smaller\n",
                failed.repeat, failed.run
            );
        }
        text += "\n";
        text.extend(self.stops.iter().map(Stops::text));
        text += COMPARED;
        text += &format!("\nledger: {}\n", self.ledger_file);
        text + &self.evidence.as_ref().map(evidence::text_of).unwrap_or_default()
    }
}
