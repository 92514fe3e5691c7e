//! Results for continuous integration: `JUnit` XML with a test case for each entry of the catalogue on each machine, however long the campaign.
//!
//! | case | means |
//! |---|---|
//! | success | some runs were good, none failed, none was beyond software |
//! | failure | runs failed: how many, and the first of them with the line that repeats each |
//! | error | runs could not be run |
//! | skipped | it was not put in, it never showed, or it was not good and beyond software: none of that is a pass |

use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};

use super::tally::{Count, OfMachine, SEVERAL, SEVERAL_NAME};
use super::{Evidence, what};
use crate::prove::catalogue::CATALOGUE;
use crate::prove::outcome::Verdict;

/// Runs that a case tells of.
const TOLD: usize = 5;

/// The report.
pub fn report(evidence: &Evidence) -> Report {
    let mut report = Report::new(evidence.suite.name.as_str());
    for machine in &evidence.tally.machines {
        let mut suite = TestSuite::new(machine.machine.name.as_str());
        for (number, entry) in CATALOGUE.iter().enumerate() {
            if !machine.places(entry).is_empty() {
                let class = format!("{}.{}", machine.machine.name, entry.subsystem.name());
                suite.add_test_case(case(evidence, machine, number, entry.name, &class));
            }
        }
        suite.add_test_case(case(evidence, machine, SEVERAL, SEVERAL_NAME, &machine.machine.name));
        report.add_test_suite(suite);
    }
    report
}

fn case(evidence: &Evidence, machine: &OfMachine, entry: usize, name: &str, class: &str) -> TestCase {
    let count = machine.of_entry(entry);
    let mut case = TestCase::new(name, status(evidence, machine, entry, &count));
    case.set_classname(class)
        .set_assertions(usize::try_from(count.runs()).unwrap_or(usize::MAX));
    case
}

fn status(evidence: &Evidence, machine: &OfMachine, entry: usize, count: &Count) -> TestCaseStatus {
    let runs = count.runs();
    let (failed, void, beyond) = (
        count.of(Verdict::Failed),
        count.of(Verdict::Void),
        count.of(Verdict::Beyond),
    );
    let skipped = |why: String| {
        let mut status = TestCaseStatus::skipped();
        status.set_message(why);
        status
    };
    if failed + void > 0 {
        let kind = if failed > 0 {
            NonSuccessKind::Failure
        } else {
            NonSuccessKind::Error
        };
        let mut status = TestCaseStatus::non_success(kind);
        status
            .set_message(format!("{failed} of {runs} runs failed, {void} could not be run"))
            .set_description(told(evidence, machine, entry));
        status
    } else if runs == 0 {
        skipped("not put in".to_owned())
    } else if beyond > 0 {
        let takes = CATALOGUE
            .get(entry)
            .and_then(|entry| entry.beyond)
            .unwrap_or("more than software");
        skipped(format!(
            "{beyond} of {runs} runs were not good, and beyond software: it takes {takes}"
        ))
    } else if count.of(Verdict::Good) == 0 {
        skipped(format!("it never showed in {runs} runs"))
    } else {
        TestCaseStatus::success()
    }
}

/// The first runs that failed, with their reasons and the lines that repeat them.
fn told(evidence: &Evidence, machine: &OfMachine, entry: usize) -> String {
    let of_entry = |faults: &str| {
        CATALOGUE
            .get(entry)
            .map_or(faults.contains(" + "), |entry| entry.name == faults)
    };
    let kept = evidence.tally.failed.iter();
    let here = kept.filter(|outcome| outcome.machine == machine.machine.name && of_entry(&outcome.faults));
    let lines: Vec<_> = here
        .take(TOLD)
        .map(|outcome| {
            let (run, repeat) = (outcome.run, evidence.repeat(outcome.run));
            format!(
                "run {run}, {}, {}: {}\n{repeat}",
                what(outcome),
                outcome.operator,
                outcome.reason
            )
        })
        .collect();
    lines.join("\n")
}
