//! Sane hands: what they take up, how they move their levers, and what they look out for.
//!
//! They do one thing after another, each chosen by lot, at any speed, in any mode. They move their levers no faster than hands do, choose
//! another mode with the levers at neutral, hold still while a load is picked up or dropped, raise a tip that nears the ground, and more
//! often turn back towards the middle of a range than on towards its end.

use bellcrank_core::inputs::{Frame, GoTo, HandFrame, Mode, Station, Target};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::sense::Posture;
use bellcrank_core::supervise::State;
use bellcrank_core::units::Lever;
use bellcrank_core::{Controller, Inputs, Machine};
use nalgebra::Vector3;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use crate::scenario::Scenario;

/// Time between two looks, s.
const LOOK_S: f64 = 0.02;
/// They look so far ahead of a tip that comes down, s, and raise it where it would be lower than this by then, m.
const AHEAD_S: f64 = 0.8;
const LOW_M: f64 = 0.25;
/// Levers are at neutral so long before a load is picked up or dropped, and after it, s.
const STILL_S: (f64, f64) = (1.2, 0.8);
/// Full travel of a lever takes a hand from this to that, s: hasty and careful ones.
const TRAVEL_S: (f64, f64) = (0.12, 0.7);

/// What they are at.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Task {
    /// Levers at neutral.
    Pause,
    /// Levers pushed, and left there.
    Push,
    /// Levers pushed, and turned round when the time has come, so often.
    Reverse { next: f64, left: u32 },
    /// An order, given for as long as it takes.
    Order(GoTo),
    /// The enabling switch is let go, with the levers wherever they are.
    LetGo,
    /// A tip that came too low is raised.
    Raise,
}

/// The hands of one piece.
pub struct Hands<'s> {
    machine: &'s Machine,
    scenario: &'s Scenario,
    rng: ChaCha8Rng,
    /// What the core last said that it is in.
    pub state: State,
    task: Task,
    until: f64,
    next_look: f64,
    last_tick: f64,
    /// Where each tip was at the last look, m.
    tips: Vec<Vector3<f64>>,
    /// Where the work is: where the tips began, m.
    work: Vec<Vector3<f64>>,
    /// Where the levers are, and where the hands take them.
    levers: [f32; LEVERS_MAX],
    goal: [f32; LEVERS_MAX],
    /// How fast, 1/s.
    haste: f32,
    mode: Mode,
    frame: Frame,
    slow: bool,
    number: u8,
}

impl<'s> Hands<'s> {
    pub fn new(machine: &'s Machine, scenario: &'s Scenario, rng: ChaCha8Rng) -> Self {
        Self {
            machine,
            scenario,
            rng,
            state: State::default(),
            task: Task::Pause,
            until: 1.0,
            next_look: 0.0,
            last_tick: 0.0,
            tips: Vec::new(),
            work: Vec::new(),
            levers: [0.0; LEVERS_MAX],
            goal: [0.0; LEVERS_MAX],
            haste: 3.0,
            mode: Mode::Joint,
            frame: Frame::Machine,
            slow: false,
            number: 0,
        }
    }

    /// Puts what the hands do in place of what came by the wire, with the tips where they see them, m.
    pub fn hold(&mut self, t: f64, controller: &Controller, tips: &[Vector3<f64>], inputs: &mut Inputs) {
        if t >= self.next_look {
            self.next_look = t + LOOK_S;
            if let Some(posture) = controller.posture() {
                self.look(t, posture, tips);
            }
        }
        let step = self.haste * narrow(t - self.last_tick);
        self.last_tick = t;
        for (lever, goal) in self.levers.iter_mut().zip(self.goal) {
            *lever += (goal - *lever).clamp(-step, step);
        }
        let order = match self.task {
            Task::Order(order) if self.state == State::Enabled => Some(order),
            _ => None,
        };
        let hand = match self.scenario.station {
            Station::Seat => &mut inputs.seat,
            Station::Remote => &mut inputs.remote,
        };
        *hand = HandFrame {
            levers: self.levers.map(|share| Lever::new(share).unwrap_or_default()),
            mode: self.mode,
            frame: self.frame,
            slow: self.slow,
            go_to: order,
            enable: self.task != Task::LetGo && matches!(self.state, State::Ready | State::Enabled),
            ..*hand
        };
    }

