//! `bellcrank trim`: what it reads, refuses, proposes and writes, run as a user runs it; and tests that go wrong. The arithmetic is held to outside
//! values by `trim_numbers.rs`; `cargo xtask trim` has the random valves.

use std::fmt::Write;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;

use bellcrank_machine::Description;
use bellcrank_sim::scenario::{Fault, FaultKind};
use bellcrank_sim::trim::log::{self, Sensed};
use bellcrank_sim::trim::plan::Limits;
use bellcrank_sim::trim::pose::free_pose;
use bellcrank_sim::trim::trial::{self, Halt, Logger, Setup};
use serde_json::Value;

use crate::command::{bellcrank, run};

const STICK: usize = 2;

fn digger_text() -> &'static str {
    bellcrank_machine::builtin("yard-digger").expect("built in")
}

fn digger() -> Description {
    bellcrank_machine::read("yard-digger", digger_text()).expect("a machine")
}

/// A folder with the digger as a file of its own, of which the stick's valve is believed to open later than it does.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let mut parts = digger_text().splitn(2, "name = \"stick\"\n");
    let (head, tail) = (parts.next().expect("a head"), parts.next().expect("a stick"));
    let tail = tail.replacen("deadband = [0.07, 0.07]", "deadband = [0.12, 0.03]", 1);
    fs::write(
        folder.path().join("own.toml"),
        format!("{head}name = \"stick\"\n{tail}"),
    )
    .expect("written");
    folder
}

fn own(folder: &Path) -> String {
    fs::read_to_string(folder.join("own.toml")).expect("there")
}

/// One row of a log.
#[derive(Clone, Copy)]
struct Row {
    t: f64,
    command: f64,
    volts: f64,
}

/// The log of a test of the stick on the simulated machine, made once.
fn rows() -> &'static [Row] {
    static ROWS: OnceLock<Vec<Row>> = OnceLock::new();
    ROWS.get_or_init(|| {
        let folder = folder();
        run(folder.path(), &["--out", "o", "trim", "own.toml", "--axis", "stick"], 0);
        let path = folder.path().join("o/yard-digger-trim-log.csv");
        let logs = log::read(&path, &digger()).expect("a log");
        let [log] = &logs[..] else { panic!("one axis") };
        assert_eq!(log.axis, STICK);
        let volts = |sensed| match sensed {
            Sensed::Volts(volts) => volts,
            Sensed::Stroke(_) => panic!("a test on the simulated machine reads volts"),
        };
        let rows = log.readings.iter().map(|reading| Row {
            t: reading.t,
            command: reading.command,
            volts: volts(reading.sensed),
        });
        rows.collect()
    })
}

