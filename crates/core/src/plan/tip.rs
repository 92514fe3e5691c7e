//! Tip jog: levers to tip velocity to joint rates, kept on the line that the levers drew.
//!
//! The tip velocity asked for is ramped, then integrated to the point where the tip should be by now; what the tip is off
//! that point is fed back, so that drifts of single joints do not add up to a bent line. The point never runs further ahead
//! than a short leash, so that nothing is stored up while something else holds the arm back.

use heapless::Vec;

use super::Rates;
use super::dls::{Column, Task, solve};
use crate::chain::{ArmPose, per_joint};
use crate::machine::{Arm, Axis, JOINTS_MAX, Machine};
use crate::math;
use crate::sense::Posture;
use crate::vec3::{Vec3, add, dot, norm, scale, sub};

/// Gain from tip error to tip velocity, 1/s.
const TIP_GAIN: f32 = 2.0;
/// The tip's wanted place is never further than this from where it is, m.
const LEASH_M: f32 = 0.03;
/// The same for its pitch, rad.
const PITCH_LEASH: f32 = 0.05;
/// An axis this near to an end of its stroke (share of it) counts as at its end.
const AT_END: f32 = 0.002;

/// What one arm's jog remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TipJog {
    ramped: Task,
    line: Option<Line>,
}

/// Where the tip should be by now.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Line {
    tip: Vec3,
    /// How far the pitch is behind what was asked, rad.
    pitch_lag: f32,
}

impl TipJog {
    /// Where the tip should be by now, m.
    pub fn wanted_tip(&self) -> Option<Vec3> {
        self.line.map(|line| line.tip)
    }

    /// The velocity at which the levers lead the tip, ramped, m/s.
    pub fn led_velocity(&self) -> Option<Vec3> {
        let [vx, vy, vz, _] = self.ramped;
        self.line.map(|_| [vx, vy, vz])
    }

    /// One tick: the rates of this arm's joints go into `rates`.
    pub fn step(
        &mut self,
        arm: &Arm,
        pose: Option<&ArmPose>,
        machine: &Machine,
        posture: &Posture,
        asked: &Task,
        rates: &mut Rates,
    ) {
        let dt = posture.dt_s();
        self.ramped = ramp(&self.ramped, asked, arm, dt);
        if self.ramped == [0.0; 4] {
            self.line = None;
            return;
        }
        let Some(pose) = pose else {
            *self = Self::default();
            return;
        };
        let columns = columns(arm, pose);
        let task = self.follow(pose, &columns, arm, posture, dt);
        let mut back = task;
        for (back, led) in back.iter_mut().zip(self.ramped) {
            *back -= led;
        }
        let wanted = within_limits(arm, machine, posture, &columns, &task);
        for ((joint, rate), back) in arm.joints.iter().zip(wanted).zip(solve(&columns, &back)) {
            // Joints beyond the pitch joint have empty columns here; their levers' rates stay as they are.
            rates.axes.set(joint.axis, rates.axes.get(joint.axis) + rate);
            rates.corrections.set(joint.axis, back);
        }
    }

    /// The ramped velocity plus what brings the tip back to its line.
    fn follow(&mut self, pose: &ArmPose, columns: &[Column], arm: &Arm, posture: &Posture, dt: f32) -> Task {
        let [vx, vy, vz, pitch] = self.ramped;
        let velocity = [vx, vy, vz];
        let line = self.line.get_or_insert(Line {
            tip: pose.tip,
            pitch_lag: 0.0,
        });

        let ahead = sub(add(line.tip, scale(velocity, dt)), pose.tip);
        let length = norm(ahead);
        let ahead = if length > LEASH_M {
            scale(ahead, LEASH_M / length)
        } else {
            ahead
        };
        line.tip = add(pose.tip, ahead);

        let measured: f32 = arm
            .joints
            .iter()
            .zip(columns)
            .map(|(joint, column)| {
                let now = posture.axes.get(joint.axis);
                if now.ratio == 0.0 {
                    0.0
                } else {
                    column[3] * now.rate / now.ratio
                }
            })
            .sum();
        line.pitch_lag = math::clamp(line.pitch_lag + (pitch - measured) * dt, -PITCH_LEASH, PITCH_LEASH);

        let [cx, cy, cz] = add(velocity, scale(ahead, TIP_GAIN));
        [cx, cy, cz, pitch + TIP_GAIN * line.pitch_lag]
    }
}

