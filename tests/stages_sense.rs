//! What the front doors of `sense` and `supervise` guarantee, asserted as it is stated there.

use bellcrank_core::Machine;
use bellcrank_core::cause::{Category, Cause};
use bellcrank_core::inputs::{Inputs, Relays};
use bellcrank_core::last_tick::LastTick;
use bellcrank_core::machine::{AxisId, PerAxis};
use bellcrank_core::sense::{AxisPosture, Posture, Sense};
use bellcrank_core::stamp::Stamp;
use bellcrank_core::supervise::{Action, Permit, SELF_TEST, State, Supervise};
use bellcrank_core::units::{Duration, Instant};
use proptest::prelude::*;

use crate::check::{Bench, TICK_US, parts, parts_with_twin};
use crate::hostile::spell;

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

/// Supervision alone, of a machine whose axes are where they are.
struct Watched<'m> {
    machine: &'m Machine,
    supervise: Supervise,
    inputs: Inputs,
    posture: Posture,
    last: LastTick,
}

impl<'m> Watched<'m> {
    /// Enabled at the seat.
    fn enabled(machine: &'m Machine) -> Self {
        let axis = AxisPosture {
            known: true,
            ratio: 1.0,
            ..AxisPosture::default()
        };
        let mut bench = Bench::ready(machine);
        bench.tick();
        let mut watched = Self {
            machine,
            supervise: Supervise::default(),
            inputs: Inputs {
                relays: Relays::default(),
                ..bench.inputs
            },
            posture: Posture {
                stamp: Stamp::sensed(1),
                axes: PerAxis::all(axis),
                ..bench.posture()
            },
            last: LastTick::default(),
        };
        for _ in 0..100 {
            watched.step();
        }
        watched.posture.switches.seat_enable = true;
        assert_eq!(watched.step().action, Action::Drive);
        watched
    }

    fn step(&mut self) -> Permit {
        self.supervise
            .step(self.machine, &self.posture, &self.inputs, &self.last)
    }

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

/// Ticks of one length, so that the budget is a count of them.
#[test]
fn the_bench_ticks_as_its_machine_says() {
    assert_eq!(parts().timing.tick, Duration::from_ticks(TICK_US));
}