fn csv(rows: impl IntoIterator<Item = Row>) -> String {
    let mut text = "t_s,axis,command,signal_v\n".to_owned();
    for Row { t, command, volts } in rows {
        writeln!(text, "{t:.6},stick,{command:.6},{volts:.6}").expect("text");
    }
    text
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder");
    let mut names: Vec<String> = entries
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

// ---- what it writes ---------------------------------------------------------------------------------------------------------------

#[test]
fn the_machine_file_is_changed_on_consent_alone_and_then_in_one_place() {
    let folder = folder();
    let before = own(folder.path());
    let trim = ["--out", "o", "trim", "own.toml", "--axis", "stick"];
    let output = run(folder.path(), &trim, 0);
    let said = String::from_utf8(output.stdout).expect("text");
    assert!(
        said.contains("Nothing was written: with --write it would have been."),
        "{said}"
    );
    assert!(said.contains("stick: deadband = ["), "{said}");
    assert_eq!(own(folder.path()), before);
    let made = [
        "yard-digger-stick-steps.svg",
        "yard-digger-stick-trim.svg",
        "yard-digger-trim-log.csv",
        "yard-digger-trim-plan.txt",
    ];
    assert_eq!(names(&folder.path().join("o")), made);

    let output = run(folder.path(), &[&trim[..], &["--write"]].concat(), 0);
    let said = String::from_utf8(output.stdout).expect("text");
    assert!(
        said.contains("Written to own.toml; what was there is kept beside it as a comment."),
        "{said}"
    );
    let after = own(folder.path());
    let (old, new): (Vec<&str>, Vec<&str>) = (before.lines().collect(), after.lines().collect());
    let at = old
        .iter()
        .zip(&new)
        .position(|(old, new)| old != new)
        .expect("a change");
    let today = bellcrank_sim::revise::today();
    assert_eq!(
        new[at],
        format!(
            "# {today}, bellcrank trim, by a test on the simulated machine; was {}",
            old[at]
        )
    );
    assert_eq!(new[at + 2..], old[at + 1..]);
    let read = bellcrank_machine::read("own.toml", &after).expect("a machine");
    let (drive, was) = (&read.axes[STICK].drive, &digger().axes[STICK].drive);
    // What the file's own valve has: [valve.stick], overlap_out and overlap_in.
    for deadband in [drive.deadband.0, drive.deadband.1] {
        assert!((deadband - 0.07).abs() < 0.006, "{deadband}");
    }
    assert!(drive.curve.iter().all(|curve| curve.len() > 2) && drive.lead > 0.0);
    // What trimming does not settle is as it was.
    assert_eq!((drive.hold, drive.integral_time), (was.hold, was.integral_time));
    assert!(!names(folder.path()).iter().any(|name| name.contains("part")));

    // The same log twice: the second changes nothing, and no second comment appears.
    fs::write(folder.path().join("own.toml"), &before).expect("written");
    let log = ["trim", "own.toml", "--log", "o/yard-digger-trim-log.csv", "--write"];
    for said in ["Written to own.toml", "The machine file says so already."] {
        let output = run(folder.path(), &log, 0);
        assert!(String::from_utf8_lossy(&output.stdout).contains(said), "{said}");
        assert_eq!(
            own(folder.path())
                .matches("bellcrank trim, by the log o/yard-digger-trim-log.csv")
                .count(),
            1
        );
    }
}

#[test]
fn a_file_that_could_not_be_changed_is_told_before_any_work() {
    let folder = folder();
    let trim = |machine: &str, says: &str| {
        let arguments = ["--out", "o", "trim", machine, "--axis", "stick", "--write"];
        let said = String::from_utf8(run(folder.path(), &arguments, 2).stderr).expect("text");
        assert!(said.contains(says), "{says:?} is not in {said}");
        assert!(!folder.path().join("o").exists());
    };
    trim(
        "yard digger",
        "--write: found the built-in machine \"yard digger\", wanted a machine file",
    );
    // The drive in keys of its own instead of on one line.
    let text = own(folder.path());
    let from = text.find("drive = { deadband = [0.12").expect("a drive");
    let to = from + text[from..].find(" }\n").expect("its end");
    let mut keys = text[from..to].replace("drive = { ", "drive.");
    for key in ["full_mm_s", "curve_out", "curve_in", "fill_mm", "braking_mm_s2"] {
        keys = keys.replace(&format!(", {key}"), &format!("\ndrive.{key}"));
    }
    let text = format!("{}{keys}{}", &text[..from], &text[to + 2..]);
    fs::write(folder.path().join("keys.toml"), text).expect("written");
    trim(
        "keys.toml",
        "found no drive on one line, wanted the drive of axis \"stick\" on one line",
    );
}

// ---- logs from elsewhere ----------------------------------------------------------------------------------------------------------

/// As another logger would write it: other columns in another order, remarks, strokes instead of volts, rows thinned out unevenly.
#[test]
fn a_foreign_log_tells_the_same_of_the_valve() {
    let folder = folder();
    let machine = digger();
    let mut text = "# excavator no. 3, cold morning\nremark, stroke_mm, command, axis, t_s\n".to_owned();
    for (number, row) in rows()
        .iter()
        .enumerate()
        .filter(|(number, _)| number % 3 != 1 && number % 7 != 2)
    {
        let stroke = log::stroke(&machine.axes[STICK].sensor, Sensed::Volts(row.volts));
        let remark = if number % 50 == 0 { "ok" } else { "" };
        writeln!(
            text,
            "{remark}, {:.4}, {:.5}, stick, {:.4}",
            stroke * 1e3,
            row.command,
            row.t + 100.0
        )
        .expect("text");
    }
    fs::write(folder.path().join("foreign.csv"), text).expect("written");
    fs::write(folder.path().join("ours.csv"), csv(rows().iter().copied())).expect("written");
    let found = |log: &str| -> Value {
        let output = run(
            folder.path(),
            &["--out", "o", "trim", "own.toml", "--log", log, "--json"],
            0,
        );
        serde_json::from_slice(&output.stdout).expect("one JSON document")
    };
    let (ours, foreign) = (found("ours.csv"), found("foreign.csv"));
    assert_eq!(foreign["from"], "the log foreign.csv");
    assert_eq!(foreign["axes"].as_array().expect("axes").len(), 1);
    for way in 0..2 {
        let deadband = |report: &Value| report["axes"][0]["found"]["deadband"][way].clone();
        let (ours, foreign) = (deadband(&ours), deadband(&foreign));
        let value = foreign["value"].as_f64().expect("a number");
        assert!(
            (value - ours["value"].as_f64().expect("a number")).abs() < 0.004,
            "{ours} {foreign}"
        );
        assert!((value - 0.07).abs() < 0.006, "{foreign}");
    }
    // A plan, or a log of its own, is not for a test that is over.
    assert_eq!(
        names(&folder.path().join("o")),
        ["yard-digger-stick-steps.svg", "yard-digger-stick-trim.svg"]
    );
    assert_eq!(foreign["revisions"][0]["written"], false);
}

/// A log, the reason for which it is refused, and nothing that is written.
#[track_caller]
fn refused(rows: impl IntoIterator<Item = Row>, reason: &str) {
    let folder = folder();
    let before = own(folder.path());
    fs::write(folder.path().join("log.csv"), csv(rows)).expect("written");
    let arguments = ["--out", "o", "trim", "own.toml", "--log", "log.csv", "--write"];
    let output = run(folder.path(), &arguments, 1);
    let said = String::from_utf8(output.stdout).expect("text");
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("Refused, stick: ") && flat.contains(reason), "{said}");
    assert!(said.ends_with("Nothing was written.\n"), "{said}");
    assert_eq!(own(folder.path()), before);
    assert_eq!(names(folder.path()), ["log.csv", "o", "own.toml"]);
    assert!(names(&folder.path().join("o")).is_empty());
}

