//! Inverse kinematics: random poses judged in f64, textbook arms, and what must be refused.

#![allow(
    clippy::cast_possible_truncation,
    reason = "narrowing to what the core is given is what is tested"
)]

use bellcrank_core::chain::ArmPose;
use bellcrank_core::linkage::Linkage;
use bellcrank_core::machine::{AxisId, Joint, JointAxis, Machine};
use bellcrank_core::plan::inverse::{FACING_ERROR, Facing, Inverse, TIP_ERROR, Target, Unreachable};
use bellcrank_tests::poses::{PosedArm, turned};
use nalgebra::{Isometry3, Rotation3, Vector3};

use crate::check::parts;

const POSES: usize = 2_000;

/// How the answers to one arm's random poses were.
#[derive(Debug, Default)]
struct Tally {
    reached: usize,
    refused: usize,
    wrong: usize,
    tip_off: f64,
    facing_off: f64,
}

/// A tip frame's three unit vectors, in the core's numbers.
fn frame(tip: &Isometry3<f64>) -> [[f32; 3]; 3] {
    [Vector3::x(), Vector3::y(), Vector3::z()].map(|axis| narrow(tip.rotation * axis))
}

fn narrow(v: Vector3<f64>) -> [f32; 3] {
    [v.x as f32, v.y as f32, v.z as f32]
}

fn wide(angles: &[f32]) -> Vec<f64> {
    angles.iter().copied().map(f64::from).collect()
}

/// Up in a tip's own frame.
fn up(tip: &Isometry3<f64>) -> Vector3<f64> {
    tip.rotation.inverse() * Vector3::z()
}

/// The facing that is asked for, and by how much an answer's is off it, rad.
fn asked(facing: &str, tip: &Isometry3<f64>) -> (Facing, impl Fn(&Isometry3<f64>) -> f64) {
    let asked = match facing {
        "free" => Facing::Free,
        "up" => Facing::Up(narrow(up(tip))),
        _ => Facing::Frame(frame(tip)),
    };
    let wanted = *tip;
    (asked, move |found: &Isometry3<f64>| match asked {
        Facing::Free => 0.0,
        Facing::Up(_) => up(found).angle(&up(&wanted)),
        Facing::Frame(_) => turned(found, &wanted),
    })
}

fn tally(arm: &PosedArm, facing: &str) -> Tally {
    let machine = bellcrank_machine::build(&arm.machine).unwrap();
    let core = &machine.arms()[arm.index];
    let inverse = Inverse::new(&machine, core).unwrap();
    let middle: Vec<f32> = arm.middle().iter().map(|angle| *angle as f32).collect();
    let mut tally = Tally::default();
    for angles in arm.random(POSES) {
        let wanted = arm.tip(angles);
        let (facing, facing_off) = asked(facing, &wanted);
        let target = Target {
            tip: narrow(wanted.translation.vector),
            facing,
        };
        match inverse.solve(&middle, &target) {
            Err(_) => tally.refused += 1,
            Ok(found) => {
                let within = arm.joints().zip(&found).all(|(joint, &angle)| {
                    let (low, high) = joint.range;
                    (low - 4e-6..=high + 4e-6).contains(&f64::from(angle))
                });
                let tip = arm.tip(wide(&found));
                let tip_off = (tip.translation.vector - wanted.translation.vector).norm();
                let facing_off = facing_off(&tip);
                if within && tip_off <= f64::from(TIP_ERROR) && facing_off <= f64::from(FACING_ERROR) {
                    tally.reached += 1;
                } else {
                    tally.wrong += 1;
                }
                tally.tip_off = tally.tip_off.max(tip_off);
                tally.facing_off = tally.facing_off.max(facing_off);
            }
        }
    }
    tally
}

/// 99.9 % of the poses within reach are reached, and none is answered wrongly: beyond the stated error, or outside a range. The stated
/// error is well within 1 mm and 0.1 degree.
#[test]
fn random_poses_within_reach_are_reached() {
    assert!(TIP_ERROR <= 1e-3 && FACING_ERROR <= 0.1_f32.to_radians());
    for arm in PosedArm::all() {
        for facing in ["free", "up", "frame"] {
            let tally = tally(&arm, facing);
            let told = format!("{}, {facing}: {tally:?}", arm.name);
            assert!(tally.reached * 1000 >= POSES * 999, "{told}");
            assert_eq!(tally.reached + tally.refused, POSES, "{told}");
        }
    }
}

