//! Supervise: may the machine move, who says so, how fast; and if not, why.
//!
//! Takes the [`Posture`], the raw inputs (frames of the hand controls, selector) and what the guard and the drive did in the
//! last tick; gives a [`Permit`]; holds the interlock's state, the latched causes, the watchdogs and the event log. It never
//! commands anything itself.

mod causes;
mod interlock;
mod log;
mod watch;

use crate::cause::{Category, Cause};
use crate::inputs::{Inputs, Station};
use crate::last_tick::{Guarded, LastTick, Obstacle};
use crate::machine::{AxisId, Machine, PerAxis, StationLimits};
use crate::math;
use crate::sense::Posture;
use crate::units::{Duration, Held};

use causes::{CauseSet, Latches};
pub use interlock::{Action, State, Trigger, next};
pub use log::{EVENTS_KEPT, Event, EventLog, What};
use watch::AxisWatch;

/// How long everything must look well before the self-test has passed.
const SELF_TEST: Duration = Duration::from_ticks(50_000);

/// What the later stages may do.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Permit {
    /// State of the interlock.
    pub state: State,
    /// What it allows.
    pub action: Action,
    /// The station in charge.
    pub station: Station,
    /// What that station may do.
    pub limits: StationLimits,
    /// What was latched first since the last reset, and the axis it is about.
    pub cause: Option<(Cause, Option<AxisId>)>,
}

/// What supervision remembers.
#[derive(Debug, Clone, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Supervise {
    state: State,
    station: Station,
    latches: Latches,
    watches: PerAxis<AxisWatch>,
    tested: Held,
    stopping: Held,
    last_reset: bool,
    last_enable: bool,
    last_guarded: Guarded,
    log: EventLog,
}

/// All that one tick of supervision looks at.
#[derive(Clone, Copy)]
struct Sight<'t> {
    machine: &'t Machine,
    posture: &'t Posture,
    inputs: &'t Inputs,
    last: &'t LastTick,
}

impl Supervise {
    /// The event log.
    pub fn log(&self) -> &EventLog {
        &self.log
    }

    /// One tick of supervision.
    ///
    /// Guaranteed: a cause of category 0 takes the power in the tick that shows it; one of category 1 ends the driving in that tick, and
    /// takes the power when everything is at rest or the stop budget is over. Neither comes back but by an accepted reset and, after it,
    /// the enabling switch pressed anew.
    pub fn step(&mut self, machine: &Machine, posture: &Posture, inputs: &Inputs, last: &LastTick) -> Permit {
        let sight = Sight {
            machine,
            posture,
            inputs,
            last,
        };
        self.log_guard(posture, &last.guarded);
        if let Some(refusal) = last.refused {
            let axis = match refusal.obstacle {
                Obstacle::EndOfRange(axis) => Some(axis),
                _ => None,
            };
            self.note(posture, What::OrderRefused(refusal), axis);
        }
        let powered = matches!(self.state, State::Enabled | State::Stopping);
        let standing = self.find_causes(sight, powered);
        if !powered {
            self.choose_station(machine, inputs);
        }
        let (state, action) = next(self.state, self.trigger(sight, standing));
        if state != self.state {
            self.note(posture, What::State(state), None);
            if state == State::Stopping {
                self.stopping.restart();
            }
            self.state = state;
        }
        self.last_reset = posture.reset;
        self.last_enable = posture.enable(self.station);
        Permit {
            state,
            action,
            station: self.station,
            limits: reduced(self.limits(machine), machine, inputs),
            cause: self.latches.first(),
        }
    }

    /// Looks for everything that is wrong now, latches it, and says what stands.
    fn find_causes(&mut self, sight: Sight, powered: bool) -> CauseSet {
        let Sight {
            machine,
            posture,
            inputs,
            last,
        } = sight;
        let mut standing = CauseSet::default();
        let mut raise = |supervise: &mut Self, cause, axis| {
            standing.insert(cause);
            if supervise.latches.latch((cause, axis)) {
                supervise.note(posture, What::Cause(cause), axis);
            }
        };
        for (holds, cause) in [
            (posture.stop_demanded, Cause::StopButton),
            (posture.stop_discrepancy, Cause::StopDiscrepancy),
            (posture.tick_late, Cause::TickLate),
            (any_hand_stops(machine, inputs), Cause::HandStop),
            // Without power a missing station is no event: it only cannot enable.
            (powered && !self.is_heard(sight), Cause::LinkLost),
            (last.driven.bad_signal, Cause::BadDuty),
        ] {
            if holds {
                raise(self, cause, None);
            }
        }
        for (id, axis) in machine.axes() {
            let now = posture.axes.get(id);
            if let Some(cause) = now.fault {
                raise(self, cause, Some(id));
            }
            let mut watch = if powered {
                self.watches.get(id)
            } else {
                AxisWatch::default()
            };
            if powered
                && now.known
                && let Some(cause) = watch.step(axis, &now, &last.driven.axes.get(id), posture.dt)
            {
                raise(self, cause, Some(id));
            }
            self.watches.set(id, watch);
        }
        standing
    }

