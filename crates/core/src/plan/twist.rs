//! From what a tip is asked to do to the rates of its joints, within what the joints can.

use heapless::Vec;

use super::Sight;
use super::dls::solve_each;
use super::orientation::{columns, joints_moved};
use super::profile::{Twist, zip};
use crate::chain::{ArmPose, per_joint};
use crate::machine::{Arm, Axis, JOINTS_MAX, Machine, TIP_LEVERS_MAX};
use crate::math;
use crate::sense::Posture;

/// An axis this near to an end of its stroke (share of it) counts as at its end.
const AT_END: f32 = 0.002;
/// A joint to spare keeps out of this share of its stroke at each end.
const NEAR_END: f32 = 0.15;
/// How fast it is brought out of there: shares of its stroke a second, for each share that it is in.
const AWAY_PER_S: f32 = 1.0;

/// Rates for the joints of an arm, rad/s, in their order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct JointRates {
    /// As asked, were the axes as fast as one likes.
    pub rates: Vec<f32, JOINTS_MAX>,
    /// How much of that brings the tip back to its line.
    pub back: Vec<f32, JOINTS_MAX>,
    /// By how much all must be slowed for the slowest to keep up, 1 or more.
    pub slowdown: f32,
}

/// Joint rates for a tip that is led and brought back to its line. Joints to spare are used to keep clear of the ends of their strokes. A
/// joint that would leave its range is held and the rest asked again: for the tip's way and pitch if it turns the tool alone, else for
/// its way alone.
pub fn joint_rates(sight: &Sight, arm: &Arm, pose: &ArmPose, led: &Twist, back: &Twist) -> JointRates {
    let (machine, posture) = (sight.machine, sight.posture);
    let twist = &zip(led, back, |led, back| led + back);
    let mut free = columns(arm, pose);
    let rows = arm.levers.len();
    let tasks = [twist, back];
    let [mut rates, mut back] = rates_of(rows, &free, tasks);
    if joints_moved(arm) > rows {
        rates = spare(arm, machine, posture, &free, twist);
    }
    let mut rows = rows;
    for _ in 0..JOINTS_MAX {
        let mut held = false;
        let joints = arm.joints.iter().zip(&mut rates).zip(&mut free);
        for (index, ((joint, rate), column)) in joints.enumerate() {
            let now = posture.axes.get(joint.axis);
            let Some(axis) = machine.axis(joint.axis) else { continue };
            if *rate != 0.0 && leaves_range(axis, now.stroke, *rate * now.ratio) {
                *column = [0.0; 6];
                held = true;
                let beyond_pitch = index > usize::from(arm.pitch_joint) && rows < TIP_LEVERS_MAX;
                rows = if beyond_pitch { rows.min(4) } else { 3 };
            }
        }
        if !held {
            break;
        }
        [rates, back] = rates_of(rows, &free, tasks);
    }
    let mut slowdown = 1.0;
    for (joint, rate) in arm.joints.iter().zip(&rates) {
        let Some(axis) = machine.axis(joint.axis) else { continue };
        let asked = rate * posture.axes.get(joint.axis).ratio;
        slowdown = math::max(slowdown, math::abs(asked) / axis.valve.full_rate.toward(asked));
    }
    JointRates { rates, back, slowdown }
}

/// Rates for the first so many rows, for each of some tasks.
pub fn rates_of<const TASKS: usize>(
    rows: usize,
    columns: &[Twist],
    tasks: [&Twist; TASKS],
) -> [Vec<f32, JOINTS_MAX>; TASKS] {
    match rows {
        0..=3 => rates_in::<3, TASKS>(columns, tasks),
        4 => rates_in::<4, TASKS>(columns, tasks),
        5 => rates_in::<5, TASKS>(columns, tasks),
        _ => solve_each(columns, tasks),
    }
}

fn rates_in<const ROWS: usize, const TASKS: usize>(
    columns: &[Twist],
    tasks: [&Twist; TASKS],
) -> [Vec<f32, JOINTS_MAX>; TASKS] {
    let cut = |rows: &Twist| {
        let mut kept = [0.0; ROWS];
        for (kept, row) in kept.iter_mut().zip(rows) {
            *kept = *row;
        }
        kept
    };
    let tasks = tasks.map(cut);
    solve_each(&per_joint(columns.iter().map(cut)), tasks.each_ref())
}

/// The rates with joints to spare: what each would like to do, and what of the twist that does not do already. For any wish `h`,
/// `h + J⁺ (x - J h)` does what is asked, and of `h` what does not move the tip (Liégeois 1977; *from memory*).
fn spare(arm: &Arm, machine: &Machine, posture: &Posture, columns: &[Twist], twist: &Twist) -> Vec<f32, JOINTS_MAX> {
    let moved = joints_moved(arm);
    let wishes = per_joint(arm.joints.iter().take(moved).map(|joint| {
        let now = posture.axes.get(joint.axis);
        machine
            .axis(joint.axis)
            .filter(|_| now.ratio != 0.0)
            .map_or(0.0, |axis| away(axis, now.stroke) / now.ratio)
    }));
    let mut left = *twist;
    for (column, wish) in columns.iter().zip(&wishes) {
        left = zip(&left, column, |left, column| left - column * wish);
    }
    let [rates] = rates_of(arm.levers.len(), columns, [&left]);
    per_joint(rates.iter().zip(&wishes).map(|(rate, wish)| rate + wish))
}

/// The stroke rate that brings an axis away from an end that it is near.
fn away(axis: &Axis, stroke: f32) -> f32 {
    let (low, high) = axis.stroke;
    let length = high - low;
    let share = (stroke - low) / length;
    let short = math::max(NEAR_END - share, 0.0) - math::max(share - (1.0 - NEAR_END), 0.0);
    AWAY_PER_S * length * short
}

fn leaves_range(axis: &Axis, stroke: f32, rate: f32) -> bool {
    let (low, high) = axis.stroke;
    let near = AT_END * (high - low);
    (rate > 0.0 && stroke > high - near) || (rate < 0.0 && stroke < low + near)
}
