//! The core on a made-up board: that it works, and that whatever fails moves less.

mod bench;

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{HandFrame, SensorInput, Station};
use bellcrank_core::machine::{AxisId, Parts, PerAxis, Signal, Twin};
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Duration, Volts};
use proptest::prelude::*;

use super::*;
use crate::{Fault, Path, Place, Tap, Taps, Trouble, Wired};
use bench::{Bench, Mood, parts, wired, world};

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

/// What fails, what it does to the world, what undoes that, where it must be told, and what the core must call it.
type Failure = (
    &'static str,
    fn(&bench::World),
    fn(&bench::World),
    Option<(Place, Fault)>,
    Cause,
);

/// How long, at most, until all is without power, ms: the hand control goes on for [`bellcrank_link::QUIET`] when it hears nothing, and its
/// last frame counts for the station's `frame_late`; then the longest stop.
const WITHIN_MS: u64 = 500 + 150 + 400;

#[test]
fn whatever_fails_stops_and_stays_stopped_until_a_reset() {
    let valve = AxisId::new(0).unwrap();
    let failures: [Failure; 17] = [
        (
            "stop channel cannot be read",
            |world| world.stop_chain[0].fails.set(true),
            |world| world.stop_chain[0].fails.set(false),
            Some((Place::StopChain(0), Fault::Pin)),
            Cause::StopDiscrepancy,
        ),
        (
            "the other one",
            |world| world.stop_chain[1].fails.set(true),
            |world| world.stop_chain[1].fails.set(false),
            Some((Place::StopChain(1), Fault::Pin)),
            Cause::StopDiscrepancy,
        ),
        (
            "selector cannot be read",
            |world| world.selector.fails.set(true),
            |world| world.selector.fails.set(false),
            Some((Place::Selector, Fault::Pin)),
            Cause::LinkLost,
        ),
        (
            "converter's bus fails",
            |world| world.adc.mood.set(Mood::Fails),
            |world| world.adc.mood.set(Mood::Well),
            Some((Place::Converter(0), Fault::Bus)),
            Cause::Supply,
        ),
        (
            "converter's line hangs high",
            |world| world.adc.mood.set(Mood::Garbage(0xff)),
            |world| world.adc.mood.set(Mood::Well),
            Some((Place::Converter(0), Fault::Garbage)),
            Cause::Supply,
        ),
        (
            "converter's line hangs low",
            |world| world.adc.mood.set(Mood::Garbage(0)),
            |world| world.adc.mood.set(Mood::Well),
            Some((Place::Converter(0), Fault::Garbage)),
            Cause::SensorLow,
        ),
        (
            "serial port cannot be read",
            |world| world.control.cable.borrow_mut().read_fails = true,
            |world| world.control.cable.borrow_mut().read_fails = false,
            Some((Place::Remote, Fault::Pin)),
            Cause::LinkLost,
        ),
        (
            "serial port cannot be written",
            |world| world.control.cable.borrow_mut().write_fails = true,
            |world| world.control.cable.borrow_mut().write_fails = false,
            Some((Place::Remote, Fault::Pin)),
            Cause::LinkLost,
        ),
        (
            "serial port gives nothing",
            |world| world.control.cable.borrow_mut().at_once = 0,
            |world| world.control.cable.borrow_mut().at_once = 7,
            None,
            Cause::LinkLost,
        ),
        (
            "valve cannot be told",
            |world| world.valve.fails.set(true),
            |world| world.valve.fails.set(false),
            Some((Place::Valve(valve), Fault::Pin)),
            Cause::StopButton,
        ),
        relay(0, Path::ValvePower),
        relay(1, Path::Dump),
        relay(2, Path::Engine),
        feedback(0, Path::ValvePower),
        feedback(1, Path::Dump),
        feedback(2, Path::Engine),
        (
            "stop channel opens",
            |world| world.stop_chain.iter().for_each(|channel| channel.high.set(false)),
            |world| world.stop_chain.iter().for_each(|channel| channel.high.set(true)),
            None,
            Cause::StopButton,
        ),
    ];
    let machine = machine();
    for (name, breaks, mends, told, cause) in failures {
        let mut bench = Bench::moving(&machine);
        breaks(&bench.world);
        let mut seen = None;
        for _ in 0..WITHIN_MS * 1_000 / bench::TICK_US {
            bench.turn();
            let trouble = bench.last().troubles.iter().next();
            seen = seen.or(trouble.map(|trouble| (trouble.at, trouble.what)));
        }
        assert_eq!(seen, told, "{name}");
        assert!(!bench.powered() && !bench.moves(), "{name}: {:?}", bench.last());
        assert_eq!(bench.cause(), Some(cause), "{name}");
        // The lever is still out, and enable held; and then it works again.
        mends(&bench.world);
        for _ in 0..500 {
            bench.turn();
            assert!(!bench.powered(), "{name}: power came back by itself");
        }
        assert!(matches!(bench.state(), State::Stopped | State::Fault), "{name}");
        assert!(bench.last().troubles.is_empty() && !bench.last().held, "{name}");
        if matches!(told, Some((Place::StopChain(_), _))) {
            // One channel has not opened: the core wants to see both open.
            bench
                .world
                .stop_chain
                .iter()
                .for_each(|channel| channel.high.set(false));
            bench.run(50);
            bench.world.stop_chain.iter().for_each(|channel| channel.high.set(true));
        }
        bench.reset();
        assert_eq!((bench.state(), bench.cause()), (State::Ready, None), "{name}");
        bench.enable_and_move();
    }
}

