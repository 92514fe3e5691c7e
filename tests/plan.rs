//! Planning: where the hands' levers lead a tip, and what it keeps to on the way.

#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "narrowing to what the core is given is meant"
)]

use bellcrank_core::inputs::{Frame, Mode};
use bellcrank_core::machine::{AxisId, Machine};
use bellcrank_core::plan::Rates;
use bellcrank_core::supervise::Action;
use nalgebra::{Matrix3, Rotation3, Vector3};
use proptest::prelude::*;

use crate::ideal::{Ideal, builtin};

const LEFT: &[f64] = &[-15.0, -20.0, 70.0, 40.0, 20.0];
const RIGHT: &[f64] = &[-30.0, -40.0, 100.0, 20.0, 0.0];

fn setter() -> Machine {
    builtin("drystone setter")
}

/// The setter, its seat turned to the left by 30 degrees.
fn turned_seat() -> Machine {
    let text = bellcrank_machine::builtin("drystone setter").unwrap();
    let turned = text.replace("yaw_deg = 0", "yaw_deg = 30");
    assert_ne!(text, turned);
    bellcrank_machine::build(&bellcrank_machine::read("setter", &turned).unwrap()).unwrap()
}

/// An arm of six joints with a lever for each row.
fn six() -> Machine {
    let mut description = bellcrank_tests::cases::OracleArm::named("b").machine;
    description.arms[0].levers = (0..6).collect();
    bellcrank_machine::build(&description).unwrap()
}

const BENT: &[f64] = &[10.0, -40.0, 80.0, 15.0, 30.0, -20.0];

/// What is stated of a jogged tip: on ideal axes within 1 mm of the straight line that its levers draw.
const OFF_LINE: f64 = 1e-3;

fn off(way: Vector3<f64>, direction: Vector3<f64>) -> f64 {
    (way - direction * way.dot(&direction)).norm()
}

/// Pushes the levers for two seconds, lets go, and returns the way that the tip went; it must be straight.
#[track_caller]
fn straight(bench: &mut Ideal, arm: usize, shares: [f32; 3]) -> Vector3<f64> {
    let from = bench.tip(arm);
    let mut tips = Vec::new();
    bench.push(arm, &shares);
    bench.run(2.0, |bench| tips.push(bench.tip(arm)));
    bench.let_go();
    bench.run(2.0, |bench| tips.push(bench.tip(arm)));
    let way = bench.tip(arm) - from;
    let worst = tips
        .iter()
        .map(|tip| off(tip - from, way.normalize()))
        .fold(0.0, f64::max);
    assert!(worst < OFF_LINE, "{worst} m off its line");
    way
}

#[test]
fn forward_left_and_up_are_those_of_the_frame() {
    let machine = turned_seat();
    let yaw = Rotation3::from_axis_angle(&Vector3::z_axis(), 30_f64.to_radians());
    for shares in [[0.4, 0.0, 0.0], [0.0, -0.4, 0.0], [0.0, 0.0, 0.3], [0.3, 0.3, -0.3]] {
        let wanted = Vector3::from(shares.map(f64::from)).normalize();
        for frame in [Frame::Machine, Frame::Seat, Frame::Tool] {
            let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
            bench.hand.frame = frame;
            let wanted = match frame {
                Frame::Machine => wanted,
                Frame::Seat => yaw * wanted,
                Frame::Tool => bench.facing(0) * wanted,
            };
            if frame == Frame::Tool {
                // The tool turns as the arm slews, and its way with it: only the first of it is straight.
                let from = bench.tip(0);
                bench.push(0, &shares);
                bench.run(0.3, |_| {});
                let way = bench.tip(0) - from;
                assert!(way.normalize().dot(&wanted) > 0.999, "{shares:?}: {way:?}");
            } else {
                let way = straight(&mut bench, 0, shares);
                assert!(
                    way.norm() > 0.1 && off(way, wanted) < OFF_LINE,
                    "{frame:?} {shares:?}: {way:?}"
                );
            }
        }
    }
}

