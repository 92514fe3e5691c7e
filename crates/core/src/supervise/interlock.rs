//! The interlock: what is latched, who is in charge, and which row of the table the tick is.
//!
//! It is told facts, yes or no, and knows no number but how long something has held. So it can be explored to the end: what runs here
//! on a machine is what `tests/explore` walks through, state by state.

use heapless::Vec;

use super::What;
use super::causes::{Blame, CauseSet, Latches};
use super::record::Record;
use super::table::{Action, State, Table, Trigger};
use crate::cause::{Category, Cause};
use crate::inputs::{Authority, Station};
use crate::machine::{AXES_MAX, AxisId};
use crate::units::{Duration, Held};

/// How long everything must look well before the self-test has passed.
pub const SELF_TEST: Duration = Duration::from_ticks(50_000);

/// Most causes that can be found in one tick: two an axis, and twelve that are about no axis.
pub const FOUND_MAX: usize = 2 * AXES_MAX + 12;

/// What the interlock is told of a hand-control station.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Hand {
    /// Its frames are young enough.
    pub heard: bool,
    /// It must be heard, whoever is in charge.
    pub required: bool,
    /// Every lever of it is at neutral.
    pub neutral: bool,
    /// Its enabling switch is held, debounced.
    pub enable: bool,
}

/// What the interlock is told in one tick.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Facts {
    /// What is wrong now, whatever the interlock's state.
    pub found: Vec<Blame, FOUND_MAX>,
    /// Who selector and key say is to be in charge; none where the machine has no such station.
    pub selected: Option<Authority>,
    /// The station at the seat.
    pub seat: Hand,
    /// The wireless station. Silent where there is none.
    pub remote: Hand,
    /// The reset button, debounced.
    pub reset: bool,
    /// Every axis is known.
    pub well: bool,
    /// Every command is at neutral, and every axis at rest.
    pub at_rest: bool,
}

impl Facts {
    fn hand(&self, station: Station) -> Hand {
        match station {
            Station::Seat => self.seat,
            Station::Remote => self.remote,
        }
    }

    /// No lever of a station that is heard is away from neutral.
    fn moved_nowhere(&self) -> bool {
        [self.seat, self.remote].iter().all(|hand| !hand.heard || hand.neutral)
    }

    /// A station that must be heard is silent: the one in charge, or one whose stop button is part of the machine's.
    fn silent(&self, in_charge: Authority) -> bool {
        let missing = |hand: Hand| hand.required && !hand.heard;
        !self.hand(in_charge.station).heard || missing(self.seat) || missing(self.remote)
    }

    /// Selector and key say who is in charge, every station that must be heard is, and every lever is at neutral.
    fn hands_neutral(&self, in_charge: Authority) -> bool {
        self.selected == Some(in_charge) && !self.silent(in_charge) && self.moved_nowhere()
    }
}

/// What the interlock remembers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Interlock {
    state: State,
    authority: Authority,
    latches: Latches,
    tested: Held,
    stopping: Held,
    last_reset: bool,
    last_enable: bool,
    /// The last run left something that nobody has reset yet.
    left: bool,
}

impl Interlock {
    /// Just started, with what was kept of the run before this one. Where that ended under power, or with something latched, or is not known,
    /// nothing is ready until it has been reset: a loss of power is no reset.
    pub fn after(kept: Option<Record>) -> Self {
        let idle = |record: Record| {
            record.cause.is_none() && matches!(record.state, State::SelfTest | State::Standby | State::Ready)
        };
        Self {
            left: !kept.is_some_and(idle),
            ..Self::default()
        }
    }

    /// The state to be kept for the next run. A stop that nobody has reset stays one over any number of losses of power.
    pub fn kept_state(&self) -> State {
        if self.left { State::Stopped } else { self.state }
    }

    /// The valves have power, or may get it.
    pub fn powered(&self) -> bool {
        matches!(self.state, State::Enabled | State::Stopping)
    }

    /// Who is in charge.
    pub fn authority(&self) -> Authority {
        self.authority
    }

    /// What was latched first since the last reset, and the axis it is about.
    pub fn cause(&self) -> Option<Blame> {
        self.latches.first()
    }

