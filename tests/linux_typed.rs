//! What can be typed: bad input is told and moves nothing, `--check` and `--show` write nothing.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::command::{bellcrank, program};
use crate::linux_io::processes::{Kind, Site};

fn controller(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(program("bellcrank-linux"));
    command
        .current_dir(folder)
        .env("NO_COLOR", "1")
        .args(arguments)
        .output()
        .expect("it runs")
}

/// Ends with an exit code, and says this.
#[track_caller]
fn ends(output: &Output, code: i32, said: &str) {
    let text = format!(
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(
        output.status.code() == Some(code) && text.contains(said),
        "wanted {code} and {said:?}:\n{text}"
    );
}

#[test]
fn bad_input_is_told_and_moves_nothing() {
    let site = Site::new(Kind::Image);
    let folder = site.folder();
    let mapping = fs::read_to_string(folder.join("mapping.toml")).unwrap();
    let write = |name: &str, text: &str| fs::write(folder.join(name), text).unwrap();
    ends(
        &controller(folder, &["none"]),
        2,
        "wanted a mapping file or one of the built-in mappings: yard-digger-image",
    );
    ends(&controller(folder, &["mapping.toml"]), 2, "cannot be opened");
    write("lacks.toml", &mapping.replace("reset = { byte = 0, bit = 2 }\n", ""));
    ends(
        &controller(folder, &["lacks.toml"]),
        2,
        "panel / reset: found nothing, wanted a table",
    );
    write("image", "");
    let pad = "kind = \"pad\"\nenable = \"right_trigger\"\nstop = \"start\"\n";
    let levers: String = ["left_x", "left_y", "right_x", "right_y"]
        .iter()
        .enumerate()
        .fold(String::new(), |text, (lever, axis)| {
            text + &format!("[station.remote.lever.{lever}]\naxis = \"{axis}\"\n")
        });
    let seat = &mapping[..mapping.find("[station.remote]").unwrap()];
    write("pad.toml", &format!("{seat}[station.remote]\n{pad}{levers}"));
    ends(&controller(folder, &["pad.toml", "--check"]), 0, "fits the yard digger");
    ends(&controller(folder, &["pad.toml"]), 2, "built without `--features pads`");
    assert_eq!(fs::read(folder.join("image")).unwrap(), b"", "nothing has been written");

    let plant = |arguments: &[&str]| bellcrank().current_dir(folder).args(arguments).output().unwrap();
    ends(
        &plant(&["plant", "--io", "lacks.toml"]),
        2,
        "panel / reset: found nothing",
    );
    ends(
        &plant(&["plant", "--io", "mapping.toml", "--scenario", "wrong-lever"]),
        2,
        "found the machine \"drystone setter\", wanted \"yard digger\"",
    );
    ends(
        &plant(&["plant", "--io", "pad.toml", "--for-s", "0.1"]),
        0,
        "at the terminals of",
    );
}

#[test]
fn a_packed_image_is_taken_where_it_is_of_that_very_machine_file() {
    let site = Site::new(Kind::Image);
    let folder = site.folder();
    for (machine, name) in [("machine.toml", "right.img"), ("yard-digger", "other.img")] {
        let packed = bellcrank()
            .current_dir(folder)
            .args(["pack", machine, "--out", name])
            .output()
            .unwrap();
        ends(&packed, 0, "");
    }
    ends(
        &controller(folder, &["mapping.toml", "--check", "--image", "right.img"]),
        0,
        "fits the yard digger",
    );
    let other = controller(folder, &["mapping.toml", "--check", "--image", "other.img"]);
    ends(&other, 2, "found the image of another machine file");
    let mut bytes = fs::read(folder.join("right.img")).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(folder.join("damaged.img"), bytes).unwrap();
    let damaged = controller(folder, &["mapping.toml", "--check", "--image", "damaged.img"]);
    ends(&damaged, 2, "no image that can be run");
}

#[test]
fn live_readings_are_shown_and_nothing_is_written() {
    for kind in [Kind::Image, Kind::Modbus] {
        let mut site = Site::new(kind);
        site.start_plant();
        let from = site.plant.count();
        let shown = controller(site.folder(), &["mapping.toml", "--show", "--for-s", "0.4"]);
        for line in [
            "stop chain, channel 2              closed",
            "key, turned to work                closed",
            "contact of valve power             open",
            "seat, lever 3",
            "Caution: nothing is written",
        ] {
            ends(&shown, 0, line);
        }
        let text = String::from_utf8_lossy(&shown.stdout).into_owned();
        let boom = text.lines().find(|line| line.starts_with("boom ")).unwrap();
        assert!(
            boom.contains(" V") && boom.ends_with(" mm") && boom.contains("24"),
            "{boom}"
        );
        assert!(
            text.lines()
                .any(|line| line.starts_with("slew ") && line.ends_with("80.0 deg")),
            "{text}"
        );
        assert_eq!(
            site.plant.find(from, "watchdog"),
            None,
            "it would have noticed a writer"
        );
    }
}
