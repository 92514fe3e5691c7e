//! What the machine files say of reaction and braking, held to the plant: each axis of both built-in machines at full speed, then let go.
//!
//! The guard takes an axis to need `v reaction + v² / (2 braking)` to come to rest from v. Here is measured what it needs from the moment at which the
//! hand lets go, both ways, empty and with the rated load at the tip, in poses in which gravity helps and hinders.

use std::path::Path;

use bellcrank_machine::description::{Description, Guard};
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario::{self, Act, Hand, Scenario};
use bellcrank_sim::trace::Sample;

/// For how long the hand pushes the lever at most, and when it lets go, s.
const LONGEST_PUSH_S: f64 = 0.9;
const RELEASE_S: f64 = 1.9;
const LENGTH_S: f64 = 3.2;
/// An axis no faster than this share of its full rate has not been under way.
const UNDER_WAY: f64 = 0.2;

/// A machine whose guard has nothing to keep from: it is the axes that are looked at here.
fn unguarded(name: &str) -> Description {
    let machine = bellcrank_machine::read(name, bellcrank_machine::builtin(name).unwrap()).unwrap();
    Description {
        zones: Vec::new(),
        guard: Guard::default(),
        carrier: None,
        ..machine
    }
}

/// How far it went on from where it was let go, before it came to rest or swung back, and how fast it was then. None where it was not under way.
fn stopping(scenario: &Scenario, axis: usize) -> Option<(f64, f64)> {
    let trace = rehearse(scenario, 1).unwrap();
    let at = |t: f64| -> &Sample { trace.samples.iter().find(|sample| sample.t >= t - 1e-6).unwrap() };
    let from = &at(RELEASE_S).axes[axis];
    let full = scenario.machine.axes[axis].drive.full_rate;
    let speed = from.rate.abs();
    (speed > UNDER_WAY * full.0.min(full.1)).then(|| {
        let after = trace.samples.iter().filter(|sample| sample.t >= RELEASE_S);
        let further = after.map(|sample| (sample.axes[axis].stroke - from.stroke) * from.rate.signum());
        (further.fold(0.0, f64::max), speed)
    })
}

#[test]
fn no_axis_needs_more_than_its_machine_file_says() {
    // Angles of one arm, deg, in which it can move both ways: reached out, and folded.
    let digger: [&[f64]; 2] = [&[0.0, -45.0, 80.0, 30.0], &[20.0, -20.0, 60.0, 20.0]];
    let setter: [&[f64]; 2] = [
        &[20.0, -40.0, 70.0, 40.0, 0.0, 30.0],
        &[30.0, -50.0, 100.0, 0.0, 30.0, 30.0],
    ];
    for (name, poses) in [("yard digger", digger), ("drystone setter", setter)] {
        let machine = std::sync::Arc::new(unguarded(name));
        let mut loosest = f64::INFINITY;
        for (axis, described) in machine.axes.iter().enumerate().take(poses[0].len()) {
            let mut measured = 0;
            // Not so long that it gets to the end of its range.
            let push = LONGEST_PUSH_S.min(0.35 * described.actuator.travel / described.drive.full_rate.0);
            for (pose, loaded) in [(0, true), (1, false)] {
                for share in [-1.0, 1.0] {
                    let mut scenario = base(name, &machine, poses[pose], loaded);
                    let hand = |at, act| Hand { at, act };
                    scenario.hands = vec![
                        hand(0.3, Act::Enable(true)),
                        hand(RELEASE_S - push, Act::Lever { axis, share }),
                        hand(RELEASE_S, Act::Neutral),
                    ];
                    let Some((needed, speed)) = stopping(&scenario, axis) else {
                        continue;
                    };
                    measured += 1;
                    let believed = speed * machine.timing.reaction + speed * speed / (2.0 * described.drive.braking);
                    loosest = loosest.min(believed / needed);
                    println!(
                        "{name} {:12} pose {pose} {share:+}: {:.1} of {:.1}, share {:.2}",
                        described.name,
                        needed * 1e3,
                        believed * 1e3,
                        needed / believed
                    );
                    assert!(
                        needed <= believed,
                        "{name}, {}: needs {needed} from {speed}, believed to need {believed}",
                        described.name
                    );
                }
            }
            assert!(measured >= 2, "{name}: {} was hardly under way", described.name);
        }
        println!("{name}: {loosest}");
    }
}

/// A rehearsal of a machine in a pose, nothing done yet.
fn base(name: &str, machine: &std::sync::Arc<Description>, degrees: &[f64], loaded: bool) -> Scenario {
    let (arm, payload) = (&machine.arms[0], &machine.arms[0].payload);
    let text = format!(
        "name = \"stopping\"\nabout = \"one axis\"\nmachine = \"{name}\"\nlength_s = {LENGTH_S}\nstation = \"seat\"\nmode = \"joint\"\n[expect]\nstate = \"enabled\"\n"
    );
    let read = scenario::parse("stopping", &text, Path::new("")).unwrap();
    let mut start: Vec<f64> = machine
        .axes
        .iter()
        .map(|axis| 0.5 * (axis.joint.range.0 + axis.joint.range.1))
        .collect();
    // The other arm out of the way.
    if let [_, other] = &machine.arms[..] {
        start[other.axes[0]] = (-50.0_f64).to_radians();
    }
    for (&axis, angle) in arm.axes.iter().chain(&arm.grip).zip(degrees) {
        start[axis] = angle.to_radians();
    }
    Scenario {
        machine: std::sync::Arc::clone(machine),
        start,
        payloads: if loaded {
            vec![scenario::Load {
                arm: 0,
                mass: *payload,
                from: 0.0,
                until: None,
            }]
        } else {
            Vec::new()
        },
        ..read
    }
}
