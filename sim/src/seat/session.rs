//! A session: a machine at work while somebody sits in it, and the scenario that it becomes.
//!
//! What the hands do and what goes wrong is not known beforehand: it is added to the scenario tick by tick, as it comes, before the core reads it.
//! So the session *is* the rehearsal of the scenario that it has become; the same ticks, to the bit. For that every number that comes from outside
//! is first made one that a text gives back.

use std::sync::Arc;

use bellcrank_core::inputs::{Frame, Mode};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_machine::description::Description;
use bellcrank_machine::document::Complaints;

use crate::live::Live;
use crate::prove::catalogue::{Entry, Place};
use crate::run::{Digest, RunError};
use crate::scenario::{self, Act, Expect, Fault, FaultKind, Hand, Load, Scenario};

/// Steps of a lever from neutral to its end: what the hands do comes in whole steps.
pub const STEPS: i16 = 128;
/// Longest session, s: as long as a rehearsal may be.
pub const LONGEST_S: f64 = 3600.0;
/// Shortest that is worth a recording, s.
const SHORTEST_S: f64 = 0.1;

/// Where the hands are: everything that they hold at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// Each lever, in steps.
    pub levers: [i16; LEVERS_MAX],
    /// What they mean.
    pub mode: Mode,
    /// In which frame they move a tip.
    pub frame: Frame,
    /// Slow mode.
    pub slow: bool,
    /// The enabling switch.
    pub enable: bool,
    /// The reset button.
    pub reset: bool,
}

impl Held {
    /// Nothing held, the levers meaning this.
    pub fn nothing(mode: Mode) -> Self {
        Self {
            levers: [0; LEVERS_MAX],
            mode,
            frame: Frame::Machine,
            slow: false,
            enable: false,
            reset: false,
        }
    }

    /// Where they are after one more act of those that a session is made of.
    #[allow(clippy::cast_possible_truncation, reason = "whole steps, at most 128")]
    pub fn after(mut self, act: Act) -> Self {
        match act {
            Act::Levers(shares) => self.levers = shares.map(|share| (share * f64::from(STEPS)).round() as i16),
            Act::Mode(mode) => self.mode = mode,
            Act::Frame(frame) => self.frame = frame,
            Act::Slow(slow) => self.slow = slow,
            Act::Enable(enable) => self.enable = enable,
            Act::Reset(reset) => self.reset = reset,
            Act::Neutral => self.levers = [0; LEVERS_MAX],
            Act::Tip { .. } | Act::GoTo { .. } | Act::Circle { .. } | Act::Lever { .. } => {}
        }
        self
    }

    /// What has to be done to get here from `before`.
    fn acts_since(self, before: Self) -> impl Iterator<Item = Act> {
        let share = |steps: i16| f64::from(steps.clamp(-STEPS, STEPS)) / f64::from(STEPS);
        let when = |changed: bool, act: Act| changed.then_some(act);
        [
            when(self.mode != before.mode, Act::Mode(self.mode)),
            when(self.frame != before.frame, Act::Frame(self.frame)),
            when(self.slow != before.slow, Act::Slow(self.slow)),
            when(self.levers != before.levers, Act::Levers(self.levers.map(share))),
            when(self.enable != before.enable, Act::Enable(self.enable)),
            when(self.reset != before.reset, Act::Reset(self.reset)),
        ]
        .into_iter()
        .flatten()
    }
}

/// A fault that cannot be put in, or not be ended.
#[derive(Debug, thiserror::Error)]
pub enum Unfit {
    /// It does not fit the machine.
    #[error("{0}")]
    Fault(#[from] Complaints),
    /// There is none of that number, or it is over.
    #[error("that fault is not on")]
    NotOn,
    /// What is there from the start is for the machine to stand up in: only what comes later can be told apart from it.
    #[error("time has not begun yet: it does when the hands are first heard")]
    NotBegun,
    /// It does not go away.
    #[error("a burst hose stays burst")]
    Stays,
}

/// A machine at work with somebody in the seat.
pub struct Session<'m> {
    /// Core, wiring and plant.
    pub live: Live<'m>,
    digest: Digest,
    ticks: u64,
    held: Held,
    /// The faults that stand for a pressed stop button and for a station that is not heard: their numbers in the scenario.
    stop: Option<usize>,
    silent: Option<usize>,
}

