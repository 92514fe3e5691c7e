//! Supervise: may the machine move, who says so, how fast; and if not, why.
//!
//! Takes the [`Posture`], the raw inputs (frames of the hand controls, selector) and what the guard and the drive did in the
//! last tick; gives a [`Permit`]; holds the interlock's state, the latched causes, the watchdogs and the event log. It never
//! commands anything itself.

mod adrift;
mod causes;
mod interlock;
mod log;
mod record;
mod relays;
mod table;
mod watch;

use heapless::Vec;

use crate::cause::Cause;
use crate::inputs::{Authority, Inputs, Station};
use crate::last_tick::{AxisDriven, Guarded, LastTick, Obstacle};
use crate::machine::{Axis, AxisId, Machine, PerAxis, StationLimits, Timing};
use crate::math;
use crate::sense::Posture;
use crate::stamp::{Stage, Stamp};
use crate::units::{Duration, Held, Instant};

use adrift::Adrift;
pub use causes::{Blame, CauseSet};
pub use interlock::{FOUND_MAX, Facts, Hand, Interlock, SELF_TEST};
pub use log::{EVENTS_KEPT, Event, EventLog, What};
pub use record::{RECORD_LEN, Record};
use relays::RelayWatch;
pub use table::{Action, State, Table, Trigger, next};
use watch::AxisWatch;

/// What the later stages may do.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Permit {
    /// How it came to be.
    pub stamp: Stamp,
    /// State of the interlock.
    pub state: State,
    /// What it allows.
    pub action: Action,
    /// The station in charge.
    pub station: Station,
    /// What that station may do.
    pub limits: StationLimits,
    /// What was latched first since the last reset, and the axis it is about.
    pub cause: Option<Blame>,
    /// What was latched when the controller last lost its power, until it is enabled again.
    pub before: Option<Blame>,
}

/// What has not been so for this long is news when it is so again. An axis that slides along a zone is held back and let go many times a
/// second, and a weak radio link comes and goes.
const FORGOTTEN: Duration = Duration::from_ticks(1_000_000);

/// Whether something that comes and goes has been so of late.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct News {
    lately: bool,
    gone: Held,
}

impl News {
    /// It is so, and has not been for a while.
    fn begins(&mut self, so: bool, dt: Duration) -> bool {
        let begins = so && !self.lately;
        self.lately = so || (self.lately && !self.gone.reaches(FORGOTTEN, true, dt));
        if so {
            self.gone.restart();
        }
        begins
    }
}

/// What supervision remembers.
#[derive(Debug, Clone, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Supervise {
    interlock: Interlock,
    watches: PerAxis<AxisWatch>,
    adrift: PerAxis<Adrift>,
    relays: RelayWatch,
    guarded: PerAxis<News>,
    /// The station at the seat and the wireless one, once they have been heard.
    silent: [Option<News>; 2],
    /// What the last run left, until this one is enabled.
    before: Option<Blame>,
    log: EventLog,
}

impl Supervise {
    /// Just started, with what was kept of the run before this one.
    pub fn after(kept: Option<Record>) -> Self {
        let mut supervise = Self {
            interlock: Interlock::after(kept),
            before: kept.and_then(|record| record.cause),
            ..Self::default()
        };
        supervise.log.push(Event {
            at: Instant::from_ticks(0),
            what: kept.map_or(What::RecordLost, |record| What::Restarted(record.state)),
            axis: None,
        });
        supervise
    }

