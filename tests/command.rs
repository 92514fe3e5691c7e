//! The command `bellcrank`, run as a user runs it: answers against published values, exit codes, schemas.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command as Process, Output, Stdio};
use std::sync::OnceLock;

use bellcrank_tests::cases::Rows;
use serde_json::Value;

/// The command, built once. It belongs to another package, so cargo does not build it for these tests by itself; cargo is asked to,
/// in the profile of the tests, and says where it put the file.
pub fn bellcrank() -> assert_cmd::Command {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    let path = BUILT.get_or_init(|| {
        let profile: &[&str] = if cfg!(debug_assertions) { &[] } else { &["--release"] };
        let built = Process::new(env!("CARGO"))
            .args([
                "build",
                "--quiet",
                // The whole workspace, so that its dependencies are those that the tests were built with.
                "--workspace",
                "--bin",
                "bellcrank",
                "--message-format",
                "json",
            ])
            .args(profile)
            .current_dir(root())
            .stderr(Stdio::inherit())
            .output()
            .expect("cargo is there");
        assert!(built.status.success(), "the command does not build");
        let said = String::from_utf8(built.stdout).expect("cargo speaks UTF-8");
        let messages = said.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
        let files: Vec<PathBuf> = messages
            .filter_map(|m| m["executable"].as_str().map(PathBuf::from))
            .collect();
        files.into_iter().next_back().expect("cargo names the file it built")
    });
    let mut command = assert_cmd::Command::new(path);
    command.env("NO_COLOR", "1");
    command
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Runs the command in a folder of its own and expects an exit code.
#[track_caller]
pub fn run(folder: &Path, arguments: &[&str], code: i32) -> Output {
    let output = bellcrank()
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{arguments:?} said {said}");
    output
}

#[track_caller]
pub fn json(folder: &Path, arguments: &[&str]) -> Value {
    let output = run(folder, &[arguments, &["--json"]].concat(), 0);
    serde_json::from_slice(&output.stdout).expect("one JSON document")
}

#[track_caller]
fn text(folder: &Path, arguments: &[&str]) -> String {
    String::from_utf8(run(folder, arguments, 0).stdout).expect("text")
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

// ---- pose -------------------------------------------------------------------------------------------------------------------------

/// Poses an arm as the rows of an oracle file are, and compares. Source of the values: a rigid-body library, see `data/README.md`.
#[track_caller]
fn check_arm(name: &str, joints: usize) {
    let oracle = Rows::read(&here(&format!("data/arm-oracle-{name}.csv")));
    let folder = folder();
    let mut asked = String::new();
    let columns: Vec<(String, String)> = [("q", "rad"), ("qd", "rad_s"), ("qdd", "rad_s2")]
        .iter()
        .flat_map(|(stem, unit)| (0..joints).map(move |k| (format!("{stem}{k}"), format!("{stem}{k}_{unit}"))))
        .collect();
    asked += &columns
        .iter()
        .map(|(_, column)| column.as_str())
        .collect::<Vec<_>>()
        .join(",");
    for row in 0..oracle.rows.len() {
        let cells = columns
            .iter()
            .map(|(theirs, _)| format!("{:?}", oracle.value(row, theirs)));
        asked += "\n";
        asked += &cells.collect::<Vec<_>>().join(",");
    }
    fs::write(folder.path().join("asked.csv"), asked).expect("written");

    let machine = here(&format!("machines/oracle-{name}.toml"));
    let machine = machine.to_str().expect("UTF-8");
    let report = json(folder.path(), &["pose", machine, "--csv", "asked.csv"]);
    let poses = report["poses"].as_array().expect("poses");
    assert_eq!(poses.len(), oracle.rows.len());
    for (row, pose) in poses.iter().enumerate() {
        let compare = |what: &str, got: Vec<f64>, want: Vec<f64>, bound: f64| {
            let scale = want.iter().fold(1.0, |scale: f64, x| scale.max(x.abs()));
            for (got, want) in got.iter().zip(&want) {
                assert!(
                    (got - want).abs() <= bound * scale,
                    "arm {name} row {row}, {what}: {got} is not {want}"
                );
            }
            assert_eq!(got.len(), want.len());
        };
        let theirs = |headings: Vec<String>| headings.iter().map(|h| oracle.value(row, h)).collect::<Vec<f64>>();
        let per_joint = |stem: &str| theirs((0..joints).map(|k| format!("{stem}{k}")).collect());
        let grid = |stem: &str, rows: usize, columns: usize, join: &str| {
            theirs(
                (0..rows * columns)
                    .map(|k| format!("{stem}{}{join}{}", k / columns, k % columns))
                    .collect(),
            )
        };
        let axis = |key: &str| {
            pose["axes"]
                .as_array()
                .expect("axes")
                .iter()
                .map(|a| number(&a[key]))
                .collect()
        };
        let tip = ["tip_x", "tip_y", "tip_z"].map(|h| oracle.value(row, h) * 1e3);

        compare("torque", axis("torque_nm"), per_joint("tau"), 1e-9);
        compare("gravity torque", axis("gravity_torque_nm"), per_joint("g"), 1e-9);
        compare(
            "mass matrix",
            numbers(&pose["mass_matrix_kg_m2"]),
            grid("m", joints, joints, "_"),
            1e-9,
        );
        compare(
            "Jacobian",
            numbers(&pose["jacobian_m_rad"]),
            grid("j", 6, joints, "_"),
            1e-9,
        );
        compare("rotation", numbers(&pose["tip_rotation"]), grid("r", 3, 3, ""), 1e-9);
        compare("tip", numbers(&pose["tip_mm"]), tip.to_vec(), 1e-9);
        let apart = distance(&numbers(&pose["core_tip_mm"]), &tip);
        assert!(apart < 0.05, "arm {name} row {row}: the core's tip is {apart} mm off");
        assert!((number(&pose["core_apart_mm"]) - apart).abs() < 1e-6);
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

/// All numbers of an array of numbers or of rows.
fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .map_or_else(|| vec![number(value)], |items| items.iter().flat_map(numbers).collect())
}

fn distance(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

#[test]
fn two_arms_are_posed_as_a_rigid_body_library_poses_them() {
    check_arm("a", 4);
    check_arm("b", 6);
}

#[test]
fn angles_strokes_and_tip_lead_to_each_other() {
    let folder = folder();
    let pose =
        |arguments: &[&str]| json(folder.path(), &[&["pose", "yard digger"], arguments].concat())["poses"][0].clone();
    let axis = |pose: &Value, key: &str| -> Vec<f64> {
        let of = |axis: &Value| {
            if axis[key].is_null() {
                number(&axis["actuator"][key])
            } else {
                number(&axis[key])
            }
        };
        pose["axes"].as_array().expect("axes").iter().map(of).collect()
    };
    let join = |list: &[f64]| list.iter().map(ToString::to_string).collect::<Vec<_>>().join(",");

    let by_angle = pose(&["--angles-deg", "-20,-30,70,25"]);
    let strokes: Vec<f64> = by_angle["axes"]
        .as_array()
        .expect("axes")
        .iter()
        .map(|axis| {
            number(if axis["actuator"]["kind"] == "motor" {
                &axis["actuator"]["stroke_deg"]
            } else {
                &axis["actuator"]["stroke_mm"]
            })
        })
        .collect();
    let by_stroke = pose(&["--strokes-mm", &join(&strokes)]);
    assert!(distance(&axis(&by_stroke, "angle_deg"), &[-20.0, -30.0, 70.0, 25.0]) < 1e-9);
    let tip = numbers(&by_angle["tip_mm"]);
    let by_tip = pose(&["--tip-mm", &join(&tip)]);
    assert!(distance(&numbers(&by_tip["tip_mm"]), &tip) < 1e-5, "{by_tip}");
}

#[test]
fn every_tip_that_is_reached_is_found_again() {
    // Poses at the ends and in the middle of the digger's ranges; which of the poses for a tip comes back is left open.
    let folder = folder();
    let ranges = [
        [-75.0, 0.0, 75.0],
        [-60.0, -12.0, 35.0],
        [20.0, 75.0, 130.0],
        [-30.0, 40.0, 110.0],
    ];
    let mut asked = "q0_deg,q1_deg,q2_deg,q3_deg".to_owned();
    for number in 0..81 {
        let angles = [0, 1, 2, 3].map(|k| ranges[k][number / [1, 3, 9, 27][k] % 3].to_string());
        asked += "\n";
        asked += &angles.join(",");
    }
    fs::write(folder.path().join("angles.csv"), asked).expect("written");
    let tips = |file| -> Vec<Vec<f64>> {
        let report = json(folder.path(), &["pose", "yard digger", "--csv", file]);
        report["poses"]
            .as_array()
            .expect("poses")
            .iter()
            .map(|pose| numbers(&pose["tip_mm"]))
            .collect()
    };
    let by_angles = tips("angles.csv");
    let rows = by_angles
        .iter()
        .map(|tip| tip.iter().map(ToString::to_string).collect::<Vec<_>>().join(","));
    let asked = format!("tip_x_mm,tip_y_mm,tip_z_mm\n{}", rows.collect::<Vec<_>>().join("\n"));
    fs::write(folder.path().join("tips.csv"), asked).expect("written");
    for (by_tip, by_angles) in tips("tips.csv").iter().zip(&by_angles) {
        assert!(distance(by_tip, by_angles) < 1e-5, "{by_tip:?} is not {by_angles:?}");
    }
}

#[test]
fn pressures_carry_the_torque() {
    // Statics: pressure times area times moment arm is the torque (80/45 mm boom cylinder of the digger, tank at 2 bar).
    let folder = folder();
    let report = json(
        folder.path(),
        &[
            "pose",
            "yard-digger",
            "--angles-deg",
            "0,-20,60,20",
            "--payload-kg",
            "100",
        ],
    );
    let boom = &report["poses"][0]["axes"][1];
    let (area_a, area_b) = (
        80.0_f64.powi(2) * std::f64::consts::PI / 4e6,
        (80.0_f64.powi(2) - 45.0_f64.powi(2)) * std::f64::consts::PI / 4e6,
    );
    let force = number(&boom["pressure_a_bar"]) * 1e5 * area_a - number(&boom["pressure_b_bar"]) * 1e5 * area_b;
    let torque = force * number(&boom["actuator"]["moment_arm_mm"]) / 1e3;
    assert!(
        (torque / number(&boom["gravity_torque_nm"]) - 1.0).abs() < 1e-9,
        "{boom}"
    );
    assert!((number(&boom["pressure_b_bar"]) - 2.0).abs() < 1e-9, "{boom}");
}

// ---- rig --------------------------------------------------------------------------------------------------------------------------

#[test]
fn the_single_cylinder_follows_its_reference() {
    let folder = folder();
    let rig = root().join("sim/rigs/single-cylinder.toml");
    let report = json(folder.path(), &["rig", rig.to_str().expect("UTF-8"), "--out", "here"]);
    let ours = Rows::read(&folder.path().join("here/single-cylinder.csv"));
    let reference = Rows::read(&here("data/cylinder-benchmark.csv"));
    assert_eq!(ours.headings, reference.headings);
    assert_eq!(ours.rows.len(), reference.rows.len());
    let column = |rows: &Rows, name| -> Vec<f64> { (0..rows.rows.len()).map(|row| rows.value(row, name)).collect() };
    let off = |name| {
        let pairs = column(&ours, name).into_iter().zip(column(&reference, name));
        pairs.map(|(ours, theirs)| (ours - theirs).abs()).fold(0.0, f64::max)
    };
    let x = column(&reference, "x_m");
    let range = x.iter().copied().fold(f64::MIN, f64::max) - x.iter().copied().fold(f64::MAX, f64::min);
    assert!(off("t_s") < 1e-9);
    assert!(
        off("x_m") / range < 1e-3,
        "position off by {} of its range",
        off("x_m") / range
    );

    assert!((number(&report["stroke_mm"]["end"]) - 1e3 * x[x.len() - 1]).abs() < 1e-3 * 1e3 * range);
    let picture = fs::read_to_string(folder.path().join("here/single-cylinder.svg")).expect("the picture");
    assert!(picture.starts_with("<svg") && picture.trim_end().ends_with("</svg>"));
    for title in ["stroke, mm", "pressure, bar", "spool, share of full travel", "time, s"] {
        assert!(picture.contains(title), "{title}");
    }
    let files: Vec<_> = fs::read_dir(folder.path().join("here")).expect("the folder").collect();
    assert_eq!(files.len(), 2, "nothing but the two files: {files:?}");
}

// ---- survey -----------------------------------------------------------------------------------------------------------------------

#[test]
fn a_survey_counts_what_can_be_counted_by_hand() {
    let folder = folder();
    let survey = json(folder.path(), &["survey", "Yard Digger", "--payload-kg", "200"]);
    let boom = &survey["axes"][1];
    // 80/45 mm, 408 mm, 200 bar over 2 bar, 60 l/min, converter and sensor as in the file.
    let (a, b) = (50.265_482, 34.361_17); // cm²
    let near = |got: &Value, want: f64| assert!((number(got) / want - 1.0).abs() < 1e-6, "{got} is not {want}");
    near(&boom["actuator"]["push_kn"], (200.0 * a - 2.0 * b) / 100.0);
    near(&boom["actuator"]["pull_kn"], (200.0 * b - 2.0 * a) / 100.0);
    near(&boom["actuator"]["pump_mm_s"]["extend"], 60.0 / 60.0 * 1e4 / a);
    near(&boom["actuator"]["pump_mm_s"]["retract"], 60.0 / 60.0 * 1e4 / b);
    near(&boom["actuator"]["travel_mm"], 408.0);
    assert_eq!(survey["without_load_holding_valve"], serde_json::json!([]));
    assert_eq!(survey["too_weak"], serde_json::json!([]));
    // 80 ms to react and 400 ms to stop at 1.6 m/s, and an arm's length of 850 mm.
    near(&survey["separation_mm"], 1600.0 * 0.480 + 850.0);
    let arm = &survey["arms"][0];
    assert!(number(&arm["furthest"]["from_base_mm"]) > number(&arm["nearest"]["from_base_mm"]));
    assert!(number(&arm["highest"]["tip_mm"][2]) > number(&arm["lowest"]["tip_mm"][2]));
    assert!(number(&boom["holding_payload"]["bar"]) > number(&boom["holding"]["bar"]));
    let (bare, payload) = (&boom["natural"], &boom["natural_payload"]);
    assert!(number(&payload["mid_hz"]) < number(&bare["mid_hz"]));
    assert!(number(&bare["least_hz"]) <= number(&bare["mid_hz"]));
    let pictures = survey["lift_picture_files"].as_array().expect("a list");
    let picture = fs::read_to_string(folder.path().join(pictures[0].as_str().expect("a path"))).expect("written");
    assert!(
        pictures.len() == 1 && picture.contains("Calculated, not rated"),
        "{pictures:?}"
    );
}

#[test]
fn an_axis_without_its_load_holding_valve_is_named() {
    let folder = folder();
    fs::write(
        folder.path().join("bare.toml"),
        crate::hydraulic_faults::without_holding("right reach"),
    )
    .expect("written");
    // The turns' own friction holds what an open jaw weighs.
    for (machine, named) in [
        ("drystone-setter", &["left turn", "right turn"][..]),
        ("bare.toml", &["left turn", "right reach", "right turn"]),
    ] {
        let survey = json(folder.path(), &["survey", machine, "--payload-kg", "60"]);
        assert_eq!(survey["without_load_holding_valve"], serde_json::json!(named));
    }
}

#[test]
fn holding_pressure_of_the_survey_is_that_of_the_pose() {
    let folder = folder();
    let survey = json(folder.path(), &["survey", "drystone-setter"]);
    let lift = &survey["axes"][1];
    let angles: Vec<String> = numbers(&lift["holding"]["angles_deg"])
        .iter()
        .map(ToString::to_string)
        .collect();
    let pose = json(
        folder.path(),
        &[
            "pose",
            "drystone-setter",
            "--arm",
            "left",
            "--angles-deg",
            &angles.join(","),
        ],
    );
    let axis = &pose["poses"][0]["axes"][1];
    let bar = number(&axis["pressure_a_bar"]).max(number(&axis["pressure_b_bar"]));
    assert!(
        (bar - number(&lift["holding"]["bar"])).abs() < 1e-6,
        "{bar} against {lift}"
    );
}

#[test]
fn a_payload_that_the_pressure_cannot_hold_fails_the_survey() {
    let folder = folder();
    let output = run(folder.path(), &["survey", "yard digger", "--payload-kg", "5000"], 1);
    let said = String::from_utf8(output.stdout).expect("text");
    assert!(said.contains("Verdict: failed") && said.contains("boom"), "{said}");
}

// ---- The frame --------------------------------------------------------------------------------------------------------------------

#[test]
fn what_people_read_fits_on_a_terminal() {
    let folder = folder();
    for arguments in [
        &["survey", "drystone setter", "--payload-kg", "60"][..],
        &["survey", "yard digger"],
        &["pose", "yard digger", "--angles-deg", "0,-20,60,20"],
        &[
            "rig",
            root().join("sim/rigs/single-cylinder.toml").to_str().expect("UTF-8"),
        ],
        &["--help"],
        &["survey", "--help"],
        &["pose", "--help"],
        &["rig", "--help"],
    ] {
        let said = text(folder.path(), arguments);
        // A path is as long as it is.
        let long: Vec<&str> = said
            .lines()
            .filter(|line| line.chars().count() > 100 && !line.contains('/'))
            .collect();
        assert!(long.is_empty(), "{arguments:?}: {long:#?}");
    }
}

#[test]
fn cautions_stand_beside_the_numbers_and_not_among_them() {
    let folder = folder();
    let output = run(folder.path(), &["survey", "yard digger", "--json"], 0);
    assert!(String::from_utf8_lossy(&output.stderr).contains("makes no machine safe and certifies none"));
    assert!(!String::from_utf8_lossy(&output.stdout).contains("Caution"));
}

#[test]
fn schemas_on_file_are_those_of_the_code() {
    let folder = folder();
    for name in [
        "main",
        "survey",
        "rehearse",
        "pose",
        "prove",
        "prove-repeat",
        "prove-shrink",
        "rig",
        "scope",
        "gauge",
        "signoff",
    ] {
        let path = root().join(format!("sim/schemas/{name}.json"));
        let on_file = fs::read_to_string(&path).unwrap_or_default();
        let now = text(folder.path(), &["schema", name]);
        assert!(
            on_file == now,
            "{name}: `bellcrank schema {name} > sim/schemas/{name}.json` brings it up to date"
        );
    }
}

#[test]
fn every_shell_gets_its_completions() {
    let folder = folder();
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let script = text(folder.path(), &["completions", shell]);
        assert!(script.contains("payload-kg"), "{shell}");
    }
}
