//! The core's f32 kinematics against a general-purpose rigid-body library.

use bellcrank_core::chain::ArmPose;
use bellcrank_tests::cases::OracleArm;
use bellcrank_tests::poses::PosedArm;
use nalgebra::Vector3;

#[allow(
    clippy::cast_possible_truncation,
    reason = "narrowing to what the core is given is what is tested"
)]
fn narrow(angles: &[f64]) -> Vec<f32> {
    angles.iter().map(|angle| *angle as f32).collect()
}

/// Source: arm-oracle-a.csv and -b.csv, made with Pinocchio 4.1.0 (Featherstone, Rigid Body Dynamics Algorithms, 2008) and checked
/// from first principles; `data/README.md`. Bounds: what `chain` states.
#[test]
fn tip_and_jacobian_of_both_oracle_arms() {
    for name in ["a", "b"] {
        let OracleArm { machine, rows, .. } = OracleArm::named(name);
        let machine = bellcrank_machine::build(&machine).unwrap();
        let arm = &machine.arms()[0];
        let joints = arm.joints.len();
        assert_eq!(rows.rows.len(), 50);
        let (mut tip_off, mut jacobian_off) = (0.0_f64, 0.0_f64);
        for row in 0..50 {
            let pose = ArmPose::new(arm, narrow(&rows.vector(row, "q", joints)));
            let tip = ["tip_x", "tip_y", "tip_z"].map(|h| rows.value(row, h));
            let jacobian = rows.grid(row, "j", (3, joints), "_");
            for (found, wanted) in pose.tip.iter().zip(tip) {
                tip_off = tip_off.max((f64::from(*found) - wanted).abs());
            }
            for (column, found) in pose.point_columns(usize::MAX, pose.tip).enumerate() {
                for (r, found) in found.iter().enumerate() {
                    let wanted = jacobian[r * joints + column];
                    jacobian_off = jacobian_off.max((f64::from(*found) - wanted).abs());
                }
            }
        }
        assert!(tip_off < 1e-5, "arm {name}: tip off by {tip_off} m");
        assert!(jacobian_off < 1e-5, "arm {name}: Jacobian off by {jacobian_off} m/rad");
    }
}

/// Tip and frame of every arm there is, in 2,000 poses each, against the chain in f64; the angles are rounded first, which is not the chain's
/// error. Bounds: what `chain` states.
#[test]
fn tip_and_frame_in_random_poses() {
    for arm in PosedArm::all() {
        let machine = bellcrank_machine::build(&arm.machine).unwrap();
        let core = &machine.arms()[arm.index];
        let (mut tip_off, mut frame_off) = (0.0_f64, 0.0_f64);
        for angles in arm.random(2_000) {
            let angles = narrow(&angles);
            let wanted = arm.tip(angles.iter().copied().map(f64::from));
            let found = ArmPose::new(core, angles);
            tip_off = tip_off.max((Vector3::from(found.tip.map(f64::from)) - wanted.translation.vector).norm());
            for (found, axis) in found.frame.iter().zip([Vector3::x(), Vector3::y(), Vector3::z()]) {
                frame_off = frame_off.max((Vector3::from(found.map(f64::from)) - wanted.rotation * axis).norm());
            }
        }
        assert!(tip_off < 1e-5, "{}: tip off by {tip_off} m", arm.name);
        assert!(frame_off < 1e-6, "{}: frame off by {frame_off}", arm.name);
    }
}

/// Source: planar three-link arm of 4, 3, 2 m (Craig, Introduction to Robotics, ch. 3 computer exercise); PV-13. Scaled to half, so
/// that its links are of the size that the core's bound is stated for.
#[test]
fn textbook_three_link_arm() {
    use crate::check::parts;
    use bellcrank_core::machine::{AxisId, Joint, JointAxis};
    let mut parts = parts();
    let joint = |link| Joint {
        axis: AxisId::new(0).unwrap(),
        about: JointAxis::Z,
        link: [link, 0.0, 0.0],
        radius: 0.0,
        cylinder: None,
        mass: 0.0,
        centre: [0.0; 3],
    };
    parts.arms[0].base = [0.0; 3];
    parts.arms[0].joints = [joint(2.0), joint(1.5), joint(1.0)].into_iter().collect();
    for (degrees, x, y) in [
        ([0.0_f32, 0.0, 0.0], 9.0, 0.0),
        ([10.0, 20.0, 30.0], 7.537307, 3.926644),
        ([90.0, 90.0, 90.0], -3.0, 2.0),
    ] {
        let tip = ArmPose::new(&parts.arms[0], degrees.map(f32::to_radians)).tip;
        assert!(
            (f64::from(tip[0]) - x / 2.0).abs() < 1e-5 && (f64::from(tip[1]) - y / 2.0).abs() < 1e-5,
            "{tip:?}"
        );
    }
}