/// The load stays level: pitch and roll as they were while the tip goes across, whatever way the arm is slewed then.
#[test]
fn a_load_is_kept_level() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    let level = |bench: &Ideal| bench.facing(0).row(2).into_owned();
    let before = level(&bench);
    straight(&mut bench, 0, [-0.2, 0.6, 0.3]);
    let turned = (bench.joint(0, 0) + 15.0).abs();
    assert!(
        turned > 10.0,
        "the arm slewed by {turned} degrees only: that says nothing"
    );
    let tilted = (level(&bench) - before).norm().to_degrees();
    assert!(tilted < 0.1, "tilted by {tilted} degrees");
    assert!((bench.joint(0, 4) - 20.0).abs() < 0.05);
}

/// With six joints and six levers the whole orientation is held, and turns about the frame's own axes with the tip where it was.
#[test]
fn six_joints_hold_and_turn_the_tip_in_all_three_ways() {
    let machine = six();
    let mut bench = Ideal::new(&machine, &[BENT]);
    let before = bench.facing(0);
    straight(&mut bench, 0, [0.15, 0.2, 0.2]);
    let turned = |bench: &Ideal, before: &Matrix3<f64>| Rotation3::from_matrix(&(bench.facing(0) * before.transpose()));
    assert!(turned(&bench, &before).angle().to_degrees() < 0.1);

    for (lever, about) in [(4, Vector3::x()), (3, Vector3::y()), (5, Vector3::z())] {
        let mut bench = Ideal::new(&machine, &[BENT]);
        let (before, tip) = (bench.facing(0), bench.tip(0));
        let mut shares = [0.0; 6];
        shares[lever] = 0.3;
        bench.push(0, &shares);
        bench.run(1.0, |_| {});
        let turned = turned(&bench, &before);
        assert!(turned.angle().to_degrees() > 3.0);
        assert!(turned.axis().unwrap().dot(&about) > 0.999, "{lever}: {turned:?}");
        assert!((bench.tip(0) - tip).norm() < OFF_LINE);
    }
}

/// Six joints, four rows: the joint to spare keeps clear of the end that it started near, and the tip goes straight all the same. One
/// beyond the pitch joint that has no lever is nobody's to move.
#[test]
fn a_joint_to_spare_keeps_clear_of_its_end() {
    let mut description = bellcrank_tests::cases::OracleArm::named("b").machine;
    description.arms[0].levers.truncate(4);
    let machine = bellcrank_machine::build(&description).unwrap();
    let mut bench = Ideal::new(&machine, &[&[10.0, -40.0, 80.0, 80.0, 30.0, -84.0]]);
    straight(&mut bench, 0, [0.15, 0.2, 0.2]);
    assert!(bench.joint(0, 3) < 70.0, "{}", bench.joint(0, 3));
    assert_eq!(bench.joint(0, 5), -84.0);
}

#[test]
fn the_roll_lever_rolls_the_tip_and_moves_nothing_else() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    let before = bench.angles.clone();
    bench.push(0, &[0.0, 0.0, 0.0, 0.0, -0.5]);
    bench.run(1.0, |_| {});
    assert!(bench.joint(0, 4) < 15.0);
    for (joint, before) in before.iter().enumerate().take(4) {
        assert!((bench.joint(0, joint) - before.to_degrees()).abs() < 0.05);
    }
}

/// Tip speed for a lever, once the ramp is through: dead zone, curve, cap and slow mode, worked out by hand for the bench machine.
#[test]
fn levers_are_shaped() {
    let mut parts = crate::check::parts();
    parts.seat.expo = 0.4;
    parts.seat.speed_cap = 0.5;
    let machine = Machine::new(parts).unwrap();
    for (share, slow, wanted) in [
        (0.05, false, 0.0),
        // Half of what is beyond the dead zone: (0.6 x 0.5 + 0.4 x 0.125) x 0.5 of 0.5 m/s.
        (0.525, false, 0.0875),
        (-0.525, false, -0.0875),
        (1.0, false, 0.25),
        (1.0, true, 0.0625),
    ] {
        let mut bench = Ideal::new(&machine, &[]);
        bench.hand.slow = slow;
        bench.push(0, &[0.0, 0.0, share]);
        bench.run(0.5, |_| {});
        let led = bench.rates.tip_velocities[0].map_or(0.0, |v| v[2]);
        assert!((led - wanted).abs() < 1e-6, "{share}: {led}, wanted {wanted}");

        let mut bench = Ideal::new(&machine, &[]);
        bench.hand.mode = Mode::Joint;
        bench.hand.slow = slow;
        bench.hand.levers[0] = bellcrank_core::units::Lever::new(share).unwrap();
        bench.tick();
        let (_, rate) = bench.rates.axes.iter().next().unwrap();
        assert!((rate - wanted).abs() < 1e-6, "{share}: {rate} rad/s, wanted {wanted}");
    }
}

