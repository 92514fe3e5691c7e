//! The core on a made-up board: that it works, and that whatever fails moves less.

mod failures;

use bellcrank_core::cause::Cause;
use bellcrank_core::supervise::State;
use proptest::prelude::*;

use super::*;
use crate::bench::{Bench, Mood, TICK_US, parts, wired, world};
use crate::{Fault, Place, Trouble};

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

/// From switching on to motion, to a stop, over a reset, and to motion again.
#[test]
fn enable_move_stop_reset() {
    let machine = machine();
    let mut bench = Bench::new(&machine);
    assert!(
        bench.dead() && bench.world.valve.steps.get() == 0,
        "off before the first turn"
    );
    bench.run(10);
    assert_eq!((bench.state(), bench.world.valve.steps.get()), (State::SelfTest, 5_000));
    bench.run(390);
    assert_eq!(bench.state(), State::Ready);
    assert!(!bench.powered());
    bench.enable_and_move();
    assert_eq!(bench.state(), State::Enabled);
    assert!(bench.last().troubles.is_empty() && !bench.last().held);

    bench.world.stop_chain[1].high.set(false);
    bench.world.stop_chain[0].high.set(false);
    bench.turn();
    assert!(bench.dead() && !bench.moves());
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Stopped, Some(Cause::StopButton))
    );
    bench.run(100);
    for channel in &bench.world.stop_chain {
        channel.high.set(true);
    }
    bench.run(500);
    assert_eq!(bench.state(), State::Stopped, "it waits for a reset");
    bench.reset();
    assert_eq!(bench.state(), State::Ready);
    bench.enable_and_move();
    assert!(bench.last().troubles.is_empty());
}

/// The watchdog is fed once a turn while the core is well, in a stop too.
#[test]
fn it_is_fed_once_a_turn() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    bench.fed = 0;
    bench.run(100);
    assert_eq!(bench.fed, 50);
    bench.world.stop_chain[0].high.set(false);
    bench.run(100);
    assert_eq!(bench.fed, 100);
}

/// A valve that fails for a single turn: in that very turn nothing has power any more.
#[test]
fn one_turn_is_enough() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    bench.world.valve.fails.set(true);
    bench.turn();
    assert!(bench.dead() && bench.last().held && bench.last().fed);
    assert!(bench.last().outputs.relays.valve_power, "the core does not know yet");
    bench.world.valve.fails.set(false);
    bench.turn();
    assert_eq!((bench.state(), bench.cause()), (State::Stopped, Some(Cause::HandStop)));
    assert!(!bench.powered() && !bench.last().held);
}

/// Where the core had not taken the stop, everything would stay switched off.
#[test]
fn nothing_but_a_latched_stop_ends_it() {
    let machine = machine();
    let bench = Bench::ready(&machine);
    let mut outputs = bench.last().outputs;
    for state in State::ALL {
        outputs.status.state = state;
        assert_eq!(
            latched(&outputs),
            matches!(state, State::Stopped | State::Fault),
            "{state}"
        );
    }
}

/// A stop channel that did not open is a fault until both have: a failed output is no proof of that.
#[test]
fn it_clears_no_doubt_in_the_stop_chain() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    bench.world.stop_chain[0].high.set(false);
    bench.run(20);
    bench.world.stop_chain[0].high.set(true);
    bench.run(20);
    assert_eq!(bench.cause(), Some(Cause::StopStuck));
    bench.world.valve.fails.set(true);
    bench.run(20);
    assert!(bench.last().held);
    bench.world.valve.fails.set(false);
    bench.run(20);
    assert!(!bench.last().held);
    bench.reset();
    assert_eq!((bench.state(), bench.cause()), (State::Fault, Some(Cause::StopStuck)));
}

/// A relay that cannot be told to let go before the first turn: the core does not get as far as that it would give any power.
#[test]
fn what_cannot_be_switched_off_at_the_start_is_a_stop() {
    let machine = machine();
    let (world, station) = world();
    world.relays[0].fails.set(true);
    let mut cycle = Cycle::new(&machine, wired(&world, station), None).unwrap();
    world.relays[0].fails.set(false);
    let turn = cycle.turn(Instant::from_ticks(u64::from(machine.timing().tick.as_ticks())));
    assert_eq!(turn.outputs.status.state, State::Stopped);
    assert!(!turn.held && turn.fed);
}

/// A relay that may not have let go: the watchdog starves, and only then.
#[test]
fn where_a_relay_does_not_obey_the_watchdog_starves() {
    for index in 0..3 {
        let machine = machine();
        let mut bench = Bench::moving(&machine);
        bench.world.relays[index].fails.set(true);
        bench.fed = 0;
        bench.run(100);
        assert_eq!(bench.fed, 0);
        let others = (0..3).filter(|other| *other != index);
        assert!(others.clone().all(|other| !bench.world.relays[other].high.get()));
        assert_eq!(bench.world.valve.steps.get(), 0, "the valve is really off");
        bench.world.relays[index].fails.set(false);
        bench.run(100);
        assert_eq!(bench.fed, 50);
        assert!(!bench.powered());
    }
}