#[test]
fn swapped_signs_are_refused() {
    let swapped = rows().iter().map(|&row| Row {
        command: -row.command,
        ..row
    });
    refused(swapped, "the signs are swapped");
}

#[test]
fn a_dead_sensor_is_refused() {
    refused(
        rows().iter().map(|&row| Row { volts: 5.0, ..row }),
        "the sensor is dead",
    );
}

/// The sensor lives and hums, and nothing moves.
#[test]
fn a_stuck_valve_is_refused() {
    let humming = rows().iter().enumerate().map(|(number, &row)| Row {
        volts: 5.0 + 0.002 * f64::from(u32::try_from(number * 7919 % 5).expect("small")),
        ..row
    });
    refused(humming, "the valve is stuck, or has no power");
}

#[test]
fn too_little_motion_is_refused() {
    let begun = rows().iter().copied().take_while(|row| row.t < 30.0);
    refused(begun, "too little motion");
    refused(rows().iter().copied().take(200), "there are 200 rows over");
}

#[test]
fn a_clipped_sensor_is_refused() {
    let mut volts: Vec<f64> = rows().iter().map(|row| row.volts).collect();
    volts.sort_by(f64::total_cmp);
    let upper = volts[volts.len() * 9 / 10];
    // At a ceiling of its own, as a wrong range of an amplifier leaves it; and at the end of the converter.
    let pinned = rows().iter().map(|&row| Row {
        volts: row.volts.min(upper),
        ..row
    });
    refused(pinned, "the sensor is clipped");
    let end = digger().axes[STICK].sensor.converter_volts;
    let raised = rows().iter().map(|&row| Row {
        volts: (row.volts + end - upper).min(end),
        ..row
    });
    refused(raised, "the sensor is clipped");
}

// ---- tests that go wrong ----------------------------------------------------------------------------------------------------------

/// Why the test of the stick is given up with this wrong from 6 s on, which is in the middle of the first ramp, and how long its log is, s.
#[track_caller]
fn given_up(kind: FaultKind) -> (Halt, f64) {
    let (machine, limits) = (digger(), Limits::default());
    let start = free_pose(&machine, &[STICK], &limits).expect("a pose");
    let setup = Setup {
        machine: &machine,
        axis: STICK,
        start: &start,
        limits,
        logger: Logger::default(),
        seed: 1,
        faults: vec![Fault {
            at: 6.0,
            lasts: None,
            kind,
        }],
    };
    let trial = trial::run(&setup).expect("it runs");
    let last = trial.log.readings.last().expect("a row");
    (
        trial.halt.unwrap_or_else(|| panic!("{kind:?}: the test went on")),
        last.t,
    )
}

