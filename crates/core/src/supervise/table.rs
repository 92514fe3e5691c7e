//! The interlock's table: one pure function of (state, trigger) to (state, action).
//!
//! Stop rows stand first, so that no later row can shadow them. Every row that lets the machine move is spelt out; what is not
//! spelt out stays where it is, without power.

use core::fmt;

/// Where the interlock is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum State {
    /// Just started, or just reset; sensors and switches are being looked at.
    #[default]
    SelfTest,
    /// No power; waiting for levers at neutral, and for the reset of what the last run left.
    Standby,
    /// No power; levers at neutral, may be enabled.
    Ready,
    /// Power on; the hands move the machine.
    Enabled,
    /// Category 1 stop: ramping down, power goes off at the end of it.
    Stopping,
    /// Stopped; stays so until reset.
    Stopped,
    /// Something is broken; stays so until it is mended and reset.
    Fault,
}

/// What happened in this tick: the most urgent thing, one of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Trigger {
    /// A fault that wants power off at once stands.
    CutFault,
    /// A stop that wants power off at once stands.
    CutStop,
    /// Ramped down (or out of time for it) while a fault or stop stands.
    RampedLatched,
    /// A fault that allows a ramp stands.
    RampFault,
    /// A stop that allows a ramp stands.
    RampStop,
    /// Ramped down (or out of time for it), nothing stands.
    Ramped,
    /// Deliberate reset: its button was pressed with nothing standing and every lever at neutral.
    Reset,
    /// The self-test has passed.
    TestsPassed,
    /// The enabling switch is not held, or selector and key say that somebody else is to be in charge.
    Released,
    /// A lever is away from neutral, or the levers are not known; or what the last run left has not been reset.
    LeversMoved,
    /// The enabling switch was pressed just now, with every lever at neutral.
    Enable,
    /// Every lever is at neutral.
    LeversNeutral,
}

/// What the rest of the core may do about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Action {
    /// No power, dump open.
    Cut,
    /// Power stays while everything ramps to neutral.
    RampDown,
    /// Power; the hands are followed.
    Drive,
}

impl State {
    /// All states.
    pub const ALL: [Self; 7] = [
        Self::SelfTest,
        Self::Standby,
        Self::Ready,
        Self::Enabled,
        Self::Stopping,
        Self::Stopped,
        Self::Fault,
    ];
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::SelfTest => "self-test",
            Self::Standby => "standby",
            Self::Ready => "ready",
            Self::Enabled => "enabled",
            Self::Stopping => "stopping",
            Self::Stopped => "stopped",
            Self::Fault => "fault",
        })
    }
}

impl Trigger {
    /// All triggers, the most urgent first.
    pub const ALL: [Self; 12] = [
        Self::CutFault,
        Self::CutStop,
        Self::RampedLatched,
        Self::RampFault,
        Self::RampStop,
        Self::Ramped,
        Self::Reset,
        Self::TestsPassed,
        Self::Released,
        Self::LeversMoved,
        Self::Enable,
        Self::LeversNeutral,
    ];
}

/// From a state and a trigger to the state after and what it allows.
pub type Table = fn(State, Trigger) -> (State, Action);

