//! The hostile hands: where they look, and which levers they push.

use bellcrank_core::inputs::{HandFrame, Mode};
use bellcrank_core::keepout::{Closest, Closing, Surroundings, With};
use bellcrank_core::machine::{Arm, LEVERS_MAX};
use bellcrank_core::sense::Posture;
use bellcrank_core::supervise::State;
use bellcrank_core::units::Lever;
use bellcrank_core::{Controller, Inputs, Machine};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::Strategy;

/// Time between two looks, s.
const LOOK_S: f64 = 0.05;
/// Half of this the reset button is pressed where the machine has stopped, s.
const RESET_S: f64 = 0.2;
/// Which of the streams of a seed is theirs, where others draw from the same seed.
const STREAM: u64 = 3;
/// The zone with the person in it: the first of a machine file.
const SEAT: u8 = 0;

/// What is nearest to an arm, and what each joint does to that.
type Aim = (Closest, Closing);

/// The hands of one run.
pub struct Hands<'m> {
    /// With all its zones, whether or not the core knows of them.
    machine: &'m Machine,
    strategy: Strategy,
    rng: ChaCha8Rng,
    /// They press the reset button where the machine has stopped.
    resets: bool,
    enable: bool,
    next_look: f64,
    /// Until when they stay with what they do, s.
    until: f64,
    now: Strategy,
    /// The other way than where it is worst.
    away: bool,
    /// What they do with levers that are not aimed.
    noise: [f32; LEVERS_MAX],
    /// The joint that is aimed where only one is.
    aimed: usize,
    /// Only parts from this joint on are aimed with: those before it hardly move.
    from_joint: u8,
    levers: [f32; LEVERS_MAX],
    mode: Mode,
}

impl<'m> Hands<'m> {
    /// Hands that reset the machine wherever it has stopped, and go on.
    pub fn new(strategy: Strategy, machine: &'m Machine, rng: ChaCha8Rng) -> Self {
        Self {
            machine,
            strategy,
            rng,
            resets: true,
            enable: false,
            next_look: 0.0,
            until: 0.0,
            now: strategy,
            away: false,
            noise: [0.0; LEVERS_MAX],
            aimed: 0,
            from_joint: 0,
            levers: [0.0; LEVERS_MAX],
            mode: Mode::Joint,
        }
    }

    /// Hands that leave the machine as it is once it has stopped: what it then does, it does by itself.
    pub fn unresetting(strategy: Strategy, machine: &'m Machine, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(STREAM);
        Self {
            resets: false,
            ..Self::new(strategy, machine, rng)
        }
    }

    /// Puts what the hands do in place of what came by the wire. Where the machine has stopped they let go, reset it and enable it anew.
    pub fn push(&mut self, t: f64, controller: &Controller, state: State, inputs: &mut Inputs) {
        self.decide(t, controller, state);
        let stands = matches!(state, State::Stopped | State::Fault);
        inputs.reset = self.resets && stands && (t / RESET_S).fract() < 0.5;
        inputs.seat.enable = self.enable;
        inputs.seat.mode = self.mode;
        inputs.seat.levers = self.frame().levers;
    }

    /// What a station with these hands on it sends.
    pub fn frame(&self) -> HandFrame {
        HandFrame {
            levers: self.levers.map(|share| Lever::new(share).unwrap_or_default()),
            mode: self.mode,
            enable: self.enable,
            stop_clear: true,
            ..HandFrame::default()
        }
    }

    /// What the hands do from now on. `state` is what the core last said that it is in.
    pub fn decide(&mut self, t: f64, controller: &Controller, state: State) {
        if t >= self.next_look {
            self.next_look = t + LOOK_S;
            self.levers = [0.0; LEVERS_MAX];
            if let (State::Enabled, Some(posture)) = (state, controller.posture()) {
                self.look(t, posture);
            }
        }
        self.enable = matches!(state, State::Ready | State::Enabled);
    }

    fn look(&mut self, t: f64, posture: &Posture) {
        if t >= self.until {
            self.turn(t);
        }
        self.levers = self.noise;
        if self.now == Strategy::Random {
            return;
        }
        let aims = self.aims(posture);
        for (arm, aim) in aims.iter().enumerate() {
            let Some((closest, closing)) = aim else { continue };
            match self.mode {
                Mode::Joint => self.push_joints(arm, closing, posture),
                Mode::Tip | Mode::Carry => self.push_tip(arm, closest),
            }
        }
    }

