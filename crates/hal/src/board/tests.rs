//! What a board reads, in which order it writes, and what it must have.

use std::boxed::Box;

use bellcrank_core::Controller;
use bellcrank_core::machine::{Parts, Twin};
use bellcrank_core::units::Volts;

use super::*;
use crate::Cycle;
use crate::bench::{Mood, parts, wired, world};

/// Off before the valves are told, on after.
#[test]
fn what_loses_its_current_does_so_first() {
    let machine = Machine::new(parts()).unwrap();
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
    let mut outputs = Controller::new(&Machine::new(parts()).unwrap()).tick(&board.read(now, &mut Troubles::default()));
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
    let less: [(Misfit, Less); 10] = [
        (Misfit::Valve(AxisId::new(1).unwrap()), |board| {
            let spare = crate::PwmValve::new(crate::bench::Timer::default());
            board.valves.push(Box::leak(Box::new(spare))).ok();
        }),
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
            board.relays.engine.feedback = None;
        }),
        (Misfit::Remote, |board| board.remote = None),
        (Misfit::Key, |board| board.panel.working = None),
    ];
    let machine = Machine::new(parts()).unwrap();
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