fn relay(index: usize, path: Path) -> Failure {
    let [breaks, mends]: [fn(&bench::World); 2] = match index {
        0 => [
            |world| world.relays[0].fails.set(true),
            |world| world.relays[0].fails.set(false),
        ],
        1 => [
            |world| world.relays[1].fails.set(true),
            |world| world.relays[1].fails.set(false),
        ],
        _ => [
            |world| world.relays[2].fails.set(true),
            |world| world.relays[2].fails.set(false),
        ],
    };
    let told = Some((Place::Relay(path), Fault::Pin));
    ("relay cannot be told", breaks, mends, told, Cause::StopButton)
}

fn feedback(index: usize, path: Path) -> Failure {
    let ([breaks, mends], cause): ([fn(&bench::World); 2], _) = match index {
        0 => (
            [
                |world| world.feedback[0].fails.set(true),
                |world| world.feedback[0].fails.set(false),
            ],
            Cause::PowerRelay,
        ),
        1 => (
            [
                |world| world.feedback[1].fails.set(true),
                |world| world.feedback[1].fails.set(false),
            ],
            Cause::DumpRelay,
        ),
        _ => (
            [
                |world| world.feedback[2].fails.set(true),
                |world| world.feedback[2].fails.set(false),
            ],
            Cause::EngineRelay,
        ),
    };
    let told = Some((Place::Feedback(path), Fault::Pin));
    ("feedback contact cannot be read", breaks, mends, told, cause)
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
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Stopped, Some(Cause::StopButton))
    );
    assert!(bench.dead() && !bench.last().held);
}