/// A watchdog that cannot be fed is told, and bites by itself.
#[test]
fn a_watchdog_that_is_not_to_be_reached() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    bench.world.watchdog.fails.set(true);
    bench.turn();
    let trouble = bench.last().troubles.iter().next().copied();
    let wanted = Trouble {
        at: Place::Watchdog,
        what: Fault::Pin,
    };
    assert_eq!(trouble, Some(wanted));
}

/// Switched off from outside of the turns: it takes a reset, as any stop does.
#[test]
fn a_cut_from_outside_is_a_stop() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    assert!(bench.cycle.cut());
    assert!(bench.dead());
    bench.run(500);
    assert!(!bench.powered());
    assert_eq!((bench.state(), bench.cause()), (State::Stopped, Some(Cause::HandStop)));
    bench.reset();
    bench.enable_and_move();
}

/// What was to be kept, given back after the power has gone, tells what stood.
#[test]
fn the_record_outlives_the_power() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    bench
        .world
        .stop_chain
        .iter()
        .for_each(|channel| channel.high.set(false));
    bench.turn();
    let kept = bench.last().record;
    assert!(kept.is_some());
    bench.turn();
    assert_eq!(bench.last().record, None, "it has not changed");
    let (world, station) = world();
    let mut cycle = Cycle::new(&machine, wired(&world, station), kept).unwrap();
    let status = cycle.turn(Instant::from_ticks(1)).outputs.status;
    assert_eq!(status.before, Some((Cause::StopButton, None)));
    assert_eq!(cycle.controller().log().since(0).count(), 1);
}

/// A key that cannot be read ends the motion, as one that is turned does; and who goes on holding everything gets none.
#[test]
fn a_key_that_cannot_be_read_ends_the_motion() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    bench.world.working.fails.set(true);
    bench.run(500);
    assert!(!bench.powered());
    assert_eq!((bench.state(), bench.cause()), (State::Standby, None));
    bench.world.working.fails.set(false);
    bench.run(500);
    assert!(!bench.powered());
}

/// Where nobody misses the control voltage, a converter that no longer answers makes a sensor that is too old.
#[test]
fn a_sensor_that_is_no_longer_read_is_too_old() {
    for mood in [Mood::Fails, Mood::Garbage(0xff)] {
        let mut parts = parts();
        parts.control_supply = None;
        let machine = Machine::new(parts).unwrap();
        let mut bench = Bench::moving(&machine);
        bench.world.adc.mood.set(mood);
        // The last reading was of the turn before.
        bench.run(48);
        assert_eq!(bench.cause(), None, "it is not too old yet");
        bench.run(6);
        assert_eq!(bench.cause(), Some(Cause::SensorStale));
        bench.run(400);
        assert!(!bench.powered());
    }
}

/// A loop that is called too late or too soon is stopped by the core, whatever the board does.
#[test]
fn a_time_that_is_wrong_is_a_stop() {
    let machine = machine();
    for (step, cause) in [(20_000, Cause::TickLate), (500, Cause::TickEarly)] {
        let mut bench = Bench::moving(&machine);
        bench.us = bench.us + step - TICK_US;
        bench.turn();
        assert_eq!(bench.cause(), Some(cause));
        bench.run(600);
        assert!(!bench.powered());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever fails, when and for how long: in no turn in which something could not be written is anything left on that can be reached;
    /// what has current was told so by the core in this turn; and after a turn without power it needs the enabling switch anew.
    #[test]
    fn never_more_than_the_core_says(
        breaks in prop::collection::vec((0..13_usize, any::<bool>(), 1..30_u64), 1..40),
    ) {
        let machine = machine();
        let mut bench = Bench::moving(&machine);
        let mut had_power = true;
        for (which, broken, turns) in breaks {
            let world = &bench.world;
            match which {
                0 | 1 => world.stop_chain[which].fails.set(broken),
                2..=4 => world.feedback[which - 2].fails.set(broken),
                5..=7 => world.relays[which - 5].fails.set(broken),
                8 => world.valve.fails.set(broken),
                9 => world.adc.mood.set(if broken { Mood::Fails } else { Mood::Well }),
                10 => world.control.cable.borrow_mut().read_fails = broken,
                11 => world.selector.fails.set(broken),
                _ => world.working.fails.set(broken),
            }
            for _ in 0..turns {
                bench.turn();
                let turn = bench.last();
                let told = turn.outputs.relays;
                for (line, told) in bench.world.relays.iter().zip([told.valve_power, told.dump_closed, told.engine_run]) {
                    let welded = line.fails.get();
                    prop_assert!(welded || !line.high.get() || (told && !turn.held));
                }
                prop_assert_eq!(turn.held && turn.fed, turn.held && !bench.world.relays.iter().any(|line| line.fails.get()));
                // The enabling switch is held all along, so power that is gone does not come back.
                let powered = bench.powered() && !bench.world.relays.iter().any(|line| line.fails.get());
                prop_assert!(had_power || !powered);
                had_power &= powered;
            }
        }
    }
}