/// What a session was: a scenario, and the digest that its rehearsal must have.
#[derive(Debug, Clone)]
pub struct Recording {
    /// The scenario.
    pub scenario: Scenario,
    /// The digest.
    pub digest: u64,
}

impl<'m> Session<'m> {
    /// Stands where `scenario` begins, which [`settled`] has made.
    ///
    /// # Errors
    /// The machine cannot be simulated as described.
    pub fn new(scenario: &'m Scenario, machine: &'m bellcrank_core::Machine, seed: u64) -> Result<Self, RunError> {
        let mut session = Self::rehearsing(scenario, machine, seed)?;
        // A scenario has hands, if only idle ones.
        session.live.made_up().hands = vec![Hand {
            at: 0.0,
            act: Act::Neutral,
        }];
        Ok(session)
    }

    /// One whose hands and faults are those of its scenario.
    ///
    /// # Errors
    /// The machine cannot be simulated as described.
    pub fn rehearsing(
        scenario: &'m Scenario,
        machine: &'m bellcrank_core::Machine,
        seed: u64,
    ) -> Result<Self, RunError> {
        Ok(Self {
            live: Live::new(scenario, machine, seed)?,
            digest: Digest::default(),
            ticks: 0,
            held: Held::nothing(scenario.mode),
            stop: None,
            silent: None,
        })
    }

    /// Where the hands are from this tick on; none where the station is not heard, which is a lost link. And whether the stop button is down.
    pub fn hands(&mut self, held: Option<Held>, stop: bool) {
        let at = self.live.time();
        let station = self.live.scenario().station;
        if let Some(held) = held {
            let acts = held.acts_since(self.held).map(|act| Hand { at, act });
            self.live.made_up().hands.extend(acts);
            self.held = held;
        }
        self.silent = self.while_it_is(self.silent, held.is_none(), FaultKind::LinkLost { station });
        self.stop = self.while_it_is(self.stop, stop, FaultKind::StopButton);
    }

    /// A fault that is on for as long as something is so.
    fn while_it_is(&mut self, number: Option<usize>, so: bool, kind: FaultKind) -> Option<usize> {
        match (number, so) {
            (None, true) => Some(self.begin(kind, None)),
            (Some(number), false) => {
                self.end(number);
                None
            }
            _ => number,
        }
    }

    fn begin(&mut self, kind: FaultKind, lasts: Option<f64>) -> usize {
        let at = self.live.time();
        let faults = &mut self.live.made_up().faults;
        faults.push(Fault { at, lasts, kind });
        faults.len() - 1
    }

    fn end(&mut self, number: usize) {
        let t = self.live.time();
        if let Some(fault) = self.live.made_up().faults.get_mut(number) {
            fault.lasts = Some((t - fault.at).max(1e-3));
        }
    }

    /// Puts in an entry of the catalogue from this tick on.
    ///
    /// # Errors
    /// It does not fit the machine.
    pub fn put_in(&mut self, entry: &Entry, axis: usize, amount: f64) -> Result<(), Unfit> {
        self.has_begun()?;
        let scenario = self.live.scenario();
        let (kind, lasts) = (entry.make)(&Place {
            machine: &scenario.machine,
            axis,
            amount,
            station: scenario.station,
        });
        let alone = Scenario {
            length: LONGEST_S,
            hands: Vec::new(),
            payloads: Vec::new(),
            faults: vec![Fault { at: 0.0, lasts, kind }],
            ..scenario.clone()
        };
        for fault in settled(&alone)?.faults {
            self.begin(fault.kind, fault.lasts);
        }
        Ok(())
    }

    /// Ends a fault by its number in the scenario.
    ///
    /// # Errors
    /// It is not on, or does not go away.
    pub fn mend(&mut self, number: usize) -> Result<(), Unfit> {
        let fault = self.live.scenario().faults.get(number);
        if fault.is_some_and(|fault| matches!(fault.kind, FaultKind::HoseBurst { .. })) {
            Err(Unfit::Stays)
        } else if self.can_mend(number) {
            self.end(number);
            Ok(())
        } else {
            Err(Unfit::NotOn)
        }
    }

    /// Whether a fault can be ended: it is on, does not stand for what the hands do, and is not for good.
    pub fn can_mend(&self, number: usize) -> bool {
        let t = self.live.time();
        let of_hands = [self.stop, self.silent].contains(&Some(number));
        let fault = self.live.scenario().faults.get(number);
        !of_hands && fault.is_some_and(|fault| fault.on(t) && !matches!(fault.kind, FaultKind::HoseBurst { .. }))
    }

