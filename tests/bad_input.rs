//! Bad input: each kind gives a clear word and exit code 2, and leaves nothing behind.

use std::fs;
use std::path::Path;

use crate::command::bellcrank;

mod hands;
mod rigs;
mod trims;

/// Runs the command in a folder that holds one file; expects exit code 2, a word on standard error that has all of `says`, nothing on
/// standard output, and a folder that is as it was.
#[track_caller]
fn check(file: (&str, &[u8]), arguments: &[&str], says: &[&str]) {
    let folder = tempfile::tempdir().expect("a folder");
    let (name, content) = file;
    fs::write(folder.path().join(name), content).expect("written");
    check_in(folder.path(), arguments, says);
}

#[track_caller]
fn check_in(folder: &Path, arguments: &[&str], says: &[&str]) {
    let before = listing(folder);
    let output = bellcrank()
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("it runs");
    let said = String::from_utf8(output.stderr).expect("text");
    assert_eq!(output.status.code(), Some(2), "{arguments:?} said {said}");
    for part in says {
        assert!(said.contains(part), "{part:?} is not in: {said}");
    }
    assert!(!said.contains("panicked") && !said.contains("RUST_BACKTRACE"), "{said}");
    assert!(!said.contains('\u{1b}'), "colour: {said:?}");
    assert!(output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stdout));
    assert_eq!(listing(folder), before, "something was written");
}

fn listing(folder: &Path) -> Vec<(String, u64)> {
    let entries = fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry"));
    let mut names: Vec<_> = entries
        .map(|entry| {
            (
                entry.file_name().to_string_lossy().into_owned(),
                entry.metadata().expect("there").len(),
            )
        })
        .collect();
    names.sort();
    names
}

/// The digger's file with a piece of it replaced, and the number of the line where that is.
#[track_caller]
fn digger(piece: &str, replacement: &str) -> (String, usize) {
    let text = bellcrank_machine::builtin("yard-digger").expect("built in");
    changed(text, piece, replacement)
}

/// The same with the single-cylinder rig.
#[track_caller]
fn rig(piece: &str, replacement: &str) -> (String, usize) {
    changed(include_str!("../sim/rigs/single-cylinder.toml"), piece, replacement)
}

#[track_caller]
fn changed(text: &str, piece: &str, replacement: &str) -> (String, usize) {
    let at = text.find(piece).unwrap_or_else(|| panic!("no {piece:?} in the file"));
    let line = text[..at].lines().count() + usize::from(text[..at].ends_with('\n'));
    (text.replacen(piece, replacement, 1), line)
}

#[track_caller]
fn check_machine(piece: &str, replacement: &str, says: &[&str]) {
    let (text, line) = digger(piece, replacement);
    let line = format!("line {line}:");
    check(
        ("bad.toml", text.as_bytes()),
        &["survey", "bad.toml"],
        &[&["bad.toml", &line], says].concat(),
    );
}

#[test]
fn machine_files() {
    check_machine("mass_kg = 120", "colour = 1, mass_kg = 120", &["colour", "unknown key"]);
    check_machine(
        "mass_kg = 1500",
        "mass_kg = 0",
        &["carrier / mass_kg: found 0", "a number from 1 to 1000000"],
    );
    check_machine(
        "[850, 650], [-850, 650]]",
        "[-850, 650], [850, 650]]",
        &["carrier / support_mm: found corner 4", "convex polygon"],
    );
    check_machine(
        "bore_mm = 80",
        "bore = 80",
        &["bore: found an unknown key", "bore_mm: the unit belongs in the key"],
    );
    check_machine(
        "bore_mm = 80",
        "bore_mm = \"80\"",
        &["bore_mm: found \"80\"", "wanted a number"],
    );
    check_machine(
        "bore_mm = 80",
        "bore_mm = nan",
        &["bore_mm: found nan", "wanted a number"],
    );
    check_machine(
        "stroke_mm = 408",
        "stroke_mm = -408",
        &["stroke_mm: found -408", "wanted a number from"],
    );
    check_machine(
        "closed_mm = 558",
        "closed_mm = 5580",
        &["axis \"boom\" / linkage", "cylinder"],
    );
    check_machine("tick_ms = 2", "tick_ms = ", &["valid TOML"]);
}

/// The built-in scenario of the stuck-open valve with a piece of it replaced.
#[track_caller]
fn check_scenario(piece: &str, replacement: &str, says: &[&str]) {
    let text = include_str!("../sim/scenarios/stuck-open-valve.toml");
    let (text, line) = changed(text, piece, replacement);
    let line = format!("line {line}:");
    let says = [&["bad.toml", &line], says].concat();
    check(("bad.toml", text.as_bytes()), &["rehearse", "bad.toml"], &says);
}

