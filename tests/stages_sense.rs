//! What the front doors of `sense` and `supervise` guarantee, asserted as it is stated there.

use bellcrank_core::Machine;
use bellcrank_core::cause::{Category, Cause};
use bellcrank_core::last_tick::{Held, Obstacle, Refusal};
use bellcrank_core::machine::{AXES_MAX, AxisId, PerAxis, StationLimits};
use bellcrank_core::sense::{AxisPosture, Sense};
use bellcrank_core::supervise::{Action, SELF_TEST, State, What};
use bellcrank_core::units::{Duration, Instant};
use proptest::prelude::*;

use crate::check::{TICK_US, parts, parts_with_twin};
use crate::hostile::spell;
use crate::supervised::Watched;

proptest! {
    /// `Sense::step`: whatever is read.
    #[test]
    fn a_posture_can_be_used_whatever_was_read(spells in prop::collection::vec(spell(), 1..12)) {
        let machine = Machine::new(parts_with_twin()).unwrap();
        let mut sense = Sense::default();
        let mut now = 0_u64;
        for (ticks, mut inputs, dt) in spells {
            for _ in 0..ticks {
                now = now.wrapping_add(dt);
                inputs.now = Instant::from_ticks(now);
                let posture = sense.step(&machine, &inputs);
                prop_assert!(!posture.dt.is_zero() && posture.dt <= machine.timing().tick_late);
                prop_assert_eq!(posture.switches.stop_demanded, inputs.stop_chain != [true, true]);
                for (id, _) in machine.axes() {
                    let axis = posture.axes.get(id);
                    let AxisPosture { stroke, spread, rate, angle, ratio, .. } = axis;
                    prop_assert!([stroke, spread, rate, angle, ratio].iter().all(|number| number.is_finite()), "{axis:?}");
                    prop_assert_eq!(ratio != 0.0, axis.known);
                }
                for (index, arm) in machine.arms().iter().enumerate() {
                    let known = arm.joints.iter().all(|joint| posture.axes.get(joint.axis).known);
                    prop_assert_eq!(posture.arm(index).is_some(), known);
                }
            }
        }
    }
}

impl Watched<'_> {
    /// Axis 0 has this fault, or none.
    fn blame(&mut self, fault: Option<Cause>) {
        let id = AxisId::new(0).unwrap();
        let axis = self.posture.axes.get(id);
        self.posture.axes.set(id, AxisPosture { fault, ..axis });
    }

    /// Axis 0 will not come to rest, and is not fast enough to be a cause of its own.
    fn keep_moving(&mut self) {
        let id = AxisId::new(0).unwrap();
        let axis = self.posture.axes.get(id);
        let rate = self.machine.axis(id).unwrap().watch.still_rate;
        self.posture.axes.set(id, AxisPosture { rate, ..axis });
    }
}

/// `Supervise::step`: a cause of category 0 takes the power in the tick that shows it; one of category 1 takes the hands off in that
/// tick, and the power within the stop budget though nothing comes to rest. Neither comes back by itself.
#[test]
fn each_cause_stops_within_its_stated_time_and_stays() {
    let machine = Machine::new(parts()).unwrap();
    let budget = machine.timing().stop_budget.as_ticks() / TICK_US;
    for cause in Cause::ALL {
        let mut watched = Watched::enabled(&machine);
        watched.blame(Some(cause));
        watched.keep_moving();
        let first = watched.step();
        assert_eq!(first.cause, Some((cause, AxisId::new(0))));
        let wanted = match cause.category() {
            Category::Zero => Action::Cut,
            Category::One => Action::RampDown,
        };
        assert_eq!(first.action, wanted, "{cause}");
        let mut ticks = 0;
        while watched.step().action != Action::Cut {
            ticks += 1;
            assert!(ticks <= budget, "{cause}: power after {ticks} ticks");
        }
        if cause.category() == Category::One {
            assert!(
                ticks + 2 >= budget,
                "{cause}: cut after {ticks} ticks while it still moved"
            );
        }

        // Well again, at rest, the enabling switch let go and pressed: it stays off until the reset.
        watched = Watched {
            posture: Watched::enabled(&machine).posture,
            ..watched
        };
        for pressed in [false, true, false, true] {
            watched.posture.switches.seat_enable = pressed;
            for _ in 0..500 {
                assert_eq!(watched.step().action, Action::Cut, "{cause}");
            }
        }
        watched.posture.switches.seat_enable = false;
        watched.posture.switches.reset = true;
        watched.step();
        watched.posture.switches.reset = false;
        // The self-test, and levers at neutral.
        for _ in 0..=SELF_TEST.as_ticks() / TICK_US {
            watched.step();
        }
        assert_eq!(watched.step().state, State::Ready, "{cause}");
        watched.posture.switches.seat_enable = true;
        assert_eq!(watched.step().action, Action::Drive, "{cause}");
    }
}