    fn look(&mut self, t: f64, posture: &Posture, tips: &[Vector3<f64>]) {
        if self.work.is_empty() {
            self.work = tips.to_vec();
            self.tips = tips.to_vec();
        }
        let lands = |(tip, before): (&Vector3<f64>, &Vector3<f64>)| {
            let sinks = (tip.z - before.z) / LOOK_S;
            sinks < -0.01 && tip.z + AHEAD_S * sinks < LOW_M
        };
        let low = tips.iter().zip(&self.tips).any(lands);
        self.tips = tips.to_vec();

        if self.state != State::Enabled {
            // Let go of the levers; press the switch anew after a while.
            self.goal = [0.0; LEVERS_MAX];
            if self.task != Task::LetGo || t >= self.until {
                self.pause(t, 0.5);
            }
        } else if self.holds_still(t) {
            self.pause(t, 0.3);
        } else if low && self.task != Task::Raise && self.task != Task::LetGo {
            self.goal = [0.0; LEVERS_MAX];
            self.haste = 8.0;
            (self.task, self.until) = (Task::Raise, t + self.rng.random_range(1.5..3.0));
        } else if t >= self.until {
            self.take_up(t, posture);
        } else {
            self.go_on(t, tips);
        }
    }

    fn pause(&mut self, t: f64, seconds: f64) {
        self.goal = [0.0; LEVERS_MAX];
        (self.task, self.until) = (Task::Pause, t + seconds);
    }

    /// A load is just about to be picked up or dropped, or has just been.
    fn holds_still(&self, t: f64) -> bool {
        let near = |at: f64| t > at - STILL_S.0 && t < at + STILL_S.1;
        let loads = &self.scenario.payloads;
        loads.iter().any(|load| near(load.from) || load.until.is_some_and(near))
    }

    fn go_on(&mut self, t: f64, tips: &[Vector3<f64>]) {
        match &mut self.task {
            Task::Reverse { next, left } if t >= *next && *left > 0 => {
                *left -= 1;
                *next = t + self.rng.random_range(0.25..1.3);
                self.goal = self.goal.map(|share| -share);
            }
            Task::Raise if self.levers == [0.0; LEVERS_MAX] => {
                (self.mode, self.frame, self.slow) = (Mode::Tip, Frame::Machine, false);
                for (arm, tip) in self.machine.arms().iter().zip(tips) {
                    if let Some(up) = arm.levers.get(2).filter(|_| tip.z < 2.0 * LOW_M) {
                        self.goal[usize::from(*up)] = 0.6;
                    }
                }
            }
            _ => {}
        }
    }

    /// Something else.
    fn take_up(&mut self, t: f64, posture: &Posture) {
        let lot = self.rng.random_range(0..100);
        if lot < 6 {
            let seconds = self.rng.random_range(0.3..4.0);
            return self.pause(t, seconds);
        }
        if lot < 10 {
            (self.task, self.until) = (Task::LetGo, t + self.rng.random_range(0.3..2.5));
            return;
        }
        let two = self.machine.arms().len() > 1;
        let mode = match lot {
            10..45 => Mode::Joint,
            45..90 if two && lot >= 75 => Mode::Carry,
            _ => Mode::Tip,
        };
        if mode != self.mode && self.levers != [0.0; LEVERS_MAX] {
            return self.pause(t, 0.3);
        }
        let travel = self.rng.random_range(TRAVEL_S.0..TRAVEL_S.1);
        self.haste = 1.0 / narrow(travel);
        self.mode = mode;
        self.slow = self.rng.random_bool(0.12);
        self.frame = [Frame::Machine, Frame::Machine, Frame::Seat, Frame::Tool][self.rng.random_range(0..4)];
        self.goal = [0.0; LEVERS_MAX];
        self.task = Task::Push;
        if lot >= 90 {
            return self.order(t);
        }
        match mode {
            Mode::Joint => self.push_joints(posture),
            Mode::Tip | Mode::Carry => self.push_tips(mode),
        }
        self.until = t + self.rng.random_range(0.4..5.0);
        match self.rng.random_range(0..12) {
            0..2 => {
                let next = t + self.rng.random_range(0.3..1.3);
                let left = self.rng.random_range(1..6);
                self.task = Task::Reverse { next, left };
            }
            2 => self.creep(),
            _ => {}
        }
    }