#[test]
fn scenario_files() {
    let axes = "one of \"left slew\", \"left lift\"";
    check_scenario(
        "axis = \"left lift\"\nopening",
        "axis = \"left lfit\"\nopening",
        &["no axis \"left lfit\"", axes],
    );
    check_scenario(
        "arm = \"right\"",
        "arm = \"middle\"",
        &["no arm \"middle\"", "one of \"left\", \"right\""],
    );
    check_scenario(
        "length_s = 8",
        "length = 8",
        &["length: found an unknown key", "length_s"],
    );
    check_scenario("length_s = 8", "length_s = \"8\"", &["found \"8\"", "a number"]);
    check_scenario("opening = 0.6", "opening = nan", &["opening: found nan"]);
    check_scenario(
        "opening = 0.6",
        "opening = 1.6",
        &["opening: found 1.6", "from -1 to 1"],
    );
    check_scenario(
        "kind = \"valve_stuck_open\"",
        "kind = \"valve_loose\"",
        &["kind: found", "sensor_open"],
    );
    check_scenario(
        "[0, 0, 150]",
        "[0, 0, 1500]",
        &["velocity_mm_s", "at most 500 mm/s: full lever"],
    );
    check_scenario(
        "[-15, -20, 70, 40, 0]",
        "[-15, -20, 70, 40]",
        &["4 angles", "left slew, left lift"],
    );
    check_scenario(
        "[-15, -20, 70, 40, 0]",
        "[-15, -20, 270, 40, 0]",
        &["270.0 for \"left reach\"", "20.0 to 135.0"],
    );
    check_scenario(
        "at_s = 0.4\nenable = true",
        "at_s = 0.4\nenable = true\nneutral = true",
        &["2 acts", "one of enable, reset, tip"],
    );
    check_scenario("mass_kg = 60", "mass_kg = -60", &["mass_kg: found -60"]);
    check_scenario(
        "state = \"fault\"",
        "state = \"broken\"",
        &["state: found \"broken\"", "stopped"],
    );
    check_scenario(
        "cause = \"motion",
        "cause = \"emotion",
        &["cause: found", "stop button"],
    );
}

#[test]
fn what_scenarios_do_to_the_hydraulics_and_around_the_machine() {
    for (line, says) in [
        (
            "slope_deg = [31, 0]",
            "slope_deg: found 31, wanted two numbers from -30 to 30",
        ),
        ("slope_deg = 5", "slope_deg: found 5, wanted two numbers"),
        ("slope = [5, 0]", "slope: found an unknown key, wanted slope_deg"),
        ("oil_c = 200", "oil_c: found 200, wanted a number from -30 to 120"),
    ] {
        check_scenario("length_s = 8", &format!("{line}\nlength_s = 8"), &[says]);
    }
    for (keys, says) in [
        ("from_s = 9", "from_s: found 9, wanted a number from 0 to 8"),
        ("until_s = 0", "until_s: found 0, wanted more than from_s (0)"),
    ] {
        check_scenario("mass_kg = 60", &format!("{keys}\nmass_kg = 60"), &[says]);
    }
    let stuck = "kind = \"valve_stuck_open\"\naxis = \"left lift\"\nopening = 0.6";
    let burst = "kind = \"hose_burst\"\naxis = \"left lift\"";
    for (keys, says) in [
        (
            format!("side = \"c\"\nhole_mm = 8\n{burst}"),
            "side: found \"c\", wanted \"a\" or \"b\"",
        ),
        (
            format!("hole_mm = 800\n{burst}\nside = \"a\""),
            "hole_mm: found 800, wanted a number from 0.1 to 50",
        ),
        (
            format!("lasts_s = 1\n{burst}\nside = \"a\"\nhole_mm = 8"),
            "lasts_s: found 1, wanted no lasts_s: a burst hose stays burst",
        ),
        (
            "to_c = 300\nkind = \"oil_hot\"".into(),
            "to_c: found 300, wanted a number from -30 to 120",
        ),
        (
            "share = 1.5\nkind = \"pump_worn\"".into(),
            "share: found 1.5, wanted a number from 0 to 1",
        ),
        (
            "leak_cm3_s_bar = -1\nkind = \"piston_leak\"\naxis = \"left lift\"".into(),
            "leak_cm3_s_bar: found -1, wanted a number from 0 to 100",
        ),
        (
            "axis = \"boom\"\nshare = 0.5\nkind = \"spool_weak\"".into(),
            "axis: found no axis \"boom\"",
        ),
        (
            "share = 0\nkind = \"valve_slow\"\naxis = \"left lift\"".into(),
            "share: found 0, wanted a number from 0.01 to 1",
        ),
        (
            "air_percent = 30\nkind = \"air_in_oil\"".into(),
            "air_percent: found 30, wanted a number from 0 to 20",
        ),
        (
            "axis = \"left slew\"\nkind = \"holding_stuck_open\"".into(),
            "axis: found \"left slew\", wanted one with a load-holding valve: \"left lift\"",
        ),
    ] {
        check_scenario(stuck, &keys, &[says]);
    }
}

