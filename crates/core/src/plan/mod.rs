//! Plan: what the hands ask for, as joint rates.
//!
//! Takes the [`Permit`], the [`Posture`] and the hand control in charge; gives [`Rates`]; holds each arm's shaped lever
//! command and the line its tip is on. In joint mode a lever asks for a share of its axis's full stroke rate; in tip mode the
//! levers of an arm ask for a tip velocity, and the joints follow by damped least squares. Without a permit to drive it asks
//! for nothing and forgets where it was going.
//!
//! What is stated, and held by the tests: no rate is above its axis's full rate, times the station's cap and slow share in joint mode.

mod dls;
mod line;
mod orientation;
mod profile;
mod tip;
mod twist;

use crate::chain::ArmPose;
use crate::inputs::{HandFrame, Inputs, Mode};
use crate::machine::{ARMS_MAX, Arm, Axis, AxisId, Machine, PerAxis};
use crate::sense::{AxisPosture, Posture};
use crate::supervise::{Action, Permit};
use crate::vec3::Vec3;

use orientation::{frame, joints_moved, twist};
use profile::Twist;
use tip::TipJog;

/// Wanted joint rates, rad/s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Rates {
    /// Per axis.
    pub axes: PerAxis<f32>,
    /// The arms hold one load between them: what slows one must slow all alike.
    pub together: bool,
    /// Where the tip of each arm should be by now, m; none while nothing leads it along a line.
    pub tips: [Option<Vec3>; ARMS_MAX],
    /// The velocity at which the tip of each arm is led, after the ramp, m/s; none while nothing leads it.
    pub tip_velocities: [Option<Vec3>; ARMS_MAX],
}

impl Rates {
    /// Adds to the rates of an arm's joints, from the base. A joint that does not move with the tip keeps that of its own lever.
    fn add(&mut self, arm: &Arm, rates: impl Iterator<Item = f32>) {
        for (joint, rate) in arm.joints.iter().zip(rates) {
            self.axes.set(joint.axis, self.axes.get(joint.axis) + rate);
        }
    }
}

/// What planning remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Plan {
    arms: [TipJog; ARMS_MAX],
}

/// All that one tick of planning looks at.
#[derive(Clone, Copy)]
struct Sight<'t> {
    machine: &'t Machine,
    posture: &'t Posture,
    permit: &'t Permit,
    hand: &'t HandFrame,
}

impl Plan {
    /// One tick of planning.
    pub fn step(&mut self, machine: &Machine, posture: &Posture, permit: &Permit, inputs: &Inputs) -> Rates {
        let mut rates = Rates::default();
        if permit.action != Action::Drive {
            *self = Self::default();
            return rates;
        }
        let sight = Sight {
            machine,
            posture,
            permit,
            hand: inputs.hand(permit.station),
        };
        for (id, axis) in machine.axes() {
            if sight.hand.mode == Mode::Joint || !moved_by_tip(machine, id) {
                rates.axes.set(id, sight.joint_rate(axis, &posture.axes.get(id)));
            }
        }
        for ((index, arm), jog) in machine.arms().iter().enumerate().zip(&mut self.arms) {
            match (sight.hand.mode, posture.arm(index)) {
                (Mode::Tip | Mode::Carry, Some(pose)) => jog.step(&sight, arm, pose, &mut rates),
                _ => *jog = TipJog::default(),
            }
        }
        rates.tips = self.arms.each_ref().map(TipJog::wanted_tip);
        rates.tip_velocities = self.arms.each_ref().map(TipJog::led_velocity);
        rates
    }
}

impl Sight<'_> {
    /// How far a lever is pushed, -1 to 1, once its dead zone is out, its curve is in, and the station's cap and slow mode are counted.
    fn lever(&self, number: u8) -> f32 {
        let limits = &self.permit.limits;
        let share = self.hand.lever(number, limits.dead_zone);
        let curved = share * (1.0 - limits.expo + limits.expo * share * share);
        curved * self.speed_share()
    }

    /// The share of full speed that the station may ask for now.
    fn speed_share(&self) -> f32 {
        let limits = &self.permit.limits;
        let slow = if self.hand.slow { limits.slow_share } else { 1.0 };
        limits.speed_cap * slow
    }

    /// One lever, one actuator: a share of its full stroke rate, turned into a joint rate.
    fn joint_rate(&self, axis: &Axis, now: &AxisPosture) -> f32 {
        let Some(lever) = axis.lever else { return 0.0 };
        if !now.known || now.ratio == 0.0 {
            return 0.0;
        }
        let share = self.lever(lever);
        share * axis.valve.full_rate.toward(share) / now.ratio
    }

    /// What the levers of an arm ask of its tip.
    fn twist_asked(&self, arm: &Arm, pose: &ArmPose) -> Twist {
        let mut shares = [0.0; 6];
        for (share, lever) in shares.iter_mut().zip(&arm.levers) {
            *share = self.lever(*lever);
        }
        let [forward, left, up, turning @ ..] = shares;
        let (axes, _) = frame(self.hand.frame, self.machine, pose);
        let velocity = [forward, left, up].map(|share| share * arm.tip_speed);
        twist(arm, &axes, velocity, turning.map(|share| share * arm.pitch_rate))
    }
}

/// A joint that tip mode moves. A grip, and joints beyond the pitch joint of an arm without a lever for roll, stay on their own levers.
fn moved_by_tip(machine: &Machine, id: AxisId) -> bool {
    machine
        .arms()
        .iter()
        .any(|arm| arm.joints.iter().take(joints_moved(arm)).any(|joint| joint.axis == id))
}
