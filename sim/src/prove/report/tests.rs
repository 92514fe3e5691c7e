//! The evidence of ledgers that were written by hand.

use std::path::{Path, PathBuf};

use super::gaps::gaps;
use super::tally::{SEVERAL, Tally};
use super::{Evidence, percent};
use crate::prove::campaign::{head, line};
use crate::prove::catalogue::CATALOGUE;
use crate::prove::ledger::Ledger;
use crate::prove::outcome::{Outcome, Verdict, outcome};
use crate::prove::suite::{self, Suite};

const SUITE: &str = r#"
name = "small"
about = "a <few> runs"
seed = 3

[limits]
noticed_ms = 500
stopped_ms = 2500
travel_mm = 800

[[work]]
scenario = "straight-lift"

[[cross]]
faults = ["stop button", "hose burst", "sensor open"]
at_s = [2]
operators = ["frozen"]
"#;

fn small() -> Suite {
    suite::parse("small.toml", SUITE, Path::new("")).unwrap()
}

/// A run that was good, to be changed.
fn good(suite: &Suite) -> Outcome {
    let run = suite.run(0);
    let outcome = outcome(suite, &run);
    assert_eq!(outcome.verdict, Verdict::Good);
    outcome
}

/// What comes of these runs, by way of a file.
fn evidence<'s>(suite: &'s Suite, name: &str, outcomes: &[Outcome]) -> (PathBuf, Evidence<'s>) {
    let folder = std::env::temp_dir().join(format!("bellcrank-evidence-{}-{name}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join("small.ledger");
    let mut ledger = Ledger::begin(&path, &head(suite, SUITE)).unwrap();
    let lines: Vec<_> = outcomes.iter().map(line).collect();
    ledger.append(lines.iter().map(String::as_str)).unwrap();
    let evidence = Evidence::read(suite, "small.toml", &path).unwrap();
    (folder, evidence)
}

/// A good run, one in which an arm entered a zone, one beyond software, and one in which nothing showed.
fn four(suite: &Suite) -> Vec<Outcome> {
    let good = good(suite);
    let other = |run: u64, faults: &str, verdict| Outcome {
        run,
        faults: faults.to_owned(),
        axes: "boom".to_owned(),
        verdict,
        ..good.clone()
    };
    let failed = Outcome {
        reason: "an arm <entered> a zone".to_owned(),
        nearest_mm: Some(-12.5),
        // What the page shows of it is the run of that number.
        digest: outcome(suite, &suite.run(5)).digest,
        ..other(5, "sensor open", Verdict::Failed)
    };
    let beyond = Outcome {
        reason: "never at rest".to_owned(),
        ..other(3, "hose burst", Verdict::Beyond)
    };
    let quiet = Outcome {
        noticed: String::new(),
        noticed_ms: None,
        ..other(6, "valve weak", Verdict::Quiet)
    };
    vec![good, beyond, failed, quiet]
}

#[test]
fn the_page_says_first_what_was_not_exercised_and_needs_nothing_else() {
    let suite = small();
    let (folder, evidence) = evidence(&suite, "page", &four(&suite));
    let page = evidence.html();
    let mut from = 0;
    for part in [
        "What was not exercised",
        "valve stuck",
        "self-collision",
        "Cautions",
        "injects through skin",
        "Verdicts",
        "fault by axis",
        "The worst run: 5, failed",
        "Key moments",
        "S = K T + C after ISO 13855",
        "left track",
        "It is no rating",
        "ISO 13849-1",
        "Beyond software",
        "without one the load comes down",
        "Failed runs",
        "an arm &lt;entered&gt; a zone",
        "bellcrank prove small.toml --repeat 5",
        "It certifies nothing",
    ] {
        from += page[from..]
            .find(part)
            .unwrap_or_else(|| panic!("{part} is missing or out of order"));
    }
    for barred in ["http", "src=", "href=\"//", "@import", "<entered>", "<few>", "NaN"] {
        assert!(!page.contains(barred), "{barred}");
    }
    for svg in page.split("<svg ").skip(1) {
        let tag = svg.split('>').next().unwrap_or_default();
        let told = tag.contains("role=\"img\" aria-label=\"") || tag.contains("role=\"img\" aria-labelledby=\"");
        assert!(told != tag.contains("aria-hidden=\"true\""), "{tag}");
    }
    assert_eq!(page, evidence.html(), "the same ledger, the same page");
    std::fs::remove_dir_all(folder).unwrap();
}

#[test]
fn a_run_that_comes_out_otherwise_is_not_shown() {
    let suite = small();
    let other = Outcome {
        digest: "0123456789abcdef".to_owned(),
        ..good(&suite)
    };
    let (folder, evidence) = evidence(&suite, "otherwise", &[other]);
    let page = evidence.html();
    assert!(page.contains("came out otherwise") && !page.contains("id=\"player\""));
    std::fs::remove_dir_all(folder).unwrap();
}

#[test]
fn continuous_integration_is_told_of_failures_and_nothing_else_passes_for_a_pass() {
    let suite = small();
    let (folder, evidence) = evidence(&suite, "junit", &four(&suite));
    let report = quick_junit::Report::deserialize_from_str(&evidence.junit().unwrap()).unwrap();
    let cases = &report.test_suites[0].test_cases;
    assert!(cases.len() <= CATALOGUE.len() + 2);
    let status = |name: &str| {
        let case = cases.iter().find(|case| case.name.as_str() == name).unwrap();
        format!("{:?}", case.status)
    };
    assert!(status("stop button").starts_with("Success"));
    let failed = status("sensor open");
    assert!(
        failed.contains("Failure") && failed.contains("bellcrank prove small.toml --repeat 5"),
        "{failed}"
    );
    for (name, why) in [
        ("hose burst", "load-holding valves"),
        ("valve weak", "never showed"),
        ("valve stuck", "not put in"),
        ("several at once", "not put in"),
        ("nothing wrong", "not put in"),
    ] {
        let status = status(name);
        assert!(status.starts_with("Skipped") && status.contains(why), "{status}");
    }
    std::fs::remove_dir_all(folder).unwrap();
}

#[test]
fn the_sheet_has_the_rows_of_the_ledger_under_their_names() {
    let suite = small();
    let four = four(&suite);
    let (folder, evidence) = evidence(&suite, "sheet", &four);
    let mut sheet = Vec::new();
    evidence.sheet(&mut sheet).unwrap();
    let read: Vec<Outcome> = csv::Reader::from_reader(&sheet[..])
        .deserialize()
        .map(Result::unwrap)
        .collect();
    assert_eq!(read, four);
    std::fs::remove_dir_all(folder).unwrap();
}

/// What is beyond software counts against the share, what is no fault is not in it.
#[test]
fn detection_is_told_with_its_interval() {
    let suite = small();
    let (folder, evidence) = evidence(&suite, "shares", &four(&suite));
    let summary = evidence.summary();
    let told: Vec<_> = summary
        .detection
        .iter()
        .map(|of| (of.subsystem.as_str(), of.good, of.showed, of.quiet, of.interval_percent))
        .collect();
    // One of one that was not: 0 to 97.5 % (Clopper and Pearson by hand: 1 - 0.025 for a single trial).
    let one = Some([0.0, 97.5]);
    assert_eq!(
        told,
        [
            ("sensors", 0, 1, 0, one),
            ("valves", 0, 0, 1, None),
            ("hydraulics", 0, 1, 0, one),
        ]
    );
    assert_eq!(summary.worst_run, Some(5));
    let not = &summary.not_exercised[0];
    assert_eq!(not.never_showed, ["valve weak"]);
    assert!(not.never_put_in.contains(&"valve stuck".to_owned()));
    assert!(not.cannot_happen.contains(&"twin open".to_owned()));
    std::fs::remove_dir_all(folder).unwrap();
}

/// However many runs fail, what is kept stays small.
#[test]
fn memory_does_not_grow_with_the_campaign() {
    let suite = small();
    let good = good(&suite);
    let mut tally = Tally::new(&suite);
    for run in 0..20_000 {
        let first = CATALOGUE[run % CATALOGUE.len()].name;
        let second = CATALOGUE[(run / 7) % CATALOGUE.len()].name;
        tally.add(&Outcome {
            run: run as u64,
            faults: format!("{first} + {second}"),
            axes: "boom + boom".to_owned(),
            at_s: "2.000 + 2.500".to_owned(),
            amounts_percent: "10.0 + 99.9".to_owned(),
            verdict: if run % 2 == 0 { Verdict::Failed } else { Verdict::Beyond },
            nearest_mm: Some(run as f64),
            speed_there_mm_s: Some((run % 977) as f64 * 7.0),
            ..good.clone()
        });
    }
    assert!(tally.failed.len() <= 200 && tally.beyond.len() <= 100);
    let machine = &tally.machines[0];
    assert_eq!(machine.of_entry(SEVERAL).runs(), 20_000);
    assert!(machine.spread.spots.len() <= 76 * 121);
    let pairs = gaps(machine);
    assert!(pairs.pairs.len() < pairs.pairs_possible);
}

#[test]
fn no_share_is_rounded_to_all_or_nothing() {
    assert_eq!(
        [0.0, 1e-6, 0.5, 1.0 - 1e-6, 1.0].map(percent),
        [0.0, 0.1, 50.0, 99.9, 100.0]
    );
}
