//! Prove: a campaign is the same to the byte however it was run; what is put in is told truly; a weakened machine fails.

use std::collections::BTreeSet;
use std::fs;
use std::hash::{BuildHasher, RandomState};
use std::path::Path;
use std::process::{Command as Process, Stdio};
use std::thread::sleep;
use std::time::Instant;

use bellcrank_sim::prove::catalogue::CATALOGUE;
use bellcrank_sim::prove::suite;
use tempfile::tempdir;

use crate::command::run;

const SUITE: &str = r#"
name = "small"
about = "a few runs"
seed = 3

[limits]
noticed_ms = 500
stopped_ms = 2500
travel_mm = 800

[[work]]
scenario = "straight-lift"

[[cross]]
faults = ["stop button", "sensor open"]
at_s = [2]
operators = ["frozen", "smooth"]

[[draw]]
runs = 6
at_s = [1, 4]
faults_at_once = 2
"#;

/// Ten runs of the cross (the stop button once, a sensor of each of four axes, two operators each) and six drawn.
const RUNS: usize = 16;

fn ledger(folder: &Path, name: &str) -> Vec<u8> {
    fs::read(folder.join("out").join(name)).unwrap()
}

/// Run in one go, broken off anywhere and resumed, and in three shards that are put together.
#[test]
fn a_campaign_is_the_same_to_the_byte_however_it_was_run() {
    let folder = tempdir().unwrap();
    let here = folder.path();
    fs::write(here.join("small.toml"), SUITE).unwrap();
    let code = bellcrank_may_fail(here, &["prove", "small.toml", "--out", "first"]);
    run(here, &["prove", "small.toml"], code);
    let whole = ledger(here, "small.ledger");
    assert_eq!(whole, fs::read(here.join("first/small.ledger")).unwrap());
    assert_eq!(String::from_utf8_lossy(&whole).lines().count(), 1 + RUNS);

    for cut in [0, 10, whole.len() / 3, whole.len() / 2, whole.len() - 1] {
        fs::write(here.join("out/small.ledger"), &whole[..cut]).unwrap();
        run(here, &["prove", "small.toml", "--resume"], code);
        assert!(ledger(here, "small.ledger") == whole, "cut at {cut}");
    }

    let shards = ["1/3", "2/3", "3/3"];
    for shard in shards {
        bellcrank_may_fail(here, &["prove", "small.toml", "--shard", shard]);
    }
    fs::remove_file(here.join("out/small.ledger")).unwrap();
    let parts = shards.map(|shard| format!("out/small-{}.ledger", shard.replace('/', "-of-")));
    let merge = ["prove", "small.toml", "--merge", &parts[2], &parts[0], &parts[1]];
    run(here, &merge, code);
    assert!(ledger(here, "small.ledger") == whole, "merged");

    // A shard that is missing is told, and so is a ledger that would be written over.
    run(here, &["prove", "small.toml", "--merge", &parts[0], &parts[1]], 2);
    run(here, &["prove", "small.toml"], 2);
}

/// A shard has a verdict of its own: which one is not what is looked at here.
fn bellcrank_may_fail(folder: &Path, arguments: &[&str]) -> i32 {
    let output = crate::command::bellcrank()
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap();
    let code = output.status.code();
    code.filter(|code| matches!(code, 0 | 1))
        .unwrap_or_else(|| panic!("{output:?}"))
}

