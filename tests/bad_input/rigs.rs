//! Rig files and recordings that are wrong.

use super::{changed, check, rig};

#[track_caller]
fn check_rig(piece: &str, replacement: &str, says: &[&str]) {
    check_changed(&rig(piece, replacement), says);
}

/// A rig file's text with a mistake in it, and the line of that.
#[track_caller]
fn check_changed((text, line): &(String, usize), says: &[&str]) {
    let line = format!("line {line}:");
    check(
        ("bad.toml", text.as_bytes()),
        &["rig", "bad.toml"],
        &[&["bad.toml", &line], says].concat(),
    );
}

#[test]
fn rig_files() {
    check_rig("bore_mm = 63", "colour = 1\nbore_mm = 63", &["cylinder", "unknown key"]);
    check_rig("bore_mm", "bore", &["bore_mm: the unit belongs in the key"]);
    check_rig(
        "mass_kg = 800",
        "mass_kg = \"800\"",
        &["mass / mass_kg: found \"800\"", "wanted a number"],
    );
    check_rig("mass_kg = 800", "mass_kg = nan", &["mass / mass_kg: found nan"]);
    check_rig(
        "stroke_mm = 500",
        "stroke_mm = -500",
        &["cylinder / stroke_mm: found -500"],
    );
    check_rig(
        "rod_mm = 36",
        "rod_mm = 63",
        &["rod_mm: found 63, wanted less than bore_mm (63)"],
    );
    check_rig(
        "stroke_mm = 30",
        "stroke_mm = 501",
        &["start / stroke_mm: found 501", "cylinder.stroke_mm (500)"],
    );
    check_rig("tank_bar = 2", "tank_bar = nan", &["supply / tank_bar: found nan"]);
    check_rig("at_s = 1.0", "at_s = 0.1", &["later than the step before it (0.1)"]);
    check_rig(
        "command = 0.6",
        "command = 1.6",
        &["command: found 1.6", "from -1 to 1"],
    );
    check_rig("interval_ms = 10 ", "interval_ms = 1e-9 ", &["interval_ms"]);
}

/// The other rig, which has a pump and a load-holding valve.
#[track_caller]
fn check_held(piece: &str, replacement: &str, says: &[&str]) {
    let held = include_str!("../../sim/rigs/held-load.toml");
    check_changed(&changed(held, piece, replacement), says);
}

#[test]
fn rig_files_with_a_pump() {
    let supply = "[supply]\npressure_bar = 180\ntank_bar = 2\n[pump]";
    check_held(
        "[pump]",
        supply,
        &["supply: found [supply] and [pump], wanted one of them", "1 mistake in"],
    );
    let (text, _) = rig("[supply] ", "[suply] ");
    let says = [
        "found neither [supply] nor [pump], wanted one of them",
        "suply: found an unknown key",
    ];
    check(("bad.toml", text.as_bytes()), &["rig", "bad.toml"], &says);
    let (text, _) = rig("[oil]", "[engine]\n[oil]");
    let says = ["engine: found", "a [pump] that it turns"];
    check(("bad.toml", text.as_bytes()), &["rig", "bad.toml"], &says);
    check_held("pump_lpm = 45", "pump_lpm = -45", &["pump / pump_lpm: found -45"]);
    check_held(
        "margin_bar = 20",
        "margin_bar = 0",
        &["pump / margin_bar: found 0", "a number from 2 to 100"],
    );
    check_held(
        "stall_rpm = 900",
        "stall_rpm = 2900",
        &["engine / stall_rpm", "less than rated_rpm"],
    );
    check_held(
        "supply_bar = 30 ",
        "supply_bar = 300 ",
        &["at most pump.pressure_bar (200)"],
    );
    check_held(
        "slope_deg = 90 ",
        "slope_deg = 91 ",
        &["slope_deg: found 91", "from -90 to 90"],
    );
    check_held(
        "hole_mm = [8, 0]",
        "hole_mm = 8",
        &["hole_mm: found 8", "two numbers from 0 to 50"],
    );
    check_held("oil_c = 85", "oil_c = 850", &["oil_c: found 850", "from -30 to 120"]);
    check_held("engine = false", "engine = 0", &["engine: found 0", "true or false"]);
    check_held(
        "[[step]]                    # lift\nat_s = 0.2\ncommand = 0.6",
        "[[step]]\nat_s = 0.2",
        &["nothing but at_s", "hole_mm, engine, dump_closed"],
    );
    check_rig(
        "command = 0.6",
        "engine = false",
        &["engine: found false", "it takes a [pump]"],
    );
    check_rig(
        "stroke_mm = 30",
        "supply_bar = 9\nstroke_mm = 30",
        &["[supply] is constant"],
    );
    check_rig(
        "stroke_mm = 30",
        "port_bar = [1, 2]\nstroke_mm = 30",
        &["without [holding]"],
    );
}

#[test]
fn recordings() {
    let single = concat!(env!("CARGO_MANIFEST_DIR"), "/../sim/rigs/single-cylinder.toml");
    let recording = |content: &str, says: &[&str]| {
        check(
            ("run.csv", content.as_bytes()),
            &["rig", single, "--recording", "run.csv"],
            says,
        );
    };
    recording("x_m,v_m_s\n0,0\n", &["run.csv:1: found no column t_s"]);
    recording("t_s\n0\n", &["run.csv:1: found no column but t_s", "x_m, v_m_s, pA_Pa"]);
    recording(
        "t_s,x_mm\n0,0\n",
        &["run.csv:1: x_mm: found an unknown column", "x_m, v_m_s"],
    );
    recording(
        "t_s,supply_Pa\n0,0\n",
        &["supply_Pa: found an unknown column", "of this bench"],
    );
    recording("t_s,x_m,x_m\n0,0,0\n", &["x_m: found a second column"]);
    recording(
        "t_s,x_m\n0,0\n1,abc\n2,nan\n",
        &[
            "run.csv:3: x_m: found \"abc\", wanted a finite number",
            "run.csv:4: x_m: found \"nan\"",
        ],
    );
    recording("t_s,x_m\n0,0\n1\n", &["run.csv:3: found 1 columns, wanted 2"]);
    recording(
        "t_s,x_m\n0,0\n1,0\n1,0\n",
        &["run.csv:4: t_s: found 1, wanted later than the row before (1)"],
    );
    recording("t_s,x_m\n5,0\n6,0\n", &["run.csv:1: t_s: found no row", "end_s (3)"]);
    recording("t_s,x_m\n", &["found no row"]);
    recording("", &["run.csv: empty"]);
    let missing = ["rig", single, "--recording", "none.csv"];
    check(("other.csv", b""), &missing, &["none.csv: no such file"]);
    let folder = ["rig", single, "--recording", "."];
    check(("other.csv", b""), &folder, &["a folder, not a file"]);
}