/// An arm that is solved in closed form gets the nearest of its ways: none of those found from elsewhere is nearer.
#[test]
fn the_nearest_way_is_taken() {
    let mut ways = 0;
    for arm in PosedArm::all().into_iter().take(4) {
        let machine = bellcrank_machine::build(&arm.machine).unwrap();
        let inverse = Inverse::new(&machine, &machine.arms()[arm.index]).unwrap();
        let poses = arm.random(60);
        for (wanted, from) in poses.iter().zip(&poses[20..]) {
            let (facing, _) = asked("up", &arm.tip(wanted.iter().copied()));
            let tip = narrow(arm.tip(wanted.iter().copied()).translation.vector);
            let answer = |from: &[f64]| {
                let from: Vec<f32> = from.iter().map(|angle| *angle as f32).collect();
                wide(&inverse.solve(&from, &Target { tip, facing }).unwrap())
            };
            let apart = |a: &[f64]| a.iter().zip(from).map(|(a, b)| (a - b).powi(2)).sum::<f64>();
            let nearest = apart(&answer(from));
            for elsewhere in poses.iter().chain([wanted]) {
                let other = apart(&answer(elsewhere));
                assert!(nearest <= other + 1e-4, "{}: {nearest} {other}", arm.name);
                ways += usize::from(other > nearest + 1e-2);
            }
        }
    }
    assert!(ways > 100, "only {ways} other ways: nothing to choose from");
}

/// A grip that points straight down, or nearly: a pose of every day, in which slew and turn do the same.
#[test]
fn a_tool_that_stands_on_end() {
    let [_, arm, ..] = PosedArm::all();
    let machine = bellcrank_machine::build(&arm.machine).unwrap();
    let inverse = Inverse::new(&machine, &machine.arms()[arm.index]).unwrap();
    let from: Vec<f32> = arm.middle().iter().map(|angle| *angle as f32).collect();
    let (low, high) = arm.joints().nth(3).unwrap().range;
    let mut looks = 0;
    for (number, mut angles) in arm.random(POSES).into_iter().enumerate() {
        let off_upright = [0.0, 1e-8, 1e-6, -1e-5, 1e-4, -1e-3, 1e-2][number % 7];
        angles[3] = std::f64::consts::FRAC_PI_2 - angles[1] - angles[2] + off_upright;
        if angles[3] < low || angles[3] > high {
            continue;
        }
        looks += 1;
        let wanted = arm.tip(angles);
        for facing in ["up", "frame"] {
            let (facing, facing_off) = asked(facing, &wanted);
            let tip = narrow(wanted.translation.vector);
            let found = inverse.solve(&from, &Target { tip, facing }).unwrap();
            let tip = arm.tip(wide(&found));
            assert!((tip.translation.vector - wanted.translation.vector).norm() <= f64::from(TIP_ERROR));
            assert!(facing_off(&tip) <= f64::from(FACING_ERROR));
        }
    }
    assert!(looks > POSES / 4, "{looks}");
}

/// A pose that an arm is in is answered by that pose.
#[test]
fn where_it_is_it_stays() {
    for arm in PosedArm::all() {
        let machine = bellcrank_machine::build(&arm.machine).unwrap();
        let core = &machine.arms()[arm.index];
        let inverse = Inverse::new(&machine, core).unwrap();
        for angles in arm.random(200) {
            let from: Vec<f32> = angles.iter().map(|angle| *angle as f32).collect();
            let target = Target::of(&ArmPose::new(core, from.iter().copied()));
            let found = inverse.solve(&from, &target).unwrap();
            for (found, was) in found.iter().zip(&from) {
                assert!((found - was).abs() < 2e-3, "{}: {found} {was}", arm.name);
            }
        }
    }
}

/// The bench's machine with one arm of these joints, each of any angle within a turn either way.
fn with_arm(joints: &[(JointAxis, [f32; 3])]) -> Machine {
    let mut parts = parts();
    parts.axes[0].linkage = Linkage::Direct { zero: -6.3 };
    parts.axes[0].stroke = (0.0, 12.6);
    parts.arms[0].base = [0.0; 3];
    let like = parts.arms[0].joints[0];
    parts.arms[0].joints = joints
        .iter()
        .map(|&(about, link)| Joint {
            axis: AxisId::new(0).unwrap(),
            about,
            link,
            ..like
        })
        .collect();
    Machine::new(parts).unwrap()
}

/// An arm of links in one line, all in one plane. The textbooks count angles upwards from x in the plane (x, y); ours goes down, so their
/// y is -z here.
fn planar(links: &[f32]) -> Machine {
    let joints: Vec<_> = links.iter().map(|&link| (JointAxis::Y, [link, 0.0, 0.0])).collect();
    with_arm(&joints)
}