    /// One tick, `dt` after the last. A stop ends in no power no later than `stop_budget` after it began. What is worth logging goes to
    /// `note`. The table is [`super::next`]; a test may give one with a mistake in it, to see that the mistake is found.
    pub fn step(
        &mut self,
        table: Table,
        facts: &Facts,
        dt: Duration,
        stop_budget: Duration,
        mut note: impl FnMut(What, Option<AxisId>),
    ) -> (State, Action) {
        let standing = self.latch(facts, &mut note);
        if !self.powered() && facts.at_rest && facts.moved_nowhere() {
            self.hand_over(facts);
        }
        let trigger = self.trigger(facts, standing, dt, stop_budget, &mut note);
        let (state, action) = table(self.state, trigger);
        if state != self.state {
            note(What::State(state), None);
            self.stopping.restart();
            self.tested.restart();
            self.state = state;
        }
        self.last_reset = facts.reset;
        self.last_enable = facts.hand(self.authority.station).enable;
        (state, action)
    }

    /// Latches what stands, and says what that is.
    fn latch(&mut self, facts: &Facts, note: &mut impl FnMut(What, Option<AxisId>)) -> CauseSet {
        // Without power a missing station is no event: it only cannot enable.
        let silent = self.powered() && facts.silent(self.authority);
        let link_lost = silent.then_some((Cause::LinkLost, None));
        let mut standing = CauseSet::default();
        for (cause, axis) in facts.found.iter().copied().chain(link_lost) {
            standing.insert(cause);
            if self.latches.latch((cause, axis)) {
                note(What::Cause(cause), axis);
            }
        }
        standing
    }

    /// Without power, at standstill and with every lever at neutral, selector and key decide who is in charge. An enabling switch that is held
    /// while it changes hands has to be let go first.
    fn hand_over(&mut self, facts: &Facts) {
        let authority = facts.selected.unwrap_or_default();
        if authority != self.authority {
            self.authority = authority;
            self.last_enable = true;
        }
    }

    /// The most urgent thing of this tick.
    fn trigger(
        &mut self,
        facts: &Facts,
        standing: CauseSet,
        dt: Duration,
        stop_budget: Duration,
        note: &mut impl FnMut(What, Option<AxisId>),
    ) -> Trigger {
        let neutral = facts.hands_neutral(self.authority);
        let reset = facts.reset && !self.last_reset;
        // Under power there is nothing to reset, and a reset must not hide that the enabling switch was let go.
        let accepted = reset && standing.is_empty() && neutral && !self.powered();
        if accepted {
            self.latches.clear();
            // A button that is tied down, and so is down from the start, has not been pressed.
            self.left &= self.state == State::SelfTest;
        } else if reset && (self.left || !self.latches.set().is_empty()) {
            note(What::ResetRefused, None);
        }
        let enable = facts.hand(self.authority.station).enable;
        let pressed = enable && !self.last_enable;
        let may_enable = self.state == State::Ready && neutral;
        if pressed && !may_enable && self.state != State::Enabled {
            note(What::EnableRefused, None);
        }

        let latched = self.latches.set();
        let ramped = self.ramped(facts, dt, stop_budget);
        if latched.any(Category::Zero, true) {
            Trigger::CutFault
        } else if latched.any(Category::Zero, false) {
            Trigger::CutStop
        } else if ramped && !latched.is_empty() {
            Trigger::RampedLatched
        } else if latched.any(Category::One, true) {
            Trigger::RampFault
        } else if latched.any(Category::One, false) {
            Trigger::RampStop
        } else if ramped {
            Trigger::Ramped
        } else if accepted {
            Trigger::Reset
        } else if self.state == State::SelfTest && self.tested.reaches(SELF_TEST, facts.well, dt) {
            Trigger::TestsPassed
        } else if self.state == State::Enabled && (!enable || facts.selected != Some(self.authority)) {
            Trigger::Released
        } else if !neutral || self.left {
            Trigger::LeversMoved
        } else if pressed && may_enable {
            Trigger::Enable
        } else {
            Trigger::LeversNeutral
        }
    }

    /// While stopping: everything is at neutral and at rest, or the time for that is over.
    fn ramped(&mut self, facts: &Facts, dt: Duration, stop_budget: Duration) -> bool {
        self.state == State::Stopping && (self.stopping.reaches(stop_budget, true, dt) || facts.at_rest)
    }
}