/// The same, at rest: the power goes as soon as that is seen.
#[test]
fn at_rest_a_ramp_is_over_at_once() {
    let machine = Machine::new(parts()).unwrap();
    let mut watched = Watched::enabled(&machine);
    watched.blame(Some(Cause::SensorStale));
    assert_eq!(
        [watched.step(), watched.step()].map(|permit| permit.action),
        [Action::RampDown, Action::Cut]
    );
}

/// Nearly everything is wrong at once, with the greatest machine there can be: what is wrong with its last axis is told too.
#[test]
fn nothing_is_lost_where_everything_is_wrong() {
    let small = Machine::new(parts()).unwrap();
    let mut parts = parts();
    while parts.axes.len() < AXES_MAX {
        let axis = parts.axes[0].clone();
        parts.axes.push(axis).ok().unwrap();
    }
    let machine = Machine::new(parts).unwrap();
    let mut watched = Watched {
        machine: &machine,
        ..Watched::enabled(&small)
    };
    // Every axis moves by itself. What else is wrong comes in the very tick in which that is noticed.
    let id = AxisId::new(AXES_MAX - 1).unwrap();
    let axis = watched.posture.axes.get(id);
    let runs = AxisPosture { rate: 0.5, ..axis };
    watched.posture.axes = PerAxis::all(runs);
    for _ in 0..1_000 {
        let mut all = Watched {
            supervise: watched.supervise.clone(),
            posture: watched.posture.clone(),
            last: watched.last,
            ..watched
        };
        let levels = &mut all.posture.switches;
        levels.stop_demanded = true;
        levels.stop_discrepancy = true;
        levels.stop_stuck = true;
        levels.supply_bad = true;
        all.posture.untimely = Some(Cause::TickLate);
        all.posture.axes = PerAxis::all(AxisPosture {
            fault: Some(Cause::SensorJump),
            ..runs
        });
        all.posture.axes.set(
            id,
            AxisPosture {
                fault: Some(Cause::Excitation),
                ..runs
            },
        );
        all.inputs.seat.stop_clear = false;
        all.last.driven.bad_signal = true;
        all.step();
        let told = |cause| {
            let mut log = all.supervise.log().since(0);
            log.any(|event| event.what == What::Cause(cause))
        };
        assert!(told(Cause::Excitation));
        if told(Cause::MotionUnasked) {
            return;
        }
        watched.step();
    }
    panic!("that they move by themselves was never noticed");
}

/// Ticks of one length, so that the budget is a count of them.
#[test]
fn the_bench_ticks_as_its_machine_says() {
    assert_eq!(parts().timing.tick, Duration::from_ticks(TICK_US));
}

/// What the guard held back and the order that planning refused is logged in the next tick, with the axis it is about.
#[test]
fn what_was_held_back_and_what_was_refused_is_logged() {
    let machine = Machine::new(parts()).unwrap();
    let id = AxisId::new(1).unwrap();
    for (obstacle, axis) in [(Obstacle::EndOfRange(id), Some(id)), (Obstacle::OtherArm, None)] {
        let mut watched = Watched::enabled(&machine);
        let refusal = Refusal::new(0, obstacle, 0.25);
        watched.last.refused = Some(refusal);
        watched.last.guarded.axes.set(id, Some(Held::FromEnd));
        watched.step();
        let log: Vec<_> = watched.supervise.log().since(0).collect();
        let told = |what, axis| {
            log.iter()
                .any(|event| (event.what, event.axis, event.at) == (what, axis, watched.posture.now))
        };
        assert!(told(What::OrderRefused(refusal), axis), "{log:?}");
        assert!(told(What::Held(Held::FromEnd), Some(id)), "{log:?}");
    }
}

/// Whoever is in charge may do what its station may; with the key turned no tip is faster than commissioning allows, or than the station does.
#[test]
fn the_permit_tells_what_who_is_in_charge_may_do() {
    let mut parts = parts();
    parts.commissioning_speed = Some(0.25);
    for (station, wanted) in [(None, [None, Some(0.25)]), (Some(0.1), [Some(0.1), Some(0.1)])] {
        parts.seat.tip_speed = station;
        let machine = Machine::new(parts.clone()).unwrap();
        for (key, tip_speed) in [false, true].into_iter().zip(wanted) {
            let mut watched = Watched::enabled(&machine);
            watched.posture.switches.seat_enable = false;
            watched.inputs.commissioning = key;
            for _ in 0..300 {
                watched.step();
            }
            let limits = watched.step().limits;
            assert_eq!(
                limits,
                StationLimits {
                    tip_speed,
                    ..machine.seat()
                }
            );
        }
    }
}
