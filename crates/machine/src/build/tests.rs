//! What the core gets of a description, and what is none.

use bellcrank_core::units::seconds;

use super::*;
use crate::{BUILTIN, builtin, read};

#[test]
fn the_core_takes_the_built_in_machines() {
    for (name, _) in BUILTIN {
        let description = read(name, builtin(name).unwrap()).unwrap();
        let machine = build(&description).unwrap();
        assert!(
            (f64::from(seconds(machine.timing().tick)) - description.timing.tick).abs() < 1e-9,
            "{name}"
        );
        assert_eq!(machine.axes().count(), description.axes.len());
    }
}

/// Over the whole stroke of every axis: the errors that the core states for its linkages, and a ratio that is nearer than that.
#[test]
fn core_and_host_agree_on_every_linkage() {
    const STEPS: u16 = 500;
    for (name, _) in BUILTIN {
        let description = read(name, builtin(name).unwrap()).unwrap();
        let machine = build(&description).unwrap();
        for (axis, (_, core)) in description.axes.iter().zip(machine.axes()) {
            let geometry = Geometry::of(axis).unwrap();
            let near = |got: f32, expect: f64, tolerance: f64| {
                let difference = (f64::from(got) - expect).abs();
                assert!(difference <= tolerance, "{name}, {}: {got} against {expect}", axis.name);
            };
            let mut before = None;
            for i in 0..=STEPS {
                let share = f32::from(i) / f32::from(STEPS);
                let stroke = core.stroke.0 + (core.stroke.1 - core.stroke.0) * share;
                let angle = geometry.angle(f64::from(stroke)).unwrap();
                let found = core.linkage.angle(stroke).unwrap();
                near(found, angle, 2e-6);
                near(core.linkage.stroke(single(angle)).unwrap(), f64::from(stroke), 1e-6);
                let ratio = geometry.ratio(angle).unwrap();
                near(core.linkage.ratio(single(angle)).unwrap(), ratio, 2e-5 * ratio.abs());
                if let Some(before) = before.replace(found) {
                    assert_eq!(found > before, ratio > 0.0, "{name}, {}: at {stroke}", axis.name);
                }
            }
        }
    }
}

#[test]
fn what_cannot_be_built_says_why() {
    let good = read("f", builtin("yard-digger").unwrap()).unwrap();
    let check = |spoil: fn(&mut Description), expect: &str| {
        let mut bad = good.clone();
        spoil(&mut bad);
        assert_eq!(build(&bad).unwrap_err().to_string(), expect);
    };
    check(|d| d.arms[0].axes[0] = 9, "axis number 9 does not exist");
    check(
        |d| d.arms = vec![d.arms[0].clone(); 3],
        "more arms than the core has room for",
    );
    check(
        |d| d.axes[0].drive.full_rate.0 = f64::NAN,
        "the core refuses it: axis 0: Valve is not usable",
    );
    check(
        |d| d.axes[1].joint.range.1 = 3.0,
        "axis \"boom\": the cylinder is at its dead centre, or past it",
    );
}
