//! Go-to: a tip brought somewhere on a straight line, by one order.
//!
//! An order is taken up when the arm's levers are at neutral and its tip has come to rest; it is looked at whole ([`Path`]) before
//! anything moves, and refused with what is in the way. The tip then goes along its line by a [`Profile`], turned as it was. Who lets go
//! of the order, pushes a lever of the arm or leaves tip mode has the tip stopped along its line. An order that is done, stopped or
//! refused does nothing more until it is let go, or another is given.
//!
//! While the tip is behind its place the profile waits for it: nothing is stored up while something else holds the arm back.

use super::line::{LEASH_M, Line, angles};
use super::orientation::{along, frame};
use super::path::Path;
use super::profile::{Limits, Moment, Profile, Ramp};
use super::tip::full;
use super::twist::joint_rates;
use super::{Rates, Sight};
use crate::chain::ArmPose;
use crate::inputs::{GoTo, Mode, Target};
use crate::last_tick::{Obstacle, Refusal};
use crate::machine::{ARMS_MAX, Arm};
use crate::math;
use crate::vec3::{Vec3, add, norm, scale, sub};

/// So far behind its place the tip may be before that goes slower, m; at the end of the leash it waits.
const FREE_M: f32 = 0.01;

/// What is remembered of an order.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct GoToMove {
    /// The order that is dealt with.
    order: Option<GoTo>,
    phase: Phase,
}

#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Phase {
    /// Until the arm is at rest.
    #[default]
    Waiting,
    /// The path is looked at.
    Checking(Path),
    /// On the way.
    Going(Leg),
    /// Done, stopped or refused.
    Over,
}

/// A tip on its way.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Leg {
    from: Vec3,
    direction: Vec3,
    profile: Profile,
    /// The time of the profile, s.
    clock: f32,
    /// Where and how fast the wanted place is.
    moment: Moment,
    /// The end of it, where it was let go before.
    stopping: Option<Ramp>,
    line: Line,
    /// Velocity of the wanted place, m/s.
    led: Vec3,
    /// For how long the wanted place has been at rest, s.
    rested: f32,
}

impl GoToMove {
    /// The arm that is on its way, where its tip should be by now, and how fast that goes.
    pub fn going(&self) -> Option<(usize, Vec3, Vec3)> {
        match (&self.order, &self.phase) {
            (Some(order), Phase::Going(leg)) => Some((usize::from(order.arm), leg.line.tip, leg.led)),
            _ => None,
        }
    }

    /// One tick; `at_rest` has the arms that nothing else leads. The rates of the arm's joints go into `rates`.
    pub(super) fn step(&mut self, sight: &Sight, at_rest: [bool; ARMS_MAX], rates: &mut Rates) -> Option<Refusal> {
        let given = sight.hand.go_to;
        let held = given.is_some_and(|given| self.order.is_some_and(|order| order.number == given.number));
        if !held && !matches!(self.phase, Phase::Going(_)) {
            *self = Self {
                order: given,
                phase: Phase::Waiting,
            };
        }
        let order = self.order?;
        let index = usize::from(order.arm);
        let refusal = |(obstacle, way): (Obstacle, f32)| Refusal::new(order.arm, obstacle, way);
        let (Some(arm), Some(pose)) = (sight.machine.arms().get(index), sight.posture.arm(index)) else {
            let first = !matches!(self.phase, Phase::Over);
            self.phase = Phase::Over;
            return first.then(|| refusal((Obstacle::Unusable, 0.0)));
        };
        let free = sight.hand.mode == Mode::Tip && sight.at_neutral(arm);
        let mut refused = None;
        self.phase = match self.phase {
            Phase::Waiting if !(free && at_rest.get(index) == Some(&true)) => Phase::Waiting,
            Phase::Waiting => match path(sight, &order, arm, pose) {
                Ok(path) => Phase::Checking(path),
                Err(blocked) => {
                    refused = Some(refusal(blocked));
                    Phase::Over
                }
            },
            // Something moves the arm: what has been looked at is not its path any more.
            Phase::Checking(_) if !free => Phase::Waiting,
            Phase::Checking(mut path) => match path.look(sight.machine, index, arm, sight.posture) {
                None => Phase::Checking(path),
                Some(Ok(())) => Phase::Going(Leg::new(sight, &order, arm, pose, &path)),
                Some(Err(blocked)) => {
                    refused = Some(refusal(blocked));
                    Phase::Over
                }
            },
            Phase::Going(mut leg) => {
                if leg.step(sight, arm, pose, held && free, rates) {
                    Phase::Going(leg)
                } else {
                    Phase::Over
                }
            }
            Phase::Over => Phase::Over,
        };
        refused
    }
}