#[test]
fn what_scenarios_do_to_sensors_links_and_switches() {
    let stuck = "kind = \"valve_stuck_open\"\naxis = \"left lift\"\nopening = 0.6";
    for (keys, says) in [
        (
            "with = \"left lift\"\nkind = \"sensors_swapped\"\naxis = \"left lift\"",
            "with: found \"left lift\", wanted another axis",
        ),
        (
            "among = 1\nkind = \"link_reorders\"\nstation = \"seat\"",
            "among: found 1, wanted a whole number from 2 to 100",
        ),
        (
            "share = 2\nkind = \"link_corrupts\"\nstation = \"seat\"",
            "share: found 2, wanted a number from 0 to 1",
        ),
        (
            "by_ms = -5\nkind = \"link_delayed\"\nstation = \"seat\"",
            "by_ms: found -5, wanted a number from 0 to 60000",
        ),
        (
            "every_ms = 20\nkind = \"stop_channel_bounces\"\nchannel = 1\nopen_ms = 30",
            "every_ms: found 20, wanted more than open_ms (30)",
        ),
        (
            "bit = 64\nkind = \"record_flipped\"",
            "bit: found 64, wanted a whole number from 0 to 63",
        ),
        (
            "place_percent = 101\nkind = \"image_damaged\"",
            "place_percent: found 101, wanted a number from 0 to 100",
        ),
    ] {
        check_scenario(stuck, keys, &[says]);
    }
}

#[test]
fn a_scenario_whose_machine_is_wrong_or_missing() {
    let text = include_str!("../sim/scenarios/stuck-open-valve.toml");
    let without = text.replace("\"drystone setter\"", "\"none.toml\"");
    check(
        ("s.toml", without.as_bytes()),
        &["rehearse", "s.toml"],
        &["none.toml: no such file"],
    );
    let itself = text.replace("\"drystone setter\"", "\"s.toml\"");
    check(
        ("s.toml", itself.as_bytes()),
        &["rehearse", "s.toml"],
        &["s.toml", "unknown key"],
    );
}

#[test]
fn every_mistake_is_told_at_once() {
    let (text, first) = digger("bore_mm = 80", "bore = 80");
    let (text, second) = changed(&text, "rated_lpm = ", "rated_lpm = -");
    let says = [
        &format!("line {first}:"),
        &format!("line {second}:"),
        "2 mistakes in bad.toml",
    ];
    check(("bad.toml", text.as_bytes()), &["survey", "bad.toml"], &says);
    let (text, first) = rig("mass_kg = 800", "mass_kg = -1");
    let (text, second) = changed(&text, "spool_hz = 15", "spool_Hz = 15");
    let says = [
        &format!("line {first}:"),
        &format!("line {second}:"),
        "2 mistakes in bad.toml",
    ];
    check(("bad.toml", text.as_bytes()), &["rig", "bad.toml"], &says);
}

#[test]
fn what_is_no_file_of_ours() {
    for command in ["survey", "rig", "rehearse"] {
        check(("empty.toml", b""), &[command, "empty.toml"], &["empty.toml: empty"]);
        check(
            ("blank.toml", b"\n \n"),
            &[command, "blank.toml"],
            &["blank.toml: empty"],
        );
        check(
            ("latin.toml", b"name = \"K\xfcbel\""),
            &[command, "latin.toml"],
            &["latin.toml", "not UTF-8"],
        );
        check(
            ("other.toml", b""),
            &[command, "none.toml"],
            &["none.toml: no such file"],
        );
        check(("other.toml", b""), &[command, "."], &["a folder, not a file"]);
        check(("binary.toml", &[0; 64]), &[command, "binary.toml"], &["binary.toml"]);

        let folder = tempfile::tempdir().expect("a folder");
        let big = fs::File::create(folder.path().join("big.toml")).expect("a file");
        big.set_len(50_000_000).expect("a sparse file");
        check_in(
            folder.path(),
            &[command, "big.toml"],
            &["big.toml: 50000000 bytes, over the limit"],
        );
    }
    check(
        ("other.toml", b""),
        &["survey", "yard diger"],
        &["\"yard diger\"", "yard-digger, drystone-setter, servo-digger"],
    );
    check(
        ("other.toml", b""),
        &["rehearse", "straigth-lift"],
        &["\"straigth-lift\"", "straight-lift, setting-a-stone"],
    );
}

