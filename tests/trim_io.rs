//! The test of a valve at the terminals of a machine, both as processes: nothing moves before somebody holds the enabling switch, and everything is off
//! once they let go of it, move a lever, or press stop. Then no machine file is written.

use std::fs;

use crate::linux_io::processes::{Kind, Site};

/// As the plan of the test has it: the stick has room to both sides.
const STANDING: &str = "name = \"standing\"\nabout = \"stands where the stick has room\"\nmachine = \"M\"\nlength_s = 300\nstation = \"seat\"\n\
     mode = \"joint\"\n\n[[start]]\narm = \"digger\"\nangles_deg = [-14.6, -52.4, 85.6, 0.7]\n";

/// The test, begun by somebody who holds the switch, until the valve is opened.
fn begun(site: &mut Site) {
    site.start_trim("stick");
    site.controller.wait(0, "waits for the enabling switch");
    assert_eq!(site.plant.find(0, "valve power on"), None);
    site.plant.say("enable");
    site.controller.wait(0, "extending: ramp");
    site.plant.wait(0, "told: valve power on, dump on, engine on");
}

/// Given up for that reason: everything is off, the exit code says so, and the machine file is as it was.
#[track_caller]
fn given_up(site: &mut Site, before: &str, reason: &str) {
    let (said, _) = site.controller.wait(0, "everything is off");
    assert_eq!(site.controller.end(), Some(1));
    site.plant.wait(0, "told: valve power off, dump off, engine off");
    assert!(
        site.controller.find(0, reason).is_some(),
        "{:#?}",
        site.controller.since(said - 1)
    );
    assert_eq!(fs::read_to_string(site.folder().join("machine.toml")).unwrap(), before);
}

#[test]
fn a_test_at_the_terminals_ends_by_whoever_holds_the_switch() {
    let mut site = Site::new(Kind::Image);
    let before = fs::read_to_string(site.folder().join("machine.toml")).unwrap();
    for (does, reason) in [
        ("release", "given up: the enabling switch is not held"),
        ("lever boom 0.3", "given up: a lever was moved"),
        ("stop", "given up: the core stopped the machine: stop button"),
    ] {
        site.start_plant_standing(STANDING);
        begun(&mut site);
        site.plant.say(does);
        given_up(&mut site, &before, reason);
        site.plant.kill();
    }
}

#[test]
fn a_test_does_not_begin_where_there_is_no_room() {
    let mut site = Site::new(Kind::Image);
    site.start_plant();
    site.start_trim("stick");
    site.controller.wait(0, "waits for the enabling switch");
    site.plant.say("enable");
    site.controller.wait(0, "wanted a pose in which it can");
    assert_eq!(site.controller.end(), Some(2));
    site.plant.wait(0, "told: valve power off, dump off, engine off");
}