    /// The most urgent thing of this tick.
    fn trigger(&mut self, sight: Sight, standing: CauseSet) -> Trigger {
        let Sight {
            machine,
            posture,
            inputs,
            last,
        } = sight;
        let neutral = self.is_heard(sight) && hands_neutral(machine, inputs, self.station);
        let reset = posture.reset && !self.last_reset;
        let accepted = reset && standing.is_empty() && neutral && self.state != State::Stopping;
        if accepted {
            self.latches.clear();
        } else if reset && !self.latches.set().is_empty() {
            self.note(posture, What::ResetRefused, None);
        }
        let enable = posture.enable(self.station);
        let pressed = enable && !self.last_enable;
        let may_enable = self.state == State::Ready && neutral;
        if pressed && !may_enable && self.state != State::Enabled {
            self.note(posture, What::EnableRefused, None);
        }

        let latched = self.latches.set();
        let ramped = self.ramped(machine, posture, last);
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
        } else if self.state == State::SelfTest && self.tests_pass(machine, posture) {
            Trigger::TestsPassed
        } else if self.state == State::Enabled && (!enable || inputs.selector != self.station) {
            Trigger::Released
        } else if !neutral {
            Trigger::LeversMoved
        } else if pressed && may_enable {
            Trigger::Enable
        } else {
            Trigger::LeversNeutral
        }
    }

    /// Every axis has been known for long enough.
    fn tests_pass(&mut self, machine: &Machine, posture: &Posture) -> bool {
        let well = machine.axes().all(|(id, _)| posture.axes.get(id).known);
        self.tested.step(well, posture.dt) >= SELF_TEST
    }

    /// While stopping: everything is at neutral and at rest, or the time for that is over.
    fn ramped(&mut self, machine: &Machine, posture: &Posture, last: &LastTick) -> bool {
        if self.state != State::Stopping {
            return false;
        }
        let at_rest = machine.axes().all(|(id, axis)| {
            last.driven.axes.get(id).command == 0.0 && math::abs(posture.axes.get(id).rate) < axis.watch.still_rate
        });
        self.stopping.step(true, posture.dt) >= machine.timing().stop_budget || at_rest
    }

    /// The station in charge sends frames that are young enough.
    fn is_heard(&self, sight: Sight) -> bool {
        let late = self.limits(sight.machine).frame_late;
        sight.inputs.hand(self.station).fresh(late)
    }

    /// Without power, the selector decides who is in charge. An enabling switch that is held while it changes hands has to be let go
    /// first.
    fn choose_station(&mut self, machine: &Machine, inputs: &Inputs) {
        let station = match inputs.selector {
            Station::Remote if machine.remote().is_some() => Station::Remote,
            _ => Station::Seat,
        };
        if station != self.station {
            self.station = station;
            self.last_enable = true;
        }
    }

    fn limits(&self, machine: &Machine) -> StationLimits {
        match self.station {
            Station::Seat => machine.seat(),
            Station::Remote => machine.remote().unwrap_or(machine.seat()),
        }
    }

    /// Notes where the guard has begun to hold something back.
    fn log_guard(&mut self, posture: &Posture, guarded: &Guarded) {
        let before = core::mem::replace(&mut self.last_guarded, *guarded);
        for (id, held) in guarded.axes.iter() {
            if let Some(held) = held.filter(|_| before.axes.get(id).is_none()) {
                self.note(posture, What::Held(held), Some(id));
            }
        }
    }

    fn note(&mut self, posture: &Posture, what: What, axis: Option<AxisId>) {
        self.log.push(Event {
            at: posture.now,
            what,
            axis,
        });
    }
}

/// What a station may do, no faster than commissioning allows while the key is turned to that.
fn reduced(limits: StationLimits, machine: &Machine, inputs: &Inputs) -> StationLimits {
    let caps = [
        limits.tip_speed,
        machine.commissioning_speed().filter(|_| inputs.commissioning),
    ];
    StationLimits {
        tip_speed: caps.into_iter().flatten().reduce(math::min),
        ..limits
    }
}

/// The stations that the machine has, with what they may do.
fn stations(machine: &Machine) -> impl Iterator<Item = (Station, StationLimits)> {
    let remote = machine.remote().map(|limits| (Station::Remote, limits));
    core::iter::once((Station::Seat, machine.seat())).chain(remote)
}

/// A stop button of a station that is heard is pressed, whoever is in charge.
fn any_hand_stops(machine: &Machine, inputs: &Inputs) -> bool {
    stations(machine).any(|(station, limits)| {
        let hand = inputs.hand(station);
        hand.fresh(limits.frame_late) && !hand.stop_clear
    })
}

/// The selector points at the station in charge, and every lever of every station that is heard is at neutral.
fn hands_neutral(machine: &Machine, inputs: &Inputs, in_charge: Station) -> bool {
    inputs.selector == in_charge
        && stations(machine).all(|(station, limits)| {
            let hand = inputs.hand(station);
            !hand.fresh(limits.frame_late) || hand.neutral(limits.dead_zone)
        })
}