/// Killed at ten random moments, each time gone on with: as if nothing had happened.
#[test]
fn a_campaign_that_is_killed_again_and_again_is_the_same_to_the_byte() {
    let folder = tempdir().unwrap();
    let here = folder.path();
    let lift = bellcrank_sim::scenario::builtin("straight-lift").unwrap();
    let (head, _) = lift.split_once("[[hand]]").unwrap();
    let lift = head.replace("length_s = 7.5", "length_s = 0.6") + "[[hand]]\nat_s = 0.4\nenable = true\n";
    fs::write(here.join("lift.toml"), lift).unwrap();
    let (head, _) = SUITE.split_once("[[cross]]").unwrap();
    let suite = head.replace("straight-lift", "lift.toml") + "[[draw]]\nruns = 400\nat_s = [0.3, 0.5]\n";
    fs::write(here.join("small.toml"), suite).unwrap();
    let start = Instant::now();
    let code = bellcrank_may_fail(here, &["prove", "small.toml", "--out", "whole"]);
    let took = start.elapsed();
    let whole = fs::read(here.join("whole/small.ledger")).unwrap();

    let mut moments = Vec::new();
    for _ in 0..10 {
        // Where in the run it falls is by chance: the hasher's keys are.
        let share = (RandomState::new().hash_one(()) % 1000) as f64 / 1000.0;
        let mut child = Process::new(crate::command::bellcrank().get_program())
            .current_dir(here)
            .args(["prove", "small.toml", "--resume"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        sleep(took.mul_f64(0.3 * share));
        // On Unix this is SIGKILL.
        child.kill().unwrap();
        child.wait().unwrap();
        let there = fs::read(here.join("out/small.ledger")).unwrap_or_default();
        moments.push(there.len());
    }
    run(here, &["prove", "small.toml", "--resume"], code);
    assert!(
        ledger(here, "small.ledger") == whole,
        "killed with so many bytes there: {moments:?}"
    );
    assert!(moments[0] < whole.len(), "{moments:?}");
}

/// A weakened machine, in one way each: the campaign fails, names a run with its reason, and the line that repeats it does.
#[test]
fn every_weakness_is_found() {
    let weak: [(&str, &str, &str, &str); 3] = [
        (
            // Hands that push where it is worst get an arm in.
            "margin_mm = 1",
            "margin_mm = 0 # ",
            "[[adversary]]\nruns = 40\nfaults_at_once = 0\n",
            "an arm entered a zone",
        ),
        (
            "frame_late_ms = 60",
            "frame_late_ms = 900",
            "[[cross]]\nfaults = [\"link lost\"]\nat_s = [2]\noperators = [\"frozen\"]\n",
            "noticed only after",
        ),
        (
            "holding = { kind = \"counterbalance\", on = \"a\"",
            "# ",
            "[[cross]]\nfaults = [\"valve stuck open\"]\nat_s = [2]\namounts_percent = [0, 100]\noperators = [\"frozen\"]\n",
            "a tip sank by",
        ),
    ];
    for (there, instead, sections, wanted) in weak {
        let folder = tempdir().unwrap();
        let here = folder.path();
        weaken(here, there, instead, sections);
        let output = run(here, &["prove", "weak-suite.toml"], 1);
        let text = String::from_utf8(output.stdout).unwrap();
        let named = text.lines().find(|line| line.starts_with("run ")).unwrap();
        assert!(named.contains(wanted), "{text}");
        let repeat = text
            .lines()
            .find_map(|line| line.trim().strip_prefix("to repeat it: bellcrank "))
            .unwrap();
        let repeat = repeat.split(';').next().unwrap();
        let output = run(here, &repeat.split(' ').collect::<Vec<_>>(), 1);
        assert!(String::from_utf8_lossy(&output.stdout).contains(wanted));
    }
}

/// A suite on the yard digger with something in its machine file replaced.
fn weaken(here: &Path, there: &str, instead: &str, sections: &str) {
    let digger = bellcrank_machine::builtin("yard digger").unwrap();
    let weak = digger.replace(there, instead);
    assert_ne!(weak, digger);
    fs::write(here.join("weak.toml"), weak).unwrap();
    let lift = bellcrank_sim::scenario::builtin("straight-lift").unwrap();
    fs::write(here.join("lift.toml"), lift.replace("\"yard digger\"", "\"weak.toml\"")).unwrap();
    let (head, _) = SUITE.split_once("[[cross]]").unwrap();
    let suite = head.replace("straight-lift", "lift.toml") + sections;
    fs::write(here.join("weak-suite.toml"), suite).unwrap();
}

/// With a watch that sleeps a broken wire is noticed far too late, and the campaign fails.
#[test]
fn a_failed_run_is_repeated_and_made_smaller() {
    let folder = tempdir().unwrap();
    let here = folder.path();
    let sections = "[[cross]]\nfaults = [\"sensor open\"]\nat_s = [2]\noperators = [\"frozen\"]\n";
    weaken(here, "confirm_ms = 10", "confirm_ms = 900", sections);
    run(here, &["prove", "weak-suite.toml"], 1);
    let report = json_of_failed(here);
    assert_eq!(report["verdicts"]["failed"], 4);
    let failed = &report["failed"][0];
    let reason = failed["reason"].as_str().unwrap();
    assert!(reason.contains("noticed only after"), "{reason}");

    // The line that repeats it does, and comes to the same.
    let repeat = failed["repeat"].as_str().unwrap().to_owned();
    assert_eq!(repeat, "bellcrank prove weak-suite.toml --repeat 0");
    let words: Vec<&str> = repeat.split(' ').skip(1).chain(["--json"]).collect();
    let output = run(here, &words, 1);
    let again: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(again["row"]["reason"], failed["reason"]);
    assert_eq!(again["row"]["digest"], again["rehearsed"]["findings"]["digest"]);
    assert_eq!(again["rehearsed"]["findings"]["repeat"], repeat.as_str());
    let whole = fs::read_to_string(here.join("out/small.ledger")).unwrap();
    assert!(whole.contains(again["row"]["digest"].as_str().unwrap()), "{whole}");
    for file in ["page_file", "csv_file"] {
        let written = here.join(again["rehearsed"][file].as_str().unwrap());
        assert!(fs::metadata(written).unwrap().len() > 10_000);
    }
    run(here, &["prove", "weak-suite.toml", "--repeat", "4"], 2);

    // Made smaller it is a scenario that shows the same, from any folder.
    let output = run(here, &["prove", "weak-suite.toml", "--shrink", "0", "--json"], 1);
    let small: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(small["shown"], true, "{small}");
    assert!(small["length_s"].as_f64().unwrap() < 4.0, "{small}");
    assert_eq!(small["row"]["at_s"], "1.000");
    let file = here.join(small["scenario_file"].as_str().unwrap());
    let elsewhere = tempdir().unwrap();
    let output = run(elsewhere.path(), &["rehearse", file.to_str().unwrap(), "--json"], 1);
    let shown: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let checks = shown["findings"]["checks"].as_array().unwrap();
    let failed: Vec<_> = checks.iter().filter(|check| check["passed"] == false).collect();
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert_eq!(failed[0]["what"], "noticed after");
}

fn json_of_failed(folder: &Path) -> serde_json::Value {
    let output = crate::command::bellcrank()
        .current_dir(folder)
        .args(["prove", "weak-suite.toml", "--json", "--out", "again"])
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn mistakes_in_a_suite_are_told() {
    let wrong = SUITE
        .replace("\"sensor open\"", "\"sensor opne\"")
        .replace("runs = 6", "runs = 0");
    let told = suite::parse("s.toml", &wrong, Path::new("")).unwrap_err().to_string();
    assert!(told.contains("2 mistakes"), "{told}");
}

#[test]
fn entries_of_the_catalogue_have_names_of_their_own_and_shift_has_them_all() {
    let names: BTreeSet<&str> = CATALOGUE.iter().map(|entry| entry.name).collect();
    assert_eq!(names.len(), CATALOGUE.len());
    let shift = suite::read("shift").unwrap();
    let put_in: BTreeSet<&str> = (0..shift.runs())
        .flat_map(|number| shift.run(number).faults)
        .map(|placed| placed.entry.name)
        .collect();
    assert_eq!(put_in, names);
}
