//! The watch on motion, by supervision's front door, on an axis of its own: one that is well never trips, each fault is noticed in time and
//! by its name.

use bellcrank_core::Machine;
use bellcrank_core::cause::Cause;
use bellcrank_core::last_tick::AxisDriven;
use bellcrank_core::machine::{AxisId, Parts, Watch};
use bellcrank_core::sense::AxisPosture;
use bellcrank_core::supervise::Action;
use bellcrank_core::units::Duration;
use proptest::prelude::*;

use crate::check::{TICK_US, parts};
use crate::supervised::Watched;

const TICK_S: f32 = TICK_US as f32 * 1e-6;

impl Watched<'_> {
    /// So many ticks with its valve at an opening, at a rate, rad/s; or fewer, up to the first in which something is found.
    fn run(&mut self, ticks: u32, opening: f32, rate: f32) -> (u32, Option<Cause>) {
        let id = AxisId::new(0).unwrap();
        let axis = self.posture.axes.get(id);
        self.posture.axes.set(id, AxisPosture { rate, ..axis });
        let driven = self.last.driven.axes.get(id);
        self.last.driven.axes.set(id, AxisDriven { opening, ..driven });
        for tick in 1..=ticks {
            let permit = self.step();
            if let Some((cause, axis)) = permit.cause {
                assert_eq!(axis, Some(id));
                assert_ne!(permit.action, Action::Drive);
                return (tick, Some(cause));
            }
        }
        (ticks, None)
    }
}

/// Ticks of a time, rounded up.
fn ticks(time: Duration) -> u32 {
    time.as_ticks().div_ceil(TICK_US)
}

fn watch(parts: &Parts) -> Watch {
    parts.axes[0].watch
}

/// How far an axis is led in so many ticks, added up as the watch does.
fn way(ticks: u32, rate: f32) -> f32 {
    (0..ticks).fold(0.0, |way, _| way + rate * TICK_S)
}

/// A spell of a healthy axis: its length in ticks, the opening, how far the true one is off, the share of the curve's rate.
fn spell() -> impl Strategy<Value = (u32, f32, f32, f32)> {
    let watch = watch(&parts());
    let opening =
        prop_oneof![2 => Just(0.0_f32), 2 => -0.25_f32..0.25, 3 => -1.0_f32..=1.0, 1 => Just(1.0), 1 => Just(-1.0)];
    let doubt = watch.opening_doubt;
    // At the least share itself it would stand on the edge.
    let share = prop_oneof![
        Just(1.25 * watch.rate_least),
        Just(watch.rate_most),
        1.25 * watch.rate_least..watch.rate_most
    ];
    (5_u32..300, opening, -doubt..=doubt, share)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// First order with dead time, each up to a quarter of `unasked`; deadband, gain and commands anything within what is stated.
    #[test]
    fn a_healthy_axis_never_trips(
        spells in prop::collection::vec(spell(), 1..20),
        dead in 0_usize..=10,
        lag_s in 0.0_f32..=0.02,
    ) {
        let machine = Machine::new(parts()).unwrap();
        let axis = machine.axis(AxisId::new(0).unwrap()).unwrap();
        prop_assert!(4.0 * TICK_S * dead as f32 <= 1.01 * 1e-6 * axis.watch.unasked.as_ticks() as f32);
        let mut watched = Watched::enabled(&machine);
        let (mut rate, mut on_its_way) = (0.0_f32, vec![0.0_f32; dead]);
        for (length, opening, off, share) in spells {
            for _ in 0..length {
                on_its_way.insert(0, opening);
                let arrived = on_its_way.pop().unwrap();
                let settled = share * axis.valve.rate(arrived + off);
                rate += (settled - rate) * TICK_S / (lag_s + TICK_S);
                let (_, cause) = watched.run(1, opening, rate);
                prop_assert_eq!(cause, None, "{} for {}, off by {}, {} times", rate, opening, off, share);
            }
        }
    }
}

#[test]
fn motion_out_of_a_closed_valve_is_unasked_at_once_and_after_full_opening_within_settle() {
    let parts = parts();
    let machine = Machine::new(parts.clone()).unwrap();
    let limit = ticks(watch(&parts).unasked);
    assert_eq!(
        Watched::enabled(&machine).run(1000, 0.0, 0.1),
        (limit, Some(Cause::MotionUnasked))
    );
    let mut watched = Watched::enabled(&machine);
    assert_eq!(watched.run(500, 1.0, 0.5), (500, None));
    let (noticed, cause) = watched.run(1000, 0.0, 0.5);
    assert_eq!(cause, Some(Cause::MotionUnasked));
    assert!(noticed <= limit + ticks(watch(&parts).settle), "{noticed}");
}