    /// What is to be kept for the next run.
    pub fn record(&self) -> Record {
        Record {
            state: self.interlock.kept_state(),
            cause: self.interlock.cause().or(self.before),
        }
    }

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
        self.log_guard(posture, &last.guarded);
        if let Some(refusal) = last.refused {
            let axis = match refusal.obstacle {
                Obstacle::EndOfRange(axis) => Some(axis),
                _ => None,
            };
            self.note(posture, What::OrderRefused(refusal), axis);
        }
        let facts = self.facts(machine, posture, inputs, last);
        self.log_stations(posture, &facts);
        let log = &mut self.log;
        let (state, action) =
            self.interlock
                .step(next, &facts, posture.dt, machine.timing().stop_budget, |what, axis| {
                    log.push(Event {
                        at: posture.now,
                        what,
                        axis,
                    });
                });
        if action == Action::Drive {
            self.before = None;
        }
        let authority = self.interlock.authority();
        Permit {
            stamp: posture.stamp.through(Stage::Supervise),
            state,
            action,
            station: authority.station,
            limits: reduced(machine, authority),
            cause: self.interlock.cause(),
            before: self.before,
        }
    }

    /// What the interlock is told.
    fn facts(&mut self, machine: &Machine, posture: &Posture, inputs: &Inputs, last: &LastTick) -> Facts {
        let hand = |station| {
            let (frame, limits) = (inputs.hand(station), limits(machine, station));
            Hand {
                heard: has(machine, station) && frame.fresh(limits.frame_late),
                required: has(machine, station) && limits.required,
                neutral: frame.neutral(limits.dead_zone),
                enable: posture.switches.enable(station),
            }
        };
        Facts {
            found: self.find_causes(machine, posture, inputs, last),
            selected: Some(inputs.selector)
                .filter(|station| has(machine, *station))
                .map(|station| Authority {
                    station,
                    commissioning: inputs.commissioning && machine.commissioning_speed().is_some(),
                }),
            seat: hand(Station::Seat),
            remote: hand(Station::Remote),
            reset: posture.switches.reset,
            well: machine.axes().all(|(id, _)| posture.axes.get(id).known),
            at_rest: machine.axes().all(|(id, axis)| {
                last.driven.axes.get(id).command == 0.0 && math::abs(posture.axes.get(id).rate) < axis.watch.still_rate
            }),
        }
    }

    /// Everything that is wrong now.
    fn find_causes(
        &mut self,
        machine: &Machine,
        posture: &Posture,
        inputs: &Inputs,
        last: &LastTick,
    ) -> Vec<Blame, FOUND_MAX> {
        let mut found = Vec::new();
        let mut raise = |cause, axis| {
            // Cannot be full: no more than FOUND_MAX can be found.
            let _ = found.push((cause, axis));
        };
        // First what nothing else can be trusted without: the time, and the order of the stages.
        if let Some(cause) = posture.untimely {
            raise(cause, None);
        }
        for (holds, cause) in [
            (!posture.stamp.follows(last.driven.stamp), Cause::StageOrder),
            (posture.switches.stop_demanded, Cause::StopButton),
            (posture.switches.stop_discrepancy, Cause::StopDiscrepancy),
            (posture.switches.stop_stuck, Cause::StopStuck),
            (posture.switches.supply_bad, Cause::Supply),
            (any_hand_stops(machine, inputs), Cause::HandStop),
            (last.driven.bad_signal, Cause::BadDuty),
        ] {
            if holds {
                raise(cause, None);
            }
        }
        if let Some(time) = machine.timing().relay {
            let untrue = self.relays.step(last.relays, inputs.relays, time, posture.dt);
            for cause in untrue.into_iter().flatten() {
                raise(cause, None);
            }
        }
        for (id, axis) in machine.axes() {
            let now = posture.axes.get(id);
            let moves = self.watch_motion(machine.timing(), (id, axis), posture, &last.driven.axes.get(id));
            for cause in [now.fault, moves].into_iter().flatten() {
                raise(cause, Some(id));
            }
        }
        found
    }

    /// What is wrong with the motion of an axis, with power or without it. What was remembered of the other is then forgotten.
    fn watch_motion(
        &mut self,
        timing: &Timing,
        (id, axis): (AxisId, &Axis),
        posture: &Posture,
        driven: &AxisDriven,
    ) -> Option<Cause> {
        let (now, dt) = (posture.axes.get(id), posture.dt);
        let (mut watch, mut adrift) = (AxisWatch::default(), Adrift::default());
        let cause = if self.interlock.powered() {
            watch = self.watches.get(id);
            now.known.then(|| watch.step(axis, &now, driven, dt)).flatten()
        } else {
            adrift = self.adrift.get(id);
            adrift.step(axis, timing, &now, dt).then_some(Cause::MotionUnasked)
        };
        self.watches.set(id, watch);
        self.adrift.set(id, adrift);
        cause
    }

    /// Notes where a station falls silent whose silence is no stop. One that was never there is not lost.
    fn log_stations(&mut self, posture: &Posture, facts: &Facts) {
        let (powered, in_charge) = (self.interlock.powered(), self.interlock.authority().station);
        let hands = [(Station::Seat, facts.seat), (Station::Remote, facts.remote)];
        for (silent, (station, hand)) in self.silent.iter_mut().zip(hands) {
            if hand.heard {
                silent.get_or_insert_default();
            }
            let stops = powered && (station == in_charge || hand.required);
            if let Some(silent) = silent
                && silent.begins(!hand.heard, posture.dt)
                && !stops
            {
                self.log.push(Event {
                    at: posture.now,
                    what: What::StationLost(station),
                    axis: None,
                });
            }
        }
    }

    /// Notes where the guard has begun to hold something back.
    fn log_guard(&mut self, posture: &Posture, guarded: &Guarded) {
        for (id, held) in guarded.axes.iter() {
            let mut before = self.guarded.get(id);
            if before.begins(held.is_some(), posture.dt)
                && let Some(held) = held
            {
                self.note(posture, What::Held(held), Some(id));
            }
            self.guarded.set(id, before);
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

fn has(machine: &Machine, station: Station) -> bool {
    station == Station::Seat || machine.remote().is_some()
}

/// What a station may do. A station that the machine has not got is never in charge.
fn limits(machine: &Machine, station: Station) -> StationLimits {
    match station {
        Station::Seat => machine.seat(),
        Station::Remote => machine.remote().unwrap_or(machine.seat()),
    }
}

/// What who is in charge may do: what the station may, and with the key turned no faster than commissioning allows.
fn reduced(machine: &Machine, authority: Authority) -> StationLimits {
    let limits = limits(machine, authority.station);
    let caps = [
        limits.tip_speed,
        machine.commissioning_speed().filter(|_| authority.commissioning),
    ];
    StationLimits {
        tip_speed: caps.into_iter().flatten().reduce(math::min),
        ..limits
    }
}

/// A stop button of a station that is heard is pressed, whoever is in charge.
fn any_hand_stops(machine: &Machine, inputs: &Inputs) -> bool {
    [Station::Seat, Station::Remote].into_iter().any(|station| {
        let hand = inputs.hand(station);
        has(machine, station) && hand.fresh(limits(machine, station).frame_late) && !hand.stop_clear
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_that_is_held_back_again_and_again_is_news_once() {
        let (mut axis, tick) = (News::default(), Duration::from_ticks(2_000));
        let mut news = |held, ticks| (0..ticks).filter(|_| axis.begins(held, tick)).count();
        assert_eq!(news(true, 10), 1);
        assert_eq!(news(false, 400) + news(true, 1) + news(false, 499) + news(true, 5), 0);
        assert_eq!(news(false, 501) + news(true, 5), 1);
    }
}