/// The same where the core takes a short opening of the stop chain for a test pulse.
#[test]
fn it_is_held_until_the_core_has_stopped() {
    let mut parts = parts();
    parts.timing.stop_pulse = Duration::from_ticks(5_000);
    let machine = Machine::new(parts).unwrap();
    let mut bench = Bench::moving(&machine);
    bench.world.valve.fails.set(true);
    bench.turn();
    bench.world.valve.fails.set(false);
    for _ in 0..2 {
        bench.turn();
        assert!(bench.dead() && bench.last().held);
        assert_eq!(bench.state(), State::Enabled);
    }
    bench.turn();
    assert_eq!(bench.state(), State::Stopped);
    assert!(bench.dead() && !bench.last().held);
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
        assert!(bench.dead());
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

/// Off before the valves are told, on after.
#[test]
fn what_loses_its_current_does_so_first() {
    let machine = machine();
    let (world, station) = world();
    let mut board = wired(&world, station);
    let mut troubles = Troubles::default();
    let all = Relays {
        valve_power: true,
        dump_closed: true,
        engine_run: true,
    };
    let mut outputs = Controller::new(&machine).tick(&board.read(Instant::from_ticks(0), &mut troubles));
    // A valve that cannot be told keeps the relays from being switched on, and not from being switched off.
    world.valve.fails.set(true);
    outputs.relays = all;
    assert!(!board.write(&outputs, &mut troubles));
    assert!(world.relays.iter().all(|relay| !relay.high.get()));
    world.valve.fails.set(false);
    assert!(board.write(&outputs, &mut troubles));
    assert!(world.relays.iter().all(|relay| relay.high.get()));
    world.valve.fails.set(true);
    outputs.relays.dump_closed = false;
    assert!(!board.write(&outputs, &mut troubles));
    assert!(!world.relays[1].high.get());
}

/// A contact on the panel that cannot be read is one that nobody has pressed, and a key that is turned to slow.
#[test]
fn the_panel_counts_as_what_moves_less() {
    let (world, station) = world();
    let mut board = wired(&world, station);
    let mut read = || board.read(Instant::from_ticks(0), &mut Troubles::default());
    world.reset.high.set(true);
    let inputs = read();
    assert!(inputs.reset && !inputs.commissioning && inputs.selector == Station::Remote);
    assert_eq!(inputs.seat, *world.seat.0.borrow());
    for line in [&world.reset, &world.working, &world.selector] {
        line.fails.set(true);
    }
    let inputs = read();
    assert!(!inputs.reset && inputs.commissioning && inputs.selector == Station::Seat);
    assert_eq!(
        (inputs.seat, inputs.remote),
        (HandFrame::default(), HandFrame::default())
    );
    world.working.fails.set(false);
    world.working.high.set(false);
    assert!(read().commissioning);
}

/// A feedback contact that cannot be read says what the relay was not told.
#[test]
fn feedback_that_cannot_be_read_contradicts() {
    let (world, station) = world();
    let mut board = wired(&world, station);
    let now = Instant::from_ticks(0);
    world.feedback[1].fails.set(true);
    let relays = |board: &mut Wired| board.read(now, &mut Troubles::default()).relays;
    let welded = Relays {
        dump_closed: true,
        ..Relays::default()
    };
    assert_eq!(relays(&mut board), welded);
    let mut outputs = Controller::new(&machine()).tick(&board.read(now, &mut Troubles::default()));
    outputs.relays = welded;
    assert!(board.write(&outputs, &mut Troubles::default()));
    assert_eq!(relays(&mut board), Relays::default());
    board.relays.dump.feedback = None;
    assert_eq!(
        relays(&mut board),
        welded,
        "where there is none, it is where it was told to be"
    );
}

/// Readings as old as the oldest of them; a control voltage that is too old is none.
#[test]
fn ages_of_what_is_read() {
    let (world, station) = world();
    let mut board = wired(&world, station);
    *world.adc.volts.borrow_mut() = [5.0, 6.25];
    let mut read = |us| board.read(Instant::from_ticks(us), &mut Troubles::default());
    let axis = AxisId::new(0).unwrap();
    let inputs = read(0);
    assert_eq!(inputs.sensors.get(axis), Volts::new(5.0).ok().into());
    assert_eq!(inputs.supply, Volts::new(25.0).ok());
    assert_eq!(inputs.sensors.get(AxisId::new(1).unwrap()), SensorInput::default());
    world.adc.mood.set(Mood::Fails);
    for (us, supply) in [(5_000, Volts::new(25.0).ok()), (5_001, None)] {
        let inputs = read(us);
        assert_eq!(u64::from(inputs.sensors.get(axis).age.as_ticks()), us);
        assert_eq!(inputs.supply, supply);
    }
}

/// What is missing on a board is named before anything moves.
#[test]
fn a_board_that_does_not_suit_its_machine_is_refused() {
    type Less = fn(&mut Wired);
    let axis = AxisId::new(0).unwrap();
    let less: [(Misfit, Less); 9] = [
        (Misfit::Valve(axis), |board| board.valves.clear()),
        (Misfit::Sensor(axis), |board| board.sensors = PerAxis::default()),
        (Misfit::Sensor(axis), |board| {
            let beyond = Tap {
                converter: 0,
                channel: 2,
            };
            let taps = Taps {
                signal: Some(beyond),
                ..Taps::default()
            };
            board.sensors = PerAxis::all(taps);
        }),
        (Misfit::Supply, |board| board.supply = None),
        (Misfit::Feedback(Path::ValvePower), |board| {
            board.relays.valve_power.feedback = None;
        }),
        (Misfit::Feedback(Path::Dump), |board| board.relays.dump.feedback = None),
        (Misfit::Feedback(Path::Engine), |board| {
            board.relays.engine.feedback = None
        }),
        (Misfit::Remote, |board| board.remote = None),
        (Misfit::Key, |board| board.panel.working = None),
    ];
    let machine = machine();
    for (misfit, less) in less {
        let (world, station) = world();
        let mut board = wired(&world, station);
        assert_eq!(board.fits(&machine), Ok(()));
        less(&mut board);
        world.relays[0].high.set(true);
        assert_eq!(Cycle::new(&machine, board, None).err(), Some(misfit));
        assert!(!world.relays[0].high.get(), "it is off all the same");
    }
}

#[test]
fn what_the_machine_has_not_is_not_missed() {
    let mut parts = parts();
    parts.control_supply = None;
    parts.timing.relay = None;
    parts.remote = None;
    parts.commissioning_speed = None;
    let (world, station) = world();
    let mut board = wired(&world, station);
    board.supply = None;
    board.relays.dump.feedback = None;
    board.remote = None;
    board.panel.working = None;
    assert_eq!(board.fits(&Machine::new(parts).unwrap()), Ok(()));
}

/// A second sensor and a share of the supply want to be read too; a watchdog wants a tick within its window.
#[test]
fn a_machine_that_wants_more() {
    let axis = AxisId::new(0).unwrap();
    let wants = |change: fn(&mut Parts)| {
        let mut parts = parts();
        change(&mut parts);
        let (world, station) = world();
        wired(&world, station).fits(&Machine::new(parts).unwrap())
    };
    let share = |parts: &mut Parts| parts.axes[0].sensor.signal = Signal::Ratiometric { excitation: (4.5, 5.5) };
    let twin = |parts: &mut Parts| {
        parts.axes[0].twin = Some(Twin {
            sensor: parts.axes[0].sensor.clone(),
            limit: 0.1,
            confirm: Duration::from_ticks(10_000),
        });
    };
    assert_eq!(wants(share), Err(Misfit::Sensor(axis)));
    assert_eq!(wants(twin), Err(Misfit::Sensor(axis)));
    assert_eq!(
        wants(|parts| parts.timing.tick = Duration::from_ticks(5_000)),
        Err(Misfit::Watchdog)
    );
    let soon = |parts: &mut Parts| {
        parts.timing.tick_early = Duration::from_ticks(500);
        parts.timing.tick = Duration::from_ticks(1_000);
    };
    assert_eq!(wants(soon), Err(Misfit::Watchdog));
}

/// Switched off from outside of the turns: it takes a reset, as any stop does.
#[test]
fn a_cut_from_outside_is_a_stop() {
    let machine = machine();
    let mut bench = Bench::moving(&machine);
    assert!(bench.cycle.cut());
    assert!(bench.dead());
    bench.turn();
    assert!(bench.dead());
    bench.run(500);
    assert!(!bench.powered());
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Stopped, Some(Cause::StopButton))
    );
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

/// A loop that is called too late or too soon is stopped by the core, whatever the board does.
#[test]
fn a_time_that_is_wrong_is_a_stop() {
    let machine = machine();
    for (step, cause) in [(20_000, Cause::TickLate), (500, Cause::TickEarly)] {
        let mut bench = Bench::moving(&machine);
        bench.us = bench.us + step - bench::TICK_US;
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
