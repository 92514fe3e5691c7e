//! Trimming: least squares against certified values, and what is put into a machine file. `cargo xtask trim` has the random valves.

use bellcrank_sim::trim::fit::{linear, nonlinear};
use bellcrank_sim::trim::write::changed;
use nalgebra::DMatrix;

#[test]
fn only_the_drive_changes_and_the_file_can_still_be_read() {
    let text = bellcrank_machine::builtin("yard-digger").unwrap();
    let machine = bellcrank_machine::read("yard-digger.toml", text).unwrap();
    let mut drive = machine.axes[1].drive.clone();
    drive.deadband = (0.1234, 0.0567);
    let new = changed("yard-digger.toml", text, &machine, &[(1, drive)], "2026-01-31").unwrap();
    let read = bellcrank_machine::read("yard-digger.toml", &new).unwrap();
    assert_eq!(read.axes[1].drive.deadband, (0.1234, 0.0567));
    assert_eq!(read.axes[2], machine.axes[2]);
    let kept: Vec<&str> = text.lines().filter(|line| !new.contains(*line)).collect();
    assert!(kept.is_empty(), "lost: {kept:?}");
    assert_eq!(new.lines().count(), text.lines().count() + 1);
}