#[test]
fn an_output_folder_that_cannot_be_written() {
    // Permissions do not stop a superuser; a regular file where a folder should be stops everybody.
    let (text, _) = rig("name", "name");
    let arguments = ["rig", "rig.toml", "--out", "rig.toml/out"];
    check(
        ("rig.toml", text.as_bytes()),
        &arguments,
        &["rig.toml/out", "cannot be written", "--out DIR"],
    );
    let arguments = ["rehearse", "straight-lift", "--out", "rig.toml/out"];
    check(("rig.toml", b""), &arguments, &["rig.toml/out", "cannot be written"]);
    check(
        ("rig.toml", b""),
        &["--out", "rig.toml/out"],
        &["rig.toml/out", "cannot be written"],
    );
    let arguments = ["pose", "yard digger", "--csv", "poses.csv", "--out", "poses.csv"];
    let poses = b"slew_deg,boom_deg,stick_deg,bucket_deg\n0,0,60,0\n";
    check(
        ("poses.csv", poses),
        &arguments,
        &["poses.csv", "cannot be written", "--out DIR"],
    );
}

#[test]
fn poses_that_are_none() {
    let pose = |arguments: &[&str], says: &[&str]| {
        check(
            ("other.toml", b""),
            &[&["pose", "yard digger"], arguments].concat(),
            says,
        );
    };
    pose(
        &["--angles-deg", "0,0,60"],
        &["angles: found 3 of them, wanted 4: slew, boom, stick, bucket"],
    );
    pose(
        &["--angles-deg", "0,-99,60,0"],
        &["boom: found -99.000 deg", "the joint's range"],
    );
    pose(&["--angles-deg", "0,nan,60,0"], &["angles: found NaN"]);
    pose(&["--angles-deg", "0,x,60,0"], &["'x'", "--angles-deg"]);
    pose(
        &["--strokes-mm", "90,-1,100,100"],
        &["boom: found a stroke of -1.000 mm, wanted 0 to 408.000 mm"],
    );
    pose(
        &["--tip-mm", "9000,0,0"],
        &["tip: found (9000.0, 0.0, 0.0) mm", "can reach"],
    );
    pose(&["--tip-mm", "1,2"], &["tip: found", "three finite numbers"]);
    pose(&["--tip-mm", "inf,2,3"], &["tip: found", "three finite numbers"]);
    pose(
        &["--angles-deg", "0,0,60,0", "--rates-deg-s", "1,2"],
        &["rates: found 2 of them"],
    );
    pose(
        &["--angles-deg", "0,0,60,0", "--arm", "left"],
        &["arm: found \"left\", wanted \"digger\""],
    );
    pose(
        &["--angles-deg", "0,0,60,0", "--payload-kg", "-1"],
        &["payload: found -1 kg"],
    );
    pose(&[], &["required"]);
    check(
        ("other.toml", b""),
        &["survey", "yard digger", "--payload-kg", "nan"],
        &["--payload-kg: found NaN"],
    );
}

#[test]
fn tables_of_poses() {
    let table = |content: &str, says: &[&str]| {
        check(
            ("poses.csv", content.as_bytes()),
            &["pose", "yard digger", "--csv", "poses.csv"],
            says,
        );
    };
    let heading = "slew_deg,boom_deg,stick_deg,bucket_deg";
    table(
        "slew_deg,boom,stick_deg,bucket_deg\n",
        &["poses.csv:1: boom: found an unknown column"],
    );
    table(
        "slew_deg,boom_deg\n1,2\n",
        &["poses.csv:1: found 2 angles", "wanted 4 angles"],
    );
    table(
        "slew_deg,q0_rad\n1,2\n",
        &["poses.csv:1: q0_rad: found a second column for the same"],
    );
    table(
        &format!("{heading}\n0,0,60\n"),
        &["poses.csv:2: found 3 columns, wanted 4"],
    );
    table(&format!("{heading}\n"), &["found no row of numbers"]);
    let all = format!("{heading}\n0,0,60,0\n0,x,60,0\n\n0,0,60,400\n");
    table(
        &all,
        &[
            "poses.csv:3: boom_deg: found \"x\"",
            "poses.csv:5: bucket: found 400.000 deg",
        ],
    );
    check(
        ("other.toml", b""),
        &["pose", "yard digger", "--csv", "none.csv"],
        &["none.csv: no such file"],
    );
}
