//! The main job and `rehearse`, run as a user runs them.

use std::fs;

use serde_json::Value;

use crate::command::{json, run};

#[test]
fn the_main_job_surveys_rehearses_judges_and_writes_one_page() {
    let folder = tempfile::tempdir().unwrap();
    let output = run(folder.path(), &["--json"], 0);
    let said: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(said["surveys"].as_array().unwrap().len(), 3);
    let rehearsals = said["rehearsals"].as_array().unwrap();
    assert_eq!(rehearsals.len(), 12);
    for found in rehearsals {
        assert_eq!(found["passed"], true, "{found:#}");
        let checks = found["checks"].as_array().unwrap();
        assert!(checks.iter().any(|check| check["what"] == "nearest to a zone"));
    }
    assert!(
        String::from_utf8(output.stderr)
            .unwrap()
            .contains("makes no machine safe"),
        "the cautions"
    );

    let page = fs::read_to_string(folder.path().join("out/report.html")).unwrap();
    for found in rehearsals {
        assert!(page.contains(found["scenario"].as_str().unwrap()));
        assert!(page.contains(found["digest"].as_str().unwrap()));
    }
    assert!(page.len() < 3_000_000, "{} bytes", page.len());
    for outside in ["http://", "https://", "src=", "@import", "url("] {
        // The name of a namespace, and patterns of the page itself.
        let found = page.replace("http://www.w3.org/2000/svg", "").replace("url(#", "");
        assert!(
            !found.contains(outside),
            "the page asks for something outside: {outside}"
        );
    }
    assert_eq!(
        fs::read_dir(folder.path().join("out")).unwrap().count(),
        1,
        "one page and nothing else"
    );
}

#[test]
fn a_rehearsal_can_be_repeated_from_what_it_prints() {
    let folder = tempfile::tempdir().unwrap();
    let first = json(folder.path(), &["rehearse", "lost-radio-link", "--seed", "5"]);
    let repeat = first["findings"]["repeat"].as_str().unwrap();
    let words: Vec<&str> = repeat.split_whitespace().collect();
    assert_eq!(words[0], "bellcrank");
    let record = fs::read(folder.path().join(first["csv_file"].as_str().unwrap())).unwrap();
    let second = json(folder.path(), &words[1..]);
    assert_eq!(first, second);
    assert!(
        record == fs::read(folder.path().join(second["csv_file"].as_str().unwrap())).unwrap(),
        "the same bytes"
    );
    assert!(
        first["events"]
            .as_array()
            .unwrap()
            .iter()
            .any(|event| event["what"] == "link lost")
    );
}

#[test]
fn a_scenario_whose_expectation_fails_ends_with_one() {
    let folder = tempfile::tempdir().unwrap();
    let text = include_str!("../sim/scenarios/lost-radio-link.toml").replace("noticed_ms = 200", "noticed_ms = 20");
    fs::write(folder.path().join("hasty.toml"), text).unwrap();
    let output = run(folder.path(), &["rehearse", "hasty.toml"], 1);
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(
        said.contains("FAIL lost radio link: noticed after: found 130 ms, wanted at most 20 ms"),
        "{said}"
    );
    assert!(said.contains("bellcrank rehearse hasty.toml --seed 1"), "{said}");
}

/// What can go wrong with a sensor that has a supply, a twin or a bus before it: each named for what it is, and the arm stopped.
#[test]
fn each_fault_of_a_sensor_is_noticed_for_what_it_is() {
    let built_in = include_str!("../sim/scenarios/broken-sensor-wire.toml");
    let start = built_in.find("[[fault]]").unwrap();
    for (fault, axis, cause) in [
        (
            "kind = \"excitation_sag\"\nto_v = 7.5",
            "left lift",
            "sensor supply out of its band",
        ),
        (
            "kind = \"twin_drift\"\ndrift_percent_s = 50",
            "left lift",
            "sensors differ",
        ),
        ("kind = \"twin_open\"", "left lift", "second sensor lost"),
        ("kind = \"sensor_stale\"", "left reach", "sensor reading too old"),
        ("kind = \"sensor_open\"", "left reach", "sensor below its band"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let scenario = format!(
            "{}[[fault]]\nat_s = 3.0\n{fault}\naxis = \"{axis}\"\n\n[expect]\ncause = \"{cause}\"\naxis = \"{axis}\"\nnoticed_ms = 200\nstopped_ms = 1000\nstate = \"fault\"\n",
            &built_in[..start]
        );
        fs::write(folder.path().join("fault.toml"), scenario).unwrap();
        let said = json(folder.path(), &["rehearse", "fault.toml"]);
        assert_eq!(said["findings"]["passed"], true, "{fault}: {said:#}");
    }
}