/// The line that an order asks for.
fn path(sight: &Sight, order: &GoTo, arm: &Arm, pose: &ArmPose) -> Result<Path, (Obstacle, f32)> {
    let usable = order.speed > 0.0;
    if !usable {
        return Err((Obstacle::Unusable, 0.0));
    }
    let (axes, origin) = frame(order.frame, sight.machine, pose);
    let way = match order.to {
        Target::By(by) => along(&axes, by),
        Target::At(at) => sub(add(origin, along(&axes, at)), pose.tip),
    };
    Path::new(pose.tip, way, angles(arm, sight.posture))
}

impl Leg {
    fn new(sight: &Sight, order: &GoTo, arm: &Arm, pose: &ArmPose, path: &Path) -> Self {
        let speed = math::min(order.speed, arm.tip_speed) * sight.speed_share();
        let limits = Limits::of_ramp(speed, arm.tip_speed, arm.tip_ramp);
        Self {
            from: path.from,
            direction: scale(path.way, 1.0 / math::max(path.length, SHORTEST_M)),
            profile: Profile::new(path.length, limits),
            clock: 0.0,
            moment: Moment::default(),
            stopping: None,
            line: Line::new(arm, pose, sight.posture),
            led: [0.0; 3],
            rested: 0.0,
        }
    }

    /// One tick on the way. False when it is over.
    fn step(&mut self, sight: &Sight, arm: &Arm, pose: &ArmPose, held: bool, rates: &mut Rates) -> bool {
        let dt = sight.posture.dt_s();
        let behind = norm(self.line.behind(pose));
        let patience = math::clamp((LEASH_M - behind) / (LEASH_M - FREE_M), 0.0, 1.0);
        let before = self.moment.way;
        if !held && self.stopping.is_none() {
            let Moment {
                speed, acceleration, ..
            } = self.moment;
            self.stopping = Some(Ramp {
                rate: [speed, 0.0, 0.0, 0.0, 0.0, 0.0],
                change: [acceleration, 0.0, 0.0, 0.0, 0.0, 0.0],
            });
        }
        let arrived = if let Some(ramp) = &mut self.stopping {
            ramp.step(&[0.0; 6], &full(arm), arm.tip_ramp, dt);
            let [speed, ..] = ramp.rate;
            self.moment.way += speed * patience * dt;
            ramp.at_rest()
        } else {
            self.clock += patience * dt;
            self.moment = self.profile.at(self.clock);
            self.clock >= self.profile.duration()
        };
        self.led = scale(self.direction, (self.moment.way - before) / dt);
        // Once at rest the place stays where the leash has drawn it.
        if self.rested == 0.0 {
            self.line.tip = add(self.from, scale(self.direction, self.moment.way));
        }
        self.rested = if arrived { self.rested + dt } else { 0.0 };
        self.line.on_leash(pose, self.rested);
        let [vx, vy, vz] = self.led;
        let led = [vx, vy, vz, 0.0, 0.0, 0.0];
        let back = self.line.back(arm, pose, sight.posture, &led);
        let joints = joint_rates(sight, arm, pose, &led, &back);
        rates.add(arm, &joints, joints.slowdown);
        !self.line.is_over(pose, self.rested)
    }
}

/// A shorter way has no direction, m.
const SHORTEST_M: f32 = 1e-6;