    fn has_begun(&self) -> Result<(), Unfit> {
        if self.ticks > 0 { Ok(()) } else { Err(Unfit::NotBegun) }
    }

    /// From now on so many whole kilograms hang on an arm, and nothing else.
    ///
    /// # Errors
    /// Time has not begun yet.
    pub fn hang(&mut self, arm: usize, mass: u32) -> Result<(), Unfit> {
        self.has_begun()?;
        let t = self.live.time();
        let loads = &mut self.live.made_up().payloads;
        loads.retain(|load| load.arm != arm || load.from < t);
        for load in loads.iter_mut().filter(|load| load.arm == arm && load.until.is_none()) {
            load.until = Some(t);
        }
        if mass > 0 {
            loads.push(Load {
                arm,
                mass: f64::from(mass),
                from: t,
                until: None,
            });
        }
        Ok(())
    }

    /// What hangs on an arm, kg.
    pub fn hung(&self, arm: usize) -> f64 {
        let t = self.live.time();
        let on = |load: &&Load| load.arm == arm && load.from <= t && load.until.is_none_or(|until| t < until);
        self.live
            .scenario()
            .payloads
            .iter()
            .filter(on)
            .map(|load| load.mass)
            .sum()
    }

    /// One tick. Whether the controller has just started anew, so that its log begins anew.
    ///
    /// # Errors
    /// The plant could not be integrated: the session is over.
    pub fn tick(&mut self) -> Result<bool, RunError> {
        let anew = self.live.think(|_, _, _| {});
        self.digest.take(&self.live.outputs, &self.live.plant);
        self.live.go()?;
        self.ticks += 1;
        Ok(anew)
    }

    /// The digest so far.
    pub fn digest(&self) -> u64 {
        self.digest.value()
    }

    /// It has lasted as long as a session may.
    pub fn over(&self) -> bool {
        self.live.time() > LONGEST_S
    }

    /// What it has been so far. None where that is too short.
    pub fn recording(&self) -> Option<Recording> {
        let scenario = self.live.scenario();
        let length = self.ticks.checked_sub(1)? as f64 * scenario.machine.timing.tick;
        let mut scenario = scenario.clone();
        scenario.length = length;
        scenario.hands.retain(|hand| hand.at <= length);
        scenario.faults.retain(|fault| fault.at <= length);
        scenario.payloads.retain(|load| load.from <= length);
        (length >= SHORTEST_S).then(|| Recording {
            scenario,
            digest: self.digest.value(),
        })
    }

    /// The scenario with which another session stands where this one is.
    pub fn from_here(&self) -> Scenario {
        let scenario = self.live.scenario();
        let axes = scenario.machine.axes.iter().enumerate();
        let angle = |axis: usize| self.live.plant.axis(axis).angle;
        Scenario {
            start: axes
                .map(|(number, axis)| angle(number).clamp(axis.joint.range.0, axis.joint.range.1))
                .collect(),
            payloads: (0..scenario.machine.arms.len())
                .map(|arm| load(arm, self.hung(arm)))
                .filter(|load| load.mass > 0.0)
                .collect(),
            mode: self.held.mode,
            ..scenario.clone()
        }
    }
}

/// From the start on, and for good.
fn load(arm: usize, mass: f64) -> Load {
    Load {
        arm,
        mass,
        from: 0.0,
        until: None,
    }
}

/// The start of a session that begins as `work` does, on its machine: same pose, loads, ground and oil, nothing done yet.
pub fn start(work: &Scenario) -> Scenario {
    let hanging = |load: &&Load| load.from <= 0.0;
    Scenario {
        name: "session".to_string(),
        about: "what somebody did in the seat".to_string(),
        length: LONGEST_S,
        hands: Vec::new(),
        hostile: None,
        faults: Vec::new(),
        payloads: work
            .payloads
            .iter()
            .filter(hanging)
            .map(|held| load(held.arm, held.mass))
            .collect(),
        expect: Expect::default(),
        ..work.clone()
    }
}

/// The scenario that the text of `scenario` gives back: the same but for last digits, which a text then keeps.
///
/// # Errors
/// It does not fit its machine.
pub fn settled(scenario: &Scenario) -> Result<Scenario, Complaints> {
    let mut idle = scenario.clone();
    idle.hands.push(Hand {
        at: 0.0,
        act: Act::Neutral,
    });
    let text = scenario::toml(&idle, &idle.machine_file);
    let mut read = read_back(&idle.machine, &idle.machine_file, &text)?;
    read.hands.pop();
    Ok(read)
}