#[test]
fn much_faster_than_the_curve_is_unasked_too_and_twice_as_fast_is_not() {
    let machine = Machine::new(parts()).unwrap();
    let asked = machine.axis(AxisId::new(0).unwrap()).unwrap().valve.rate(0.5);
    assert_eq!(Watched::enabled(&machine).run(1000, 0.5, 2.0 * asked).1, None);
    assert_eq!(
        Watched::enabled(&machine).run(1000, 0.5, 2.5 * asked).1,
        Some(Cause::MotionUnasked)
    );
}

/// At a limit, to the last bit, all is still well.
#[test]
fn what_counts_as_standing_is_not_beyond_a_closed_valve() {
    let parts = parts();
    let machine = Machine::new(parts.clone()).unwrap();
    let still = watch(&parts).still_rate;
    for rate in [still, -still] {
        assert_eq!(Watched::enabled(&machine).run(1000, 0.0, rate).1, None);
        assert_eq!(
            Watched::enabled(&machine).run(1000, 0.0, 1.01 * rate).1,
            Some(Cause::MotionUnasked)
        );
    }
}

/// The same of an axis without power.
#[test]
fn what_counts_as_standing_is_not_adrift() {
    let parts = parts();
    let machine = Machine::new(parts.clone()).unwrap();
    let still = watch(&parts).still_rate;
    for (rate, cause) in [(still, None), (1.01 * still, Some(Cause::MotionUnasked))] {
        let mut watched = Watched::enabled(&machine);
        watched.posture.switches.seat_enable = false;
        assert_eq!(watched.run(500, 0.0, 0.0).1, None);
        assert_ne!(watched.step().action, Action::Drive);
        assert_eq!(watched.run(1000, 0.0, rate).1, cause);
    }
}

/// A way that takes longer than `unasked`: noticed with the tick that leads past it.
#[test]
fn what_trapped_oil_gives_is_counted_to_the_tick() {
    let mut parts = parts();
    let ticks = ticks(watch(&parts).unasked) + 10;
    parts.axes[0].watch.give = way(ticks, 0.1);
    let machine = Machine::new(parts).unwrap();
    assert_eq!(
        Watched::enabled(&machine).run(1000, 0.0, 0.1),
        (ticks + 1, Some(Cause::MotionUnasked))
    );
}

#[test]
fn a_swing_on_trapped_oil_is_no_motion_that_goes_on() {
    let mut parts = parts();
    parts.axes[0].watch.give = 0.02;
    let machine = Machine::new(parts).unwrap();
    // 3 Hz and 0.1 rad/s: 0.011 rad one way, in 0.17 s.
    let mut watched = Watched::enabled(&machine);
    for tick in 0..3000 {
        let rate = 0.1 * (tick as f32 * TICK_S * 3.0 * std::f32::consts::TAU).sin();
        assert_eq!(watched.run(1, 0.0, rate).1, None, "{tick}");
    }
    // As fast, but on and on: 0.02 rad take 0.2 s.
    let (noticed, cause) = Watched::enabled(&machine).run(1000, 0.0, 0.1);
    assert_eq!(cause, Some(Cause::MotionUnasked));
    assert!((100..=102).contains(&noticed), "{noticed}");
}

#[test]
fn the_wrong_way_is_noticed_at_once_and_after_a_reversal_within_settle() {
    let parts = parts();
    let machine = Machine::new(parts.clone()).unwrap();
    let limit = ticks(watch(&parts).wrong_way);
    assert_eq!(
        Watched::enabled(&machine).run(1000, 0.5, -0.1),
        (limit, Some(Cause::WrongWay))
    );
    // Slower than it should go the other way, too; and too fast the right way is another thing.
    assert_eq!(
        Watched::enabled(&machine).run(1000, 1.0, -0.05),
        (limit, Some(Cause::WrongWay))
    );
    for opening in [0.2, -0.2] {
        let (_, cause) = Watched::enabled(&machine).run(1000, opening, opening.signum());
        assert_eq!(cause, Some(Cause::MotionUnasked));
    }
    let mut watched = Watched::enabled(&machine);
    assert_eq!(watched.run(500, -1.0, -0.5), (500, None));
    let (noticed, cause) = watched.run(1000, 0.5, -0.5);
    assert_eq!(cause, Some(Cause::WrongWay));
    assert!(noticed <= limit + ticks(watch(&parts).settle), "{noticed}");
}