    /// One joint or several, rather away from the end that is nearer; but now and then one joint to its end, and on.
    fn push_joints(&mut self, posture: &Posture) {
        let to_the_end = self.rng.random_bool(0.15);
        let count = if to_the_end { 1 } else { self.rng.random_range(1..5) };
        for _ in 0..count {
            let axes: Vec<_> = self.machine.axes().filter(|(_, axis)| axis.lever.is_some()).collect();
            let (id, axis) = axes[self.rng.random_range(0..axes.len())];
            let (low, high) = axis.stroke;
            let along = f64::from(((posture.axes.get(id).stroke - low) / (high - low)).clamp(0.0, 1.0));
            // The square of the odds: hardly ever on from close to an end.
            let (in_favour, against) = ((1.0 - along).powi(2), along.powi(2));
            let out = self.rng.random_bool(in_favour / (in_favour + against)) != to_the_end;
            let share = self.share();
            if let Some(lever) = axis.lever {
                self.goal[usize::from(lever)] = if out { share } else { -share };
            }
        }
    }

    /// One arm's tip or each, anywhere, but rather back to where the work is; now and then in towards the seat and along it.
    fn push_tips(&mut self, mode: Mode) {
        let seat = self.scenario.machine.seat.position;
        let both = mode == Mode::Tip && self.rng.random_bool(0.3);
        let chosen = if mode == Mode::Carry {
            0
        } else {
            self.rng.random_range(0..self.tips.len())
        };
        let inward = self.rng.random_bool(0.15);
        let machine = self.machine;
        for (index, arm) in machine
            .arms()
            .iter()
            .enumerate()
            .filter(|(index, _)| both || *index == chosen)
        {
            let mut way = Vector3::from([(); 3].map(|()| self.rng.random_range(-1.0..1.0)));
            let (tip, work) = (self.tips[index], self.work[index]);
            if inward {
                way = 0.7 * way + (seat - tip).normalize();
                self.frame = Frame::Machine;
            } else if way.dot(&(work - tip)) < 0.0 && self.rng.random_bool(0.75) {
                way = -way;
            }
            let share = f64::from(self.share());
            let way = way * (share / way.amax().max(1e-3));
            for (lever, share) in arm.levers.iter().zip(way.iter()) {
                self.goal[usize::from(*lever)] = narrow(*share);
            }
            for lever in arm.levers.iter().skip(3) {
                if self.rng.random_bool(0.25) {
                    self.goal[usize::from(*lever)] = self.share() * [-1.0, 1.0][self.rng.random_range(0..2)];
                }
            }
        }
    }

    /// The same levers, but within the dead zone or just past it.
    fn creep(&mut self) {
        let stations = &self.scenario.machine.stations;
        let station = match (self.scenario.station, &stations.remote) {
            (Station::Remote, Some(remote)) => remote,
            _ => &stations.seat,
        };
        let share = narrow(station.dead_zone + self.rng.random_range(-0.04..0.08));
        self.goal = self
            .goal
            .map(|goal| if goal == 0.0 { 0.0 } else { share.copysign(goal) });
    }

    /// A tip is sent somewhere near.
    fn order(&mut self, t: f64) {
        let arm = self.rng.random_range(0..self.tips.len());
        let (tip, work) = (self.tips[arm], self.work[arm]);
        let mut place = 0.5 * (tip + work) + Vector3::from([(); 3].map(|()| self.rng.random_range(-0.4..0.4)));
        place.z = place.z.max(2.0 * LOW_M);
        let speed = self.rng.random_range(0.1..0.5);
        self.number = self.number.wrapping_add(1);
        let way = place - tip;
        let by = self.rng.random_bool(0.5);
        let told = if by { way } else { place };
        self.task = Task::Order(GoTo {
            number: self.number,
            arm: u8::try_from(arm).unwrap_or(0),
            to: if by { Target::By } else { Target::At }(told.map(narrow).into()),
            frame: Frame::Machine,
            speed: narrow(speed),
        });
        // Most are waited for.
        let needed = way.norm() / speed + 1.5;
        self.until = t + if self.rng.random_bool(0.8) {
            needed.min(12.0)
        } else {
            0.4 * needed.min(12.0)
        };
    }

    /// How far a lever is pushed: often all the way.
    fn share(&mut self) -> f32 {
        if self.rng.random_bool(0.3) {
            1.0
        } else {
            self.rng.random_range(0.2..1.0)
        }
    }
}

#[allow(clippy::cast_possible_truncation, reason = "narrowed to what a frame carries")]
fn narrow(x: f64) -> f32 {
    x as f32
}