/// The scenario of a recording's text.
///
/// # Errors
/// It does not fit the machine.
pub fn read_back(machine: &Arc<Description>, machine_file: &str, text: &str) -> Result<Scenario, Complaints> {
    scenario::parse_for(machine, machine_file, "the session", text)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::live::built;
    use crate::prove::catalogue::CATALOGUE;
    use crate::run::rehearse;
    use crate::scenario::builtin;

    fn began(name: &str) -> Scenario {
        let work = scenario::parse(name, builtin(name).unwrap(), Path::new("")).unwrap();
        settled(&start(&work)).unwrap()
    }

    /// Drives a session for a while, with levers that move in every tick, a stop, a lost link, loads and faults; then rehearses its text.
    #[test]
    fn a_session_is_rehearsed_to_the_bit_from_its_text() {
        let scenario = began("go-to");
        let machine = built(&scenario.machine).unwrap();
        let mut session = Session::new(&scenario, &machine, 7).unwrap();
        let mut held = Held::nothing(Mode::Tip);
        for tick in 0..1500_i16 {
            held.enable = tick > 100;
            held.reset = tick > 900 && tick < 950;
            held.slow = tick % 400 > 300;
            held.frame = if tick > 500 { Frame::Seat } else { Frame::Machine };
            held.mode = if tick > 1200 { Mode::Joint } else { Mode::Tip };
            if tick > 200 {
                held.levers[1] = (tick % 257) - 128;
                held.levers[8] = 128 - (tick * 3 % 257);
            }
            let heard = !(600..650).contains(&tick);
            session.hands(heard.then_some(held), (700..720).contains(&tick));
            match tick {
                250 => session.hang(1, 37).unwrap(),
                400 => session.hang(1, 0).unwrap(),
                450 => session.put_in(CATALOGUE[4], 3, 0.377).unwrap(),
                460 => session.mend(0).unwrap(),
                1300 => session
                    .put_in(crate::prove::catalogue::entry("piston leak").unwrap(), 1, 0.123456)
                    .unwrap(),
                _ => {}
            }
            session.tick().unwrap();
        }
        let recording = session.recording().unwrap();
        let text = scenario::toml(&recording.scenario, &scenario.machine_file);
        let again = read_back(&scenario.machine, &scenario.machine_file, &text).unwrap();
        assert_eq!(again.hands, recording.scenario.hands);
        assert_eq!(again.faults, recording.scenario.faults);
        assert_eq!(again.start, recording.scenario.start);
        let trace = rehearse(&again, 7).unwrap();
        assert_eq!(format!("{:016x}", trace.digest), format!("{:016x}", recording.digest));
        // Another seed is another run: the digest can tell.
        assert_ne!(rehearse(&again, 8).unwrap().digest, recording.digest);
    }

    #[test]
    fn another_session_begins_where_this_one_is() {
        let scenario = began("go-to");
        let machine = built(&scenario.machine).unwrap();
        let session = Session::new(&scenario, &machine, 1).unwrap();
        let here = settled(&session.from_here()).unwrap();
        assert_eq!(here.payloads, scenario.payloads);
        for (one, two) in here.start.iter().zip(&scenario.start) {
            assert!((one - two).abs() < 1e-9, "{one} {two}");
        }
        assert_eq!(settled(&here).unwrap(), here);
    }

    #[test]
    fn what_is_not_on_cannot_be_ended_and_a_burst_hose_stays() {
        let scenario = began("straight-lift");
        let machine = built(&scenario.machine).unwrap();
        let mut session = Session::new(&scenario, &machine, 1).unwrap();
        session.hands(None, true);
        // The first two stand for the hands: they end as those do.
        assert!(matches!(session.mend(0), Err(Unfit::NotOn)));
        assert!(matches!(session.mend(7), Err(Unfit::NotOn)));
        assert!(matches!(session.hang(0, 5), Err(Unfit::NotBegun)));
        session.tick().unwrap();
        session
            .put_in(crate::prove::catalogue::entry("hose burst").unwrap(), 1, 0.9)
            .unwrap();
        assert!(matches!(session.mend(2), Err(Unfit::Stays)));
    }
}