fn solve(machine: &Machine, from: &[f32], tip: [f32; 3], facing: Facing) -> Result<Vec<f64>, Unreachable> {
    let inverse = Inverse::new(machine, &machine.arms()[0]).unwrap();
    inverse.solve(from, &Target { tip, facing }).map(|angles| wide(&angles))
}

fn assert_degrees(found: &[f64], wanted: &[f64]) {
    for (found, wanted) in found.iter().zip(wanted) {
        assert!((found.to_degrees() - wanted).abs() < 1e-3, "{found} rad, {wanted} deg");
    }
}

/// Source: two links of 1 m to (1, 1), both branches; (2.0001, 0) is refused (Craig, Introduction to Robotics, ch. 4, named from
/// memory); PV-12.
#[test]
fn textbook_two_link_arm() {
    let machine = planar(&[1.0, 1.0]);
    let to = |from: &[f32], x, y: f32| solve(&machine, from, [x, 0.0, -y], Facing::Free);
    assert_degrees(&to(&[0.1, 1.0], 1.0, 1.0).unwrap(), &[0.0, 90.0]);
    assert_degrees(&to(&[1.4, -1.0], 1.0, 1.0).unwrap(), &[90.0, -90.0]);
    assert_eq!(to(&[0.0, 0.0], 2.0001, 0.0), Err(Unreachable::TooFar));
}

/// Source: three links of 4, 3, 2 (Craig, 3rd ed., ch. 4 computer exercise, cases ii to iv): both branches of two poses, and one
/// that is out of reach; PV-14, PV-15. Scaled to half, as the stated error is for arms of up to 4 m.
#[test]
fn textbook_three_link_arm() {
    let machine = planar(&[2.0, 1.5, 1.0]);
    let to = |from: [f32; 3], x: f32, y: f32, pitch: f32| {
        let facing = Facing::level(pitch.to_radians(), 0.0);
        let from = from.map(f32::to_radians);
        solve(&machine, &from, [x / 2.0, 0.0, -y / 2.0], facing)
    };
    for (pose, branches) in [
        (
            (7.537307, 3.926644, 60.0),
            [[10.0, 20.0, 30.0], [27.1141, -20.0, 52.8859]],
        ),
        ((-3.0, 2.0, 270.0), [[90.0, 90.0, 90.0], [163.7398, -90.0, 196.2602]]),
    ] {
        let (x, y, pitch) = pose;
        for branch in branches {
            let near = branch.map(|angle| angle as f32 + 3.0);
            assert_degrees(&to(near, x, y, pitch).unwrap(), &branch);
        }
    }
    assert_eq!(to([0.0; 3], -3.1245, 9.1674, -30.0), Err(Unreachable::TooFar));
}

/// A wrist 0.2 mm beyond the stretched links, in any direction and with any facing: none of 2,000 is answered. (With a roll joint such
/// a pose may have another way, upside down.)
#[test]
fn a_little_too_far_is_too_far() {
    const BEYOND: f64 = 2e-4;
    let [digger, _, _, check_arm, _] = PosedArm::all();
    for arm in [digger, check_arm] {
        let machine = bellcrank_machine::build(&arm.machine).unwrap();
        let inverse = Inverse::new(&machine, &machine.arms()[arm.index]).unwrap();
        let middle: Vec<f32> = arm.middle().iter().map(|angle| *angle as f32).collect();
        for mut angles in arm.random(POSES) {
            angles[2] = 0.0;
            let tip = arm.tip(angles.iter().copied());
            let stick = Rotation3::from_axis_angle(&Vector3::z_axis(), angles[0])
                * Rotation3::from_axis_angle(&Vector3::y_axis(), angles[1]);
            let tip_beyond = tip.translation.vector + stick * (BEYOND * Vector3::x());
            for facing in ["up", "frame"] {
                let (facing, _) = asked(facing, &tip);
                let target = Target {
                    tip: narrow(tip_beyond),
                    facing,
                };
                let found = inverse.solve(&middle, &target);
                assert!(
                    matches!(found, Err(Unreachable::TooFar | Unreachable::Range(_))),
                    "{}: {found:?}",
                    arm.name
                );
            }
        }
    }
}