/// Takes the task velocity towards what is asked, all rows along one straight line, at most full speed in `tip_ramp`.
fn ramp(last: &Task, asked: &Task, arm: &Arm, dt: f32) -> Task {
    let share = |row: usize| if row < 3 { arm.tip_speed } else { arm.pitch_rate };
    let mut largest = 0.0;
    for (row, (from, to)) in last.iter().zip(asked).enumerate() {
        largest = math::max(largest, math::abs(to - from) / share(row));
    }
    let step = dt / arm.tip_ramp;
    let mut ramped = *asked;
    // Within reach it lands on the asked velocity exactly, so that zero is zero.
    if largest > step {
        let part = step / largest;
        for (to, from) in ramped.iter_mut().zip(last) {
            *to = from + (*to - from) * part;
        }
    }
    ramped
}

/// What each joint up to the pitch joint does to tip and pitch; joints beyond it are left to their own levers.
fn columns(arm: &Arm, pose: &ArmPose) -> Vec<Column, JOINTS_MAX> {
    let pitch_joint = usize::from(arm.pitch_joint);
    let pitch_axis = pose.joints.get(pitch_joint).map_or([0.0; 3], |joint| joint.about);
    let moves = pose.joints.iter().zip(pose.point_columns(JOINTS_MAX, pose.tip));
    per_joint(moves.enumerate().map(|(index, (joint, [x, y, z]))| {
        if index > pitch_joint {
            [0.0; 4]
        } else {
            [x, y, z, dot(pitch_axis, joint.about)]
        }
    }))
}

/// Joint rates for a task. Joints that would leave their range are held and the rest asked again, for the tip's way alone; all are
/// slowed alike where one would have to be faster than it can.
fn within_limits(
    arm: &Arm,
    machine: &Machine,
    posture: &Posture,
    columns: &[Column],
    task: &Task,
) -> Vec<f32, JOINTS_MAX> {
    let mut free = per_joint(columns.iter().copied());
    let mut rates = solve(&free, task);
    for _ in 0..JOINTS_MAX {
        let mut held = false;
        for ((joint, rate), column) in arm.joints.iter().zip(&mut rates).zip(&mut free) {
            let now = posture.axes.get(joint.axis);
            let Some(axis) = machine.axis(joint.axis) else { continue };
            if *rate != 0.0 && leaves_range(axis, now.stroke, *rate * now.ratio) {
                *column = [0.0; 4];
                held = true;
            }
        }
        if !held {
            break;
        }
        // With a joint less, the way comes before the pitch.
        for column in &mut free {
            column[3] = 0.0;
        }
        rates = solve(&free, &[task[0], task[1], task[2], 0.0]);
    }
    let mut slowdown = 1.0;
    for (joint, rate) in arm.joints.iter().zip(&rates) {
        let Some(axis) = machine.axis(joint.axis) else { continue };
        let asked = rate * posture.axes.get(joint.axis).ratio;
        slowdown = math::max(slowdown, math::abs(asked) / axis.valve.full_rate.toward(asked));
    }
    for rate in &mut rates {
        *rate /= slowdown;
    }
    rates
}

fn leaves_range(axis: &Axis, stroke: f32, rate: f32) -> bool {
    let (low, high) = axis.stroke;
    let near = AT_END * (high - low);
    (rate > 0.0 && stroke > high - near) || (rate < 0.0 && stroke < low + near)
}