/// A tip that was pushed off its line is brought back to it after the levers are let go, and then nothing is asked any more.
#[test]
fn the_line_is_kept_until_the_tip_has_settled_on_it() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    bench.push(0, &[0.0, 0.0, 0.5]);
    bench.run(2.0, |_| {});
    bench.let_go();
    while bench.rates.tip_velocities[0] != Some([0.0; 3]) {
        bench.tick();
    }
    bench.angles[2] += 0.01;
    let pushed = bench.rates.tips[0].unwrap();
    let off = |bench: &Ideal| (bench.tip(0) - Vector3::from(pushed.map(f64::from))).norm();
    let before = off(&bench);
    assert!(before > 5e-3);
    bench.tick();
    let asked = bench.rates.axes.get(AxisId::new(2).unwrap());
    let all_of_it = bench.rates.corrections == bench.rates.axes;
    assert!(asked != 0.0 && all_of_it, "{asked}: nothing else is wanted by now");
    bench.run(1.2, |_| {});
    assert!(off(&bench) < 0.25 * before, "{} of {before}", off(&bench));
    assert_eq!(bench.rates.tips, [None; 2]);
    assert!(bench.rates.axes.iter().all(|(_, rate)| rate == 0.0));
}

/// The rates are as smooth as the ramp: no step in them at the lever's push or release.
#[test]
fn rates_have_no_steps() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    let mut last = [0.0_f32; 14];
    let mut largest = 0.0_f32;
    let mut look = |bench: &Ideal| {
        for ((_, rate), last) in bench.rates.axes.iter().zip(&mut last) {
            largest = largest.max((rate - *last).abs());
            *last = rate;
        }
    };
    bench.push(0, &[0.0, 0.2, 0.6]);
    bench.run(1.5, &mut look);
    bench.let_go();
    bench.run(1.5, &mut look);
    // At the ramp's steepest the tip gains 300 mm/s x 0.6 in 0.225 s: 1.6 mm/s a tick, of joints that take it some 2 rad/m.
    assert!(largest < 6e-3, "{largest} rad/s in a tick");
}

#[test]
fn without_a_permit_it_asks_for_nothing_and_forgets() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    bench.push(0, &[0.5, 0.0, 0.5]);
    bench.run(0.5, |_| {});
    bench.action = Action::RampDown;
    bench.tick();
    let nothing = Rates {
        stamp: bench.rates.stamp,
        ..Rates::default()
    };
    assert_eq!(bench.rates, nothing);
    bench.let_go();
    bench.action = Action::Drive;
    bench.tick();
    assert_eq!(bench.rates, nothing);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// No axis is asked for more than its full rate, wherever the arms are and whatever the levers do: the bench looks at every tick.
    #[test]
    fn no_rate_is_above_the_axis_full_rate(
        shares in prop::collection::vec(-1.0_f32..=1.0, 14),
        places in prop::collection::vec(0.02_f32..=0.98, 14),
        frame in prop::sample::select(vec![Frame::Machine, Frame::Seat, Frame::Tool]),
        mode in prop::sample::select(vec![Mode::Joint, Mode::Tip, Mode::Carry]),
    ) {
        let machine = setter();
        let mut bench = Ideal::new(&machine, &[]);
        for ((_, axis), (place, angle)) in machine.axes().zip(places.iter().zip(&mut bench.angles)) {
            let stroke = axis.stroke.0 + place * (axis.stroke.1 - axis.stroke.0);
            *angle = f64::from(axis.linkage.angle(stroke).unwrap());
        }
        bench.hand.frame = frame;
        bench.hand.mode = mode;
        for (lever, share) in bench.hand.levers.iter_mut().zip(shares) {
            *lever = bellcrank_core::units::Lever::new(share).unwrap();
        }
        for _ in 0..100 {
            bench.tick();
            // The ends of the ranges are the guard's.
            let within = machine.axes().zip(&bench.angles).all(|((_, axis), angle)| {
                axis.linkage.stroke(*angle as f32).is_ok_and(|stroke| stroke >= axis.stroke.0 && stroke <= axis.stroke.1)
            });
            if !within {
                break;
            }
        }
    }
}