/// The table.
#[allow(clippy::match_same_arms, reason = "a table to be read row by row, not folded")]
pub const fn next(state: State, trigger: Trigger) -> (State, Action) {
    use Action::{Cut, Drive, RampDown};
    use State::{Enabled, Fault, Ready, SelfTest, Standby, Stopped, Stopping};
    use Trigger::{
        CutFault, CutStop, Enable, LeversMoved, LeversNeutral, RampFault, RampStop, Ramped, RampedLatched, Released,
        Reset, TestsPassed,
    };
    match (state, trigger) {
        // Stops, from anywhere.
        (_, CutFault) => (Fault, Cut),
        (Fault, CutStop) => (Fault, Cut),
        (_, CutStop) => (Stopped, Cut),
        (Enabled | Stopping, RampFault | RampStop) => (Stopping, RampDown),
        (Stopping, RampedLatched) => (Stopped, Cut),
        (_, RampFault) => (Fault, Cut),
        (SelfTest | Standby | Ready | Stopped, RampStop) => (Stopped, Cut),

        // Letting go ends motion without latching anything.
        (Enabled, Released) => (Stopping, RampDown),
        (Stopping, Ramped) => (Standby, Cut),

        // The way up, one deliberate step at a time.
        (Stopped | Fault, Reset) => (SelfTest, Cut),
        (SelfTest, TestsPassed) => (Standby, Cut),
        (Standby, LeversNeutral) => (Ready, Cut),
        (Ready, LeversMoved | Released) => (Standby, Cut),

        // Motion: entered here and kept here.
        (Ready, Enable) => (Enabled, Drive),
        (Enabled, LeversMoved | Enable | LeversNeutral) => (Enabled, Drive),
        (Stopping, Released | LeversMoved | Enable | LeversNeutral) => (Stopping, RampDown),
        // A ramp's end is only said while stopping, a reset and a test passed only without power; were they said here, something would
        // be wrong.
        (Enabled, RampedLatched | Ramped | Reset | TestsPassed) | (Stopping, Reset | TestsPassed) => (Stopped, Cut),

        (SelfTest | Standby | Ready | Stopped | Fault, _) => (state, Cut),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> impl Iterator<Item = (State, Trigger)> {
        State::ALL
            .into_iter()
            .flat_map(|state| Trigger::ALL.into_iter().map(move |trigger| (state, trigger)))
    }

    #[test]
    fn only_enable_from_ready_starts_motion() {
        for (state, trigger) in all() {
            let (_, action) = next(state, trigger);
            let moving = matches!(state, State::Enabled | State::Stopping);
            if action != Action::Cut && !moving {
                assert_eq!((state, trigger), (State::Ready, Trigger::Enable));
            }
            if action == Action::Drive {
                assert!(state == State::Enabled || (state, trigger) == (State::Ready, Trigger::Enable));
            }
        }
    }

    #[test]
    fn a_cut_cuts_in_every_state() {
        for state in State::ALL {
            assert_eq!(next(state, Trigger::CutFault), (State::Fault, Action::Cut));
            let (after, action) = next(state, Trigger::CutStop);
            assert!(action == Action::Cut && matches!(after, State::Stopped | State::Fault));
        }
    }

    #[test]
    fn a_stop_or_fault_that_stands_never_leaves_the_machine_driving() {
        for state in State::ALL {
            for trigger in [Trigger::RampFault, Trigger::RampStop, Trigger::RampedLatched] {
                assert_ne!(next(state, trigger).1, Action::Drive, "{state} {trigger:?}");
            }
        }
    }

    #[test]
    fn stopped_and_fault_are_left_by_reset_alone_and_towards_the_self_test() {
        for (state, trigger) in all().filter(|(state, _)| matches!(state, State::Stopped | State::Fault)) {
            let (after, action) = next(state, trigger);
            assert_eq!(action, Action::Cut);
            if !matches!(after, State::Stopped | State::Fault) {
                assert_eq!((trigger, after), (Trigger::Reset, State::SelfTest));
            }
        }
    }

    #[test]
    fn each_state_has_a_name_of_its_own() {
        let names: std::collections::BTreeSet<_> = State::ALL.iter().map(std::string::ToString::to_string).collect();
        assert_eq!(names.len(), State::ALL.len());
    }

    #[test]
    fn every_state_can_be_reached_and_enabled_again() {
        let mut seen = [false; State::ALL.len()];
        let index = |state: State| State::ALL.iter().position(|s| *s == state).unwrap();
        let mut open = std::vec![State::SelfTest];
        while let Some(state) = open.pop() {
            if core::mem::replace(&mut seen[index(state)], true) {
                continue;
            }
            open.extend(Trigger::ALL.iter().map(|trigger| next(state, *trigger).0));
        }
        assert_eq!(seen, [true; State::ALL.len()]);
    }
}