#[test]
fn what_stands_is_missing_and_by_a_reading_that_never_changes_frozen() {
    let parts = parts();
    let machine = Machine::new(parts.clone()).unwrap();
    let limit = ticks(watch(&parts).no_motion);
    for (unchanged, cause) in [
        (Duration::from_ticks(0), Cause::NoMotion),
        (watch(&parts).no_motion, Cause::SensorFrozen),
    ] {
        let mut watched = Watched::enabled(&machine);
        let id = AxisId::new(0).unwrap();
        let axis = watched.posture.axes.get(id);
        watched.posture.axes.set(id, AxisPosture { unchanged, ..axis });
        assert_eq!(watched.run(1000, 0.5, 0.0), (limit, Some(cause)));
    }
    // Within the doubt of the deadband it may stand as long as it likes; and where it has the least share, go.
    let (doubt, deadband) = (watch(&parts).opening_doubt, parts.axes[0].valve.deadband.out);
    assert_eq!(
        Watched::enabled(&machine).run(1000, deadband + 0.99 * doubt, 0.0).1,
        None
    );
    let least = watch(&parts).rate_least * parts.axes[0].valve.rate(0.5 - doubt);
    assert_eq!(Watched::enabled(&machine).run(1000, 0.5, least).1, None);
    assert_eq!(
        Watched::enabled(&machine).run(1000, 0.5, 0.99 * least).1,
        Some(Cause::NoMotion)
    );
}

#[test]
fn noise_that_looks_like_motion_for_a_moment_does_not_hide_that_there_is_none() {
    let parts = parts();
    let machine = Machine::new(parts.clone()).unwrap();
    let mut watched = Watched::enabled(&machine);
    let noticed = (1..1000).find(|tick| watched.run(1, 0.2, if tick % 20 < 3 { 0.01 } else { 0.0 }).1.is_some());
    // The time in which it looks like motion does not count, and that is all.
    assert!(
        17 * noticed.unwrap() <= 20 * (ticks(watch(&parts).no_motion) + 1),
        "{noticed:?}"
    );
}

/// An axis that comes on by fits and starts is under way, once it has come further than a load swings it on its trapped oil; either way.
#[test]
fn what_comes_further_than_trapped_oil_gives_is_under_way() {
    // Stands for less than `no_motion`, and goes for longer than `sensor_confirm`.
    const SPELLS: [(u32, f32); 2] = [(120, 0.0), (20, 0.1)];
    for side in [1.0, -1.0] {
        for (give, cause) in [(way(19, 0.1), None), (way(20, 0.1), Some(Cause::NoMotion))] {
            let mut parts = parts();
            parts.axes[0].watch.give = give;
            let machine = Machine::new(parts).unwrap();
            let mut watched = Watched::enabled(&machine);
            let mut spells = SPELLS.into_iter().cycle().take(20);
            let found = spells.find_map(|(ticks, rate)| watched.run(ticks, 0.2 * side, rate * side).1);
            assert_eq!(found, cause, "{give} {side}");
        }
    }
}

#[test]
fn too_far_behind_is_noticed_in_that_tick() {
    let machine = Machine::new(parts()).unwrap();
    let id = AxisId::new(0).unwrap();
    for (lag, cause) in [
        (0.2, None),
        (-0.2, None),
        (0.201, Some(Cause::Following)),
        (-0.201, Some(Cause::Following)),
    ] {
        let mut watched = Watched::enabled(&machine);
        let driven = watched.last.driven.axes.get(id);
        watched.last.driven.axes.set(id, AxisDriven { lag, ..driven });
        assert_eq!(watched.run(1, 0.0, 0.0), (1, cause));
    }
}

#[test]
fn a_watch_that_gives_motion_less_time_than_it_may_take_is_refused() {
    for change in [
        |watch: &mut Watch| watch.no_motion = Duration::from_ticks(watch.settle.as_ticks() - 1),
        |watch: &mut Watch| watch.rate_most = 0.9,
        |watch: &mut Watch| watch.rate_least = 0.0,
        |watch: &mut Watch| watch.opening_doubt = f32::NAN,
        |watch: &mut Watch| watch.give = -1.0,
    ] {
        let mut parts = parts();
        change(&mut parts.axes[0].watch);
        assert!(Machine::new(parts).is_err());
    }
}