/// The digger's ranges leave it one way to a pose: with a joint 2 to 20 degrees outside its range, there is none.
#[test]
fn beyond_a_range_is_refused() {
    let [arm, ..] = PosedArm::all();
    let machine = bellcrank_machine::build(&arm.machine).unwrap();
    let inverse = Inverse::new(&machine, &machine.arms()[0]).unwrap();
    let middle: Vec<f32> = arm.middle().iter().map(|angle| *angle as f32).collect();
    let mut named = 0;
    for (number, mut angles) in arm.random(POSES).into_iter().enumerate() {
        let joint = number % 4;
        let outside = (2.0 + 18.0 * (number as f64 / POSES as f64)).to_radians();
        let (low, high) = arm.joints().nth(joint).unwrap().range;
        angles[joint] = if number % 8 < 4 { low - outside } else { high + outside };
        let tip = arm.tip(angles);
        let (facing, _) = asked("up", &tip);
        let target = Target {
            tip: narrow(tip.translation.vector),
            facing,
        };
        let found = inverse.solve(&middle, &target);
        assert!(matches!(found, Err(Unreachable::Range(_))), "{joint}: {found:?}");
        named += usize::from(found == Err(Unreachable::Range(joint as u8)));
    }
    assert!(named > POSES / 2, "the joint was named {named} times only");
}

#[test]
fn each_refusal_says_why() {
    let unequal = planar(&[2.0, 1.0]);
    let to = |tip, facing| solve(&unequal, &[0.1, 0.2], tip, facing);
    assert_eq!(to([0.9, 0.0, 0.0], Facing::Free), Err(Unreachable::TooNear));
    assert_eq!(to([2.0, 0.1, 0.0], Facing::Free), Err(Unreachable::Aside));
    assert_eq!(to([2.0, 0.0, 0.0], Facing::level(3.0, 0.0)), Err(Unreachable::Facing));
    assert_eq!(to([2.0, f32::NAN, 0.0], Facing::Free), Err(Unreachable::NoPose));
    assert_eq!(to([2.0, 0.0, 0.0], Facing::Up([0.0; 3])), Err(Unreachable::NoPose));
    let mirrored = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, -1.0]];
    assert_eq!(to([2.0, 0.0, 0.0], Facing::Frame(mirrored)), Err(Unreachable::NoPose));
    assert_eq!(
        solve(&unequal, &[0.1], [2.0, 0.0, 0.0], Facing::Free),
        Err(Unreachable::NoPose)
    );

    let [digger, .., six] = PosedArm::all();
    let machine = bellcrank_machine::build(&digger.machine).unwrap();
    let to = |tip, facing| solve(&machine, &[0.0, 0.0, 1.0, 0.0], tip, facing);
    assert_eq!(to([3.0, 0.0, 0.5], Facing::level(0.5, 0.3)), Err(Unreachable::Facing));
    // Another heading than its column can give it there.
    let pose = ArmPose::new(&machine.arms()[0], [0.3, -0.4, 1.0, 0.2]);
    let headed = |by: f32| {
        let (sin, cos) = by.sin_cos();
        Facing::Frame(pose.frame.map(|[x, y, z]| [cos * x - sin * y, sin * x + cos * y, z]))
    };
    assert!(to(pose.tip, headed(0.0)).is_ok());
    assert_eq!(to(pose.tip, headed(0.2)), Err(Unreachable::Facing));
    assert_eq!(to(pose.tip, headed(std::f32::consts::PI)), Err(Unreachable::Facing));

    // Straight down, 2.2 m below a shoulder from which the links measure 2.15 m.
    let machine = bellcrank_machine::build(&six.machine).unwrap();
    let base = narrow(six.base());
    let below = [base[0], base[1], base[2] - 2.2];
    assert_eq!(
        solve(&machine, &[0.0; 6], below, Facing::Free),
        Err(Unreachable::NoConvergence)
    );
}

/// A telescope, which no closed form here knows: reached by steps, the slide within its range too.
#[test]
fn an_arm_that_slides() {
    let machine = with_arm(&[
        (JointAxis::Z, [0.2, 0.0, 0.3]),
        (JointAxis::Y, [1.0, 0.0, 0.0]),
        (JointAxis::AlongX, [0.5, 0.0, 0.0]),
    ]);
    let arm = &machine.arms()[0];
    for angles in [[0.3, -0.4, 0.7], [1.0, 0.6, 1.4], [-2.0, 0.1, 0.2]] {
        let wanted = ArmPose::new(arm, angles).tip;
        let found = solve(&machine, &[0.0, 0.0, 0.5], wanted, Facing::Free).unwrap();
        let tip = ArmPose::new(arm, found.iter().map(|angle| *angle as f32)).tip;
        let off = tip.iter().zip(wanted).map(|(a, b)| (a - b).powi(2)).sum::<f32>().sqrt();
        assert!(off <= TIP_ERROR, "{off}");
    }
}