/// The core's reasons where it has one, the test's own limits elsewhere; and at once where the axis may be moving.
#[test]
fn a_test_is_given_up_when_the_valve_or_the_sensor_fails() {
    let axis = STICK;
    let stopped = |cause: &str| Halt::Stopped(cause.to_owned());
    for (kind, halt, within) in [
        (FaultKind::ValveStuck { axis }, Halt::Stuck, 22.0),
        (FaultKind::ValveDead { axis }, Halt::Stuck, 22.0),
        (FaultKind::ValveReversed { axis }, Halt::WrongWay, 5.0),
        (FaultKind::ValveStuckOpen { axis, opening: 0.6 }, Halt::TooFar, 2.0),
        (FaultKind::SensorReversed { axis }, Halt::WrongWay, 5.0),
        (FaultKind::SensorStuck { axis }, Halt::Frozen, 0.6),
        (FaultKind::SensorOpen { axis }, stopped("sensor below its band"), 0.2),
        (FaultKind::SensorShort { axis }, stopped("sensor above its band"), 0.2),
        (FaultKind::SensorStale { axis }, stopped("sensor reading too old"), 0.2),
        (FaultKind::SensorJump { axis, by: 0.3 }, stopped("sensor jumped"), 0.2),
        (FaultKind::StopButton, stopped("stop button"), 0.2),
    ] {
        let (given, last) = given_up(kind);
        assert_eq!(given, halt, "{kind:?}");
        assert!(last < 6.0 + within, "{kind:?}: {last} s");
    }
}

/// The machine file believes in a valve so small that the real one goes too fast: a whole run of the command, and nothing is written.
#[test]
fn a_test_that_is_given_up_writes_nothing() {
    let folder = folder();
    let text = own(folder.path()).replace("full_mm_s = [158, 130]", "full_mm_s = [9, 8]");
    fs::write(folder.path().join("own.toml"), &text).expect("written");
    let output = run(
        folder.path(),
        &["--out", "o", "trim", "own.toml", "--axis", "stick", "--write"],
        1,
    );
    let said = String::from_utf8(output.stdout).expect("text");
    assert!(
        said.contains("Refused, stick: the test was given up: it went "),
        "{said}"
    );
    assert!(
        said.contains(" times as fast as the test may.") && said.ends_with("Nothing was written.\n"),
        "{said}"
    );
    assert_eq!(own(folder.path()), text);
    assert!(names(&folder.path().join("o")).is_empty());
}

// ---- what is seen -----------------------------------------------------------------------------------------------------------------

#[test]
fn a_plan_is_told_before_anything_moves_and_nothing_else_is_done() {
    let folder = folder();
    let output = run(folder.path(), &["--out", "o", "trim", "own.toml", "--plan"], 0);
    let said = String::from_utf8(output.stdout).expect("text");
    for part in [
        "BEFORE ANYTHING MOVES",
        "Ramp, 2.5 % of full command a second, until it goes 6 % of full rate or has gone 3 %",
        "1, 2, 3, 4.5, 6, 8, 10.5, 13.5, 17, 22, 29, 38, 50, 65 percent above",
        "no motion at 60 % of full command",
        "bucket: travel ",
    ] {
        let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(part), "{part:?} is not in {said}");
    }
    assert_eq!(said.matches("BEFORE ANYTHING MOVES").count(), 1);
    assert!(String::from_utf8_lossy(&output.stderr).contains("First motion: low flow"));
    assert_eq!(names(&folder.path().join("o")), ["yard-digger-trim-plan.txt"]);
    run(folder.path(), &["trim", "own.toml", "--plan", "--write"], 2);
}

#[test]
fn lines_fit_a_narrow_terminal_and_a_wide_one() {
    let folder = folder();
    for (columns, widest) in [("60", 60), ("200", 100)] {
        for what in [&["--axis", "stick"][..], &["--plan"]] {
            let output = bellcrank()
                .current_dir(folder.path())
                .env("COLUMNS", columns)
                .args(["--out", "o", "trim", "own.toml"])
                .args(what)
                .output()
                .expect("it runs");
            let said = String::from_utf8(output.stdout).expect("text");
            assert!(said.len() > 500);
            for line in said.lines() {
                assert!(line.chars().count() <= widest, "{columns} columns: {line}");
            }
            assert!(!said.contains('\u{1b}'), "colour");
        }
    }
}

/// Each picture names its axes with their units, and what differs does so in more than colour.
#[test]
fn the_pictures_say_what_they_show() {
    let folder = folder();
    run(folder.path(), &["--out", "o", "trim", "own.toml", "--axis", "stick"], 0);
    let picture = |name: &str| fs::read_to_string(folder.path().join("o").join(name)).expect("a picture");
    let curves = picture("yard-digger-stick-trim.svg");
    for part in [
        "stick: how fast it goes at a command of its valve",
        "command, % of full; below 0: retract, above: extend",
        "rate, mm/s",
        "found, with 95 % intervals",
        "the machine file",
    ] {
        assert!(curves.contains(part), "{part:?} is not there");
    }
    let steps = picture("yard-digger-stick-steps.svg");
    for part in [
        "stroke, mm",
        "ahead of what was asked, mm",
        "bar; peak before ",
        "time, s",
        "before",
        "after",
        "asked for",
    ] {
        assert!(steps.contains(part), "{part:?} is not there");
    }
}