    /// Does something else from now on.
    fn turn(&mut self, t: f64) {
        self.now = match self.strategy {
            Strategy::Switching => Strategy::ALL[self.rng.random_range(0..Strategy::ALL.len() - 1)],
            strategy => strategy,
        };
        let longest = match self.now {
            Strategy::Reversals => 0.8,
            _ => 2.0,
        };
        self.until = t + self.rng.random_range(LOOK_S..longest);
        self.away = self.now == Strategy::Reversals && !self.away;
        self.mode = match self.now {
            Strategy::AtTheSeat | Strategy::Oblique => Mode::Joint,
            Strategy::TipsAtTheSeat => Mode::Tip,
            _ => [Mode::Joint, Mode::Joint, Mode::Tip, Mode::Tip, Mode::Carry][self.rng.random_range(0..5)],
        };
        self.aimed = self.rng.random_range(0..4);
        self.from_joint = self.rng.random_range(1..6);
        for lever in &mut self.noise {
            *lever = match self.now {
                Strategy::Random => self.rng.random_range(-1.0..1.0),
                Strategy::Oblique => [-1.0, 0.0, 1.0][self.rng.random_range(0..3)],
                _ => 0.0,
            };
        }
    }

    /// For each arm what it is nearest to, of what is aimed at.
    fn aims(&self, posture: &Posture) -> Vec<Option<Aim>> {
        let mut around = Surroundings::new(self.machine);
        around.look(&posture.arms);
        let mut nearest = vec![None::<Aim>; self.machine.arms().len()];
        let two = nearest.len() > 1;
        let joints = |arm: &Arm| u8::try_from(arm.joints.len()).unwrap_or(0);
        let last = self
            .machine
            .arms()
            .iter()
            .map(joints)
            .min()
            .unwrap_or(0)
            .saturating_sub(1);
        let from_joint = self.from_joint.min(last);
        around.scan(
            |_, _| f32::INFINITY,
            |pair| {
                let closest = pair.closest;
                let wanted = match (self.now, closest.with) {
                    (Strategy::AtTheSeat | Strategy::TipsAtTheSeat, with) => with == With::Zone(SEAT),
                    (Strategy::ArmsAtEachOther, with) if two => matches!(with, With::Arm(..)),
                    _ => true,
                };
                let other = match closest.with {
                    With::Arm(other, _) => Some(other),
                    With::Zone(_) => None,
                };
                let wanted = wanted && closest.part.joint() >= from_joint;
                for arm in [Some(closest.arm), other].into_iter().flatten().filter(|_| wanted) {
                    if nearest[arm].is_none_or(|(least, _)| closest.room() < least.room()) {
                        nearest[arm] = Some((closest, around.closing(pair, |_, _| true)));
                    }
                }
            },
        );
        nearest
    }

    /// Each lever of an arm at full where its joint closes the gap.
    fn push_joints(&mut self, arm: usize, closing: &Closing, posture: &Posture) {
        for (number, (joint, closing)) in self.machine.arms()[arm].movers().zip(closing[arm]).enumerate() {
            let axis = self.machine.axis(joint.axis).and_then(|axis| axis.lever);
            let Some(lever) = axis.map(usize::from) else { continue };
            if self.now != Strategy::Oblique || number == self.aimed {
                let way = closing * posture.axes.get(joint.axis).ratio;
                self.levers[lever] = if way == 0.0 { 0.0 } else { self.way(way.signum()) };
            }
        }
    }

    /// The tip of an arm straight at what is near, at full speed.
    fn push_tip(&mut self, arm: usize, closest: &Closest) {
        let toward = if arm == closest.arm { -1.0 } else { 1.0 };
        let largest = closest.outward.iter().fold(1e-6_f32, |most, v| most.max(v.abs()));
        for (&lever, v) in self.machine.arms()[arm].levers.iter().zip(closest.outward) {
            self.levers[usize::from(lever)] = self.way(toward * v / largest);
        }
    }

    fn way(&self, share: f32) -> f32 {
        if self.away { -share } else { share }
    }
}
