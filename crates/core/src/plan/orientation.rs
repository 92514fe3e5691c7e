//! Frames and rows: which way the hands mean, and what each joint does to the tip.
//!
//! A tip is moved in six rows at most: three of its velocity, along the machine's axes, and as many of turning as the arm has levers
//! for. With four levers the one row of turning is the pitch, about the pitch joint's axis; with five the second is the roll, about the
//! tip's own x axis, of the joints beyond the pitch joint alone: on an upright slewing arm both are then what a spirit level on the
//! load would show, whatever way the arm is slewed. With six levers they are the rates about the machine's y, x and z axes.

use heapless::Vec;

use super::profile::Twist;
use crate::chain::{ArmPose, JointPlace, per_joint};
use crate::inputs::Frame;
use crate::machine::{Arm, JOINTS_MAX, Machine, TIP_LEVERS_MAX};
use crate::math;
use crate::vec3::{Vec3, add, dot, scale};

const UPRIGHT: [Vec3; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

/// Forward, left and up of a frame, and where it starts from, in the machine frame.
pub fn frame(frame: Frame, machine: &Machine, pose: &ArmPose) -> ([Vec3; 3], Vec3) {
    match frame {
        Frame::Machine => (UPRIGHT, [0.0; 3]),
        Frame::Seat => {
            let seat = machine.seat_place();
            let (sin, cos) = math::sin_cos(seat.yaw);
            ([[cos, sin, 0.0], [-sin, cos, 0.0], UPRIGHT[2]], seat.position)
        }
        Frame::Tool => (pose.frame, pose.tip),
    }
}

/// A vector given in a frame, in the machine frame.
pub fn along([forward, left, up]: &[Vec3; 3], v: Vec3) -> Vec3 {
    add(add(scale(*forward, v[0]), scale(*left, v[1])), scale(*up, v[2]))
}

/// The twist for a velocity and rates of pitch, roll and yaw given in a frame.
pub fn twist(arm: &Arm, axes: &[Vec3; 3], velocity: Vec3, [pitch, roll, yaw]: [f32; 3]) -> Twist {
    let [vx, vy, vz] = along(axes, velocity);
    let [a, b, c] = if arm.levers.len() < TIP_LEVERS_MAX {
        [pitch, roll, yaw]
    } else {
        let [wx, wy, wz] = along(axes, [roll, pitch, yaw]);
        [wy, wx, wz]
    };
    [vx, vy, vz, a, b, c]
}

/// What turning about `about` is in each of an arm's rows of turning: what a rate about the machine's axes asks of the tip.
pub fn turning(arm: &Arm, pose: &ArmPose, about: Vec3) -> [f32; 3] {
    match arm.levers.len() {
        TIP_LEVERS_MAX => [about[1], about[0], about[2]],
        5 => [dot(pitch_axis(arm, pose), about), dot(pose.frame[0], about), 0.0],
        _ => [dot(pitch_axis(arm, pose), about), 0.0, 0.0],
    }
}

/// The joints of an arm that move with its tip, counted from the base. A joint beyond the pitch joint stays on its own lever where
/// the arm has no lever for roll.
pub fn joints_moved(arm: &Arm) -> usize {
    if arm.levers.len() > 4 {
        arm.joints.len()
    } else {
        usize::from(arm.pitch_joint).saturating_add(1)
    }
}

/// What each joint does to the rows; nothing for one that does not move with the tip.
pub fn columns(arm: &Arm, pose: &ArmPose) -> Vec<Twist, JOINTS_MAX> {
    let pitch = pitch_axis(arm, pose);
    let beyond = usize::from(arm.pitch_joint).saturating_add(1);
    let moves = pose.joints.iter().zip(pose.point_columns(JOINTS_MAX, pose.tip));
    per_joint(moves.enumerate().map(|(index, (joint, [x, y, z]))| {
        let [a, b, c] = match arm.levers.len() {
            TIP_LEVERS_MAX => turning(arm, pose, joint.about),
            _ if index < beyond => [dot(pitch, joint.about), 0.0, 0.0],
            5 => [0.0, dot(pose.frame[0], joint.about), 0.0],
            _ => return [0.0; 6],
        };
        [x, y, z, a, b, c]
    }))
}

fn pitch_axis(arm: &Arm, pose: &ArmPose) -> Vec3 {
    let joint: Option<&JointPlace> = pose.joints.get(usize::from(arm.pitch_joint));
    joint.map_or([0.0; 3], |joint| joint.about)
}
