//! Plan: what the hands ask for, as joint rates.
//!
//! Takes the [`Permit`], the [`Posture`] and the hand control in charge; gives [`Rates`]; holds each arm's shaped lever
//! command and the line its tip is on. In joint mode a lever asks for a share of its axis's full stroke rate; in tip mode the
//! levers of an arm ask for a tip velocity (`tip`), or an order for a place to go to (`go_to`); in carry mode those of the first arm
//! move what all arms hold between them (`carry`). The joints follow by damped least squares (`dls`). Without a permit to drive it
//! asks for nothing and forgets where it was going.
//!
//! What is stated, and held by the tests. Always: no rate is above its axis's full rate (in joint mode times the station's cap), and
//! nothing moves for an order that is refused. On axes that do what they are asked, away from singular poses and ends of ranges: a
//! jogged tip stays within 1 mm of the straight line that its levers draw; a tip that is ordered somewhere stays within 1 mm of its line and
//! ends within 0.1 mm of its end; what is held level, or whole, stays so within 0.1 degrees; tips that carry keep their places to one
//! another within 1 mm.

mod carry;
mod dls;
mod go_to;
pub mod inverse;
mod line;
mod orientation;
mod path;
mod profile;
mod tip;
mod twist;

use crate::chain::ArmPose;
use crate::inputs::{HandFrame, Inputs, Mode};
use crate::last_tick::Refusal;
use crate::machine::{ARMS_MAX, Arm, Axis, Machine, PerAxis};
use crate::sense::{AxisPosture, Posture};
use crate::stamp::{Stage, Stamp};
use crate::supervise::{Action, Permit};
use crate::vec3::Vec3;

use carry::Carry;
use go_to::GoToMove;
use orientation::{frame, joints_moved, twist};
use profile::Twist;
use tip::TipJog;
use twist::JointRates;

/// Wanted joint rates, rad/s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Rates {
    /// How they came to be.
    pub stamp: Stamp,
    /// Per axis.
    pub axes: PerAxis<f32>,
    /// How much of each of them brings the tip back to its line, and is no wish of the hands.
    pub corrections: PerAxis<f32>,
    /// The arms hold one load between them: what slows one must slow all alike.
    pub together: bool,
    /// Where the tip of each arm should be by now, m; none while nothing leads it along a line.
    pub tips: [Option<Vec3>; ARMS_MAX],
    /// The velocity at which the tip of each arm is led, after the ramp, m/s; none while nothing leads it.
    pub tip_velocities: [Option<Vec3>; ARMS_MAX],
    /// An order that has just been refused.
    pub refused: Option<Refusal>,
}

impl Rates {
    /// Adds the rates of an arm's joints, slowed alike. A joint that does not move with the tip keeps that of its own lever.
    fn add(&mut self, arm: &Arm, joints: &JointRates, slowdown: f32) {
        for (joint, (rate, back)) in arm.joints.iter().zip(joints.rates.iter().zip(&joints.back)) {
            self.axes.set(joint.axis, self.axes.get(joint.axis) + rate / slowdown);
            self.corrections.set(joint.axis, back / slowdown);
        }
    }
}

/// What planning remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Plan {
    arms: [TipJog; ARMS_MAX],
    go_to: GoToMove,
    carry: Carry,
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
        let mut rates = Rates {
            stamp: permit.stamp.through(Stage::Plan),
            ..Rates::default()
        };
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
        // An arm that is on its way comes to rest before anything else moves it. What moves with a tip has no lever of its own outside joint
        // mode; a grip keeps its own, and so do joints beyond the pitch joint of an arm without a lever for roll.
        let gone = self.go_to.going().map(|(index, ..)| index);
        let mut moved = PerAxis::all(false);
        for (index, arm) in machine.arms().iter().enumerate() {
            let led = sight.hand.mode != Mode::Joint || gone == Some(index);
            for joint in arm.joints.iter().take(joints_moved(arm)) {
                moved.set(joint.axis, led || moved.get(joint.axis));
            }
        }
        for (id, axis) in machine.axes().filter(|(id, _)| !moved.get(*id)) {
            rates.axes.set(id, sight.joint_rate(axis, &posture.axes.get(id)));
        }
        if sight.hand.mode == Mode::Carry && gone.is_none() {
            self.carry.step(&sight, &mut rates);
        } else {
            self.carry = Carry::default();
        }
        let at_rest = self.arms.each_ref().map(TipJog::at_rest);
        rates.refused = self.go_to.step(&sight, at_rest, &mut rates);
        let gone = gone.or(self.go_to.going().map(|(index, ..)| index));
        for ((index, arm), jog) in machine.arms().iter().enumerate().zip(&mut self.arms) {
            match posture.arm(index) {
                Some(pose) if sight.hand.mode == Mode::Tip && gone != Some(index) => {
                    jog.step(&sight, arm, pose, &mut rates);
                }
                _ => *jog = TipJog::default(),
            }
        }
        self.tell_tips(&mut rates);
        rates
    }

    /// Where each tip should be by now, and how fast it is led, by whatever leads it.
    fn tell_tips(&self, rates: &mut Rates) {
        rates.tips = self.carry.tips();
        rates.tip_velocities = self.carry.led();
        let arms = rates.tips.iter_mut().zip(&mut rates.tip_velocities);
        for ((index, (tip, led)), jog) in arms.enumerate().zip(&self.arms) {
            *tip = tip.or(jog.wanted_tip());
            *led = led.or(jog.led_velocity());
            if let Some((_, to, velocity)) = self.go_to.going().filter(|(gone, ..)| *gone == index) {
                *tip = Some(to);
                *led = Some(velocity);
            }
        }
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

    /// The levers of an arm's tip: forward, left, up, pitch, roll, yaw; 0 where there is none.
    fn tip_levers(&self, arm: &Arm) -> [f32; 6] {
        let mut shares = [0.0; 6];
        for (share, lever) in shares.iter_mut().zip(&arm.levers) {
            *share = self.lever(*lever);
        }
        shares
    }

    /// None of them is pushed.
    fn at_neutral(&self, arm: &Arm) -> bool {
        self.tip_levers(arm) == [0.0; 6]
    }

    /// What the levers of an arm ask of its tip.
    fn twist_asked(&self, arm: &Arm, pose: &ArmPose) -> Twist {
        let [forward, left, up, turning @ ..] = self.tip_levers(arm);
        let (axes, _) = frame(self.hand.frame, self.machine, pose);
        let velocity = [forward, left, up].map(|share| share * arm.tip_speed);
        twist(arm, &axes, velocity, turning.map(|share| share * arm.pitch_rate))
    }
}
