//! Plan: what the hands ask for, as joint rates.
//!
//! Takes the [`Permit`], the [`Posture`] and the hand control in charge; gives [`Rates`]; holds each arm's shaped lever
//! command and the line its tip is on. In joint mode a lever asks for a share of its axis's full stroke rate; in tip mode the
//! levers of an arm ask for a tip velocity, and the joints follow by damped least squares. Without a permit to drive it asks
//! for nothing and forgets where it was going.

mod dls;
pub mod inverse;
mod tip;

use crate::inputs::{HandFrame, Inputs, Mode};
use crate::machine::{ARMS_MAX, Arm, Axis, AxisId, Machine, PerAxis};
use crate::sense::{AxisPosture, Posture};
use crate::supervise::{Action, Permit};
use crate::vec3::Vec3;

use dls::Task;
use tip::TipJog;

/// Wanted joint rates, rad/s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Rates {
    /// Per axis.
    pub axes: PerAxis<f32>,
    /// Where the tip of each arm should be by now, m; none while nothing leads it along a line.
    pub tips: [Option<Vec3>; ARMS_MAX],
    /// The velocity at which the levers lead the tip of each arm, after the ramp, m/s; none while nothing leads it.
    pub tip_velocities: [Option<Vec3>; ARMS_MAX],
    /// The arms hold one load between them: what slows one must slow all alike.
    pub together: bool,
}

/// What planning remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Plan {
    arms: [TipJog; ARMS_MAX],
}

impl Plan {
    /// One tick of planning.
    pub fn step(&mut self, machine: &Machine, posture: &Posture, permit: &Permit, inputs: &Inputs) -> Rates {
        let mut rates = Rates::default();
        if permit.action != Action::Drive {
            *self = Self::default();
            return rates;
        }
        let hand = inputs.hand(permit.station);
        for (id, axis) in machine.axes() {
            if hand.mode == Mode::Joint || !moved_by_tip(machine, id) {
                rates
                    .axes
                    .set(id, joint_rate(axis, &posture.axes.get(id), hand, permit));
            }
        }
        for ((index, arm), jog) in machine.arms().iter().enumerate().zip(&mut self.arms) {
            match hand.mode {
                Mode::Joint => *jog = TipJog::default(),
                Mode::Tip => jog.step(
                    arm,
                    posture.arm(index),
                    machine,
                    posture,
                    &tip_asked(arm, hand, permit),
                    &mut rates,
                ),
            }
        }
        rates.tips = self.arms.each_ref().map(TipJog::wanted_tip);
        rates.tip_velocities = self.arms.each_ref().map(TipJog::led_velocity);
        rates
    }
}

/// One lever, one actuator: a share of its full stroke rate, turned into a joint rate.
fn joint_rate(axis: &Axis, now: &AxisPosture, hand: &HandFrame, permit: &Permit) -> f32 {
    let Some(lever) = axis.lever else { return 0.0 };
    if !now.known || now.ratio == 0.0 {
        return 0.0;
    }
    let share = hand.lever(lever, permit.limits.dead_zone) * permit.limits.speed_cap;
    share * axis.valve.full_rate.toward(share) / now.ratio
}

/// The tip velocity that the levers of an arm ask for: forward, left, up (m/s), pitch (rad/s).
fn tip_asked(arm: &Arm, hand: &HandFrame, permit: &Permit) -> Task {
    let lever = |number| hand.lever(number, permit.limits.dead_zone) * permit.limits.speed_cap;
    let [forward, left, up, pitch] = arm.levers.map(lever);
    [
        forward * arm.tip_speed,
        left * arm.tip_speed,
        up * arm.tip_speed,
        pitch * arm.pitch_rate,
    ]
}

/// A joint that tip mode moves: one of an arm's that can move or pitch the tip. A grip, and a roll about the tool itself
/// beyond the pitch joint, stay on their own levers.
fn moved_by_tip(machine: &Machine, id: AxisId) -> bool {
    machine.arms().iter().any(|arm| {
        arm.joints
            .iter()
            .take(usize::from(arm.pitch_joint).saturating_add(1))
            .any(|joint| joint.axis == id)
    })
}
