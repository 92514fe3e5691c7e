//! The interlock from outside: through the core's whole front door, on ideal axes.

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::Station;
use bellcrank_core::supervise::{State, What};
use bellcrank_core::units::{Duration, Instant};
use bellcrank_core::{Inputs, Machine};

use crate::check::{Bench, Broken, TICK_US, parts};

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

/// Breaks something while the slew turns; the machine must end in `wanted` without power within `ms`, naming `cause`, and stay
/// there until it is mended and reset, at which it must be able to work again.
#[track_caller]
pub fn check(
    breaks: impl Fn(&mut Bench),
    mends: impl Fn(&mut Bench),
    cause: (Cause, Option<usize>),
    wanted: State,
    ms: u32,
) {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    breaks(&mut bench);
    bench.run(ms);
    assert_eq!(
        (bench.state(), bench.cause()),
        (wanted, Some(cause)),
        "{:?}",
        bench.events()
    );
    assert!(bench.dead(), "no power, dump open, neutral");

    // Latched: mending alone does not bring it back, and a reset with the lever still out is refused.
    mends(&mut bench);
    bench.run(500);
    assert_eq!(bench.state(), wanted, "latched");
    bench.press_reset();
    assert_eq!(bench.state(), wanted, "reset with a lever out");
    assert!(bench.logged(What::ResetRefused));

    // Levers to neutral, reset: standby or ready, but no motion and no power; the enabling switch has been held all along and
    // must be pressed anew.
    bench.lever(0, 0.0);
    bench.run(100);
    bench.press_reset();
    bench.run(200);
    assert_eq!(bench.state(), State::Ready, "{:?}", bench.events());
    assert!(bench.dead());
    bench.inputs.seat.enable = false;
    bench.run(50);
    bench.inputs.seat.enable = true;
    bench.run(50);
    bench.lever(0, -0.5);
    bench.run(200);
    assert!(bench.moving(), "works again");
}

#[test]
fn stop_button_cuts_in_the_same_tick() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.inputs.stop_chain = [false, false];
    bench.tick();
    assert!(bench.dead());
    assert!(!bench.outputs.unwrap().relays.engine_run);
}

#[test]
fn stop_button_is_latched() {
    let set = |closed| move |bench: &mut Bench| bench.inputs.stop_chain = [closed, closed];
    check(set(false), set(true), (Cause::StopButton, None), State::Stopped, 10);
}

#[test]
fn one_open_channel_stops_at_once_and_is_a_fault_after_the_discrepancy_time() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.inputs.stop_chain = [true, false];
    bench.tick();
    assert!(bench.dead());
    bench.run(90);
    assert_eq!(bench.state(), State::Stopped);
    bench.run(20);
    assert_eq!(bench.state(), State::Fault);
    assert!(bench.logged(What::Cause(Cause::StopDiscrepancy)));
}

#[test]
fn the_hand_controls_own_stop_button_stops() {
    let set = |clear| move |bench: &mut Bench| bench.inputs.seat.stop_clear = clear;
    check(set(false), set(true), (Cause::HandStop, None), State::Stopped, 10);
}

#[test]
fn a_silent_station_ramps_down_and_stops() {
    let set = |silent| move |bench: &mut Bench| bench.broken.silent = silent;
    check(set(true), set(false), (Cause::LinkLost, None), State::Stopped, 500);
}

#[test]
fn broken_sensor_wire() {
    let set = |sensor| move |bench: &mut Bench| bench.broken.sensor = sensor;
    check(
        set(Some((0, Some(0.0)))),
        set(None),
        (Cause::SensorLow, Some(0)),
        State::Fault,
        500,
    );
}

#[test]
fn sensor_shorted_to_its_supply() {
    let set = |sensor| move |bench: &mut Bench| bench.broken.sensor = sensor;
    check(
        set(Some((1, Some(10.0)))),
        set(None),
        (Cause::SensorHigh, Some(1)),
        State::Fault,
        500,
    );
}

#[test]
fn a_converter_that_gives_nothing_is_a_broken_sensor() {
    let set = |sensor| move |bench: &mut Bench| bench.broken.sensor = sensor;
    check(
        set(Some((1, None))),
        set(None),
        (Cause::SensorLow, Some(1)),
        State::Fault,
        500,
    );
}

#[test]
fn a_reading_that_jumps() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.broken.sensor = Some((1, Some(2.0)));
    bench.run(500);
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Fault, Some((Cause::SensorJump, Some(1))))
    );
}

#[test]
fn an_axis_that_runs_by_itself_is_cut() {
    let machine = machine();
    let mut bench = Bench::enabled(&machine);
    bench.run(300);
    bench.broken.runs = Some((1, 0.1));
    bench.run(200);
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Fault, Some((Cause::MotionUnasked, Some(1))))
    );
    assert!(bench.dead());
}

#[test]
fn an_axis_that_does_not_move_and_a_sensor_that_is_frozen_are_told_apart() {
    for (broken, cause) in [
        (
            Broken {
                jammed: Some(0),
                ..Broken::default()
            },
            Cause::NoMotion,
        ),
        (
            Broken {
                frozen: Some(0),
                ..Broken::default()
            },
            Cause::SensorFrozen,
        ),
    ] {
        let machine = machine();
        let mut bench = Bench::enabled(&machine);
        bench.broken = broken;
        bench.lever(0, 0.5);
        bench.run(1500);
        assert_eq!(
            (bench.state(), bench.cause()),
            (State::Fault, Some((cause, Some(0)))),
            "{:?}",
            bench.events()
        );
    }
}

#[test]
fn an_axis_that_goes_the_wrong_way() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.broken.runs = Some((0, -0.15));
    bench.run(400);
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Fault, Some((Cause::WrongWay, Some(0)))),
        "{:?}",
        bench.events()
    );
}

#[test]
fn letting_go_of_the_enabling_switch_ends_in_standby_and_needs_neutral_levers_again() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.inputs.seat.enable = false;
    bench.tick();
    assert_eq!(bench.state(), State::Stopping);
    bench.run(600);
    assert_eq!(bench.state(), State::Standby);
    assert!(bench.dead());
    bench.inputs.seat.enable = true;
    bench.run(200);
    assert_eq!(bench.state(), State::Standby, "the lever is still out");
    assert!(bench.logged(What::EnableRefused));
}

#[test]
fn a_lever_held_while_enabling_gives_no_motion() {
    let machine = machine();
    let mut bench = Bench::ready(&machine);
    bench.lever(0, 0.4);
    bench.inputs.seat.enable = true;
    bench.run(500);
    assert!(bench.dead());
    assert_eq!(bench.strokes, [1.5, 1.5]);
}

#[test]
fn a_tick_that_comes_late_or_early_and_a_clock_that_stands_still_are_faults() {
    for (after_us, cause) in [
        (11_000, Cause::TickLate),
        (900, Cause::TickEarly),
        (0, Cause::TickEarly),
    ] {
        let machine = machine();
        let mut controller = bellcrank_core::Controller::new(&machine);
        let bench = Bench::slewing(&machine);
        let mut inputs: Inputs = bench.inputs;
        for tick in 1..50_u64 {
            inputs.now = Instant::from_ticks(tick * u64::from(TICK_US));
            inputs.relays = controller.last_tick().relays;
            controller.tick(&inputs);
        }
        inputs.now = Instant::from_ticks(49 * u64::from(TICK_US) + after_us);
        let outputs = controller.tick(&inputs);
        assert_eq!(
            (outputs.status.state, outputs.status.cause),
            (State::Fault, Some(cause))
        );
    }
}

#[test]
fn authority_changes_only_without_power_and_remote_is_slower() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    let before = bench.strokes[0];
    bench.run(200);
    let seat_way = bench.strokes[0] - before;
    bench.inputs.selector = Station::Remote;
    bench.inputs.remote.enable = true;
    bench.tick();
    assert_eq!(bench.state(), State::Stopping, "a turned selector ramps down first");
    bench.inputs.seat.enable = false;
    bench.lever(0, 0.0);
    bench.run(600);
    assert_eq!(
        bench.state(),
        State::Ready,
        "enable was held over: it must be pressed anew"
    );
    bench.inputs.remote.enable = false;
    bench.run(50);
    bench.inputs.remote.enable = true;
    bench.run(100);
    assert_eq!(bench.state(), State::Enabled);
    bench.inputs.remote.levers[0] = bellcrank_core::units::Lever::new(0.5).unwrap();
    bench.run(500);
    let before = bench.strokes[0];
    bench.run(200);
    let remote_way = bench.strokes[0] - before;
    assert!((remote_way / seat_way - 0.5).abs() < 0.05, "{remote_way} of {seat_way}");
}

#[test]
fn the_stop_button_of_a_station_that_is_not_in_charge_stops_too() {
    let set = |clear| move |bench: &mut Bench| bench.inputs.remote.stop_clear = clear;
    check(set(false), set(true), (Cause::HandStop, None), State::Stopped, 10);
}

#[test]
fn an_enabling_switch_held_while_the_selector_turns_must_be_let_go_first() {
    let machine = machine();
    let mut bench = Bench::ready(&machine);
    bench.inputs.remote.enable = true;
    bench.run(100);
    assert_eq!(bench.state(), State::Ready, "the remote is not in charge");
    bench.inputs.selector = Station::Remote;
    bench.run(200);
    assert_eq!(bench.state(), State::Ready);
    bench.inputs.remote.enable = false;
    bench.run(50);
    bench.inputs.remote.enable = true;
    bench.run(50);
    assert_eq!(bench.state(), State::Enabled);
}

#[test]
fn a_selector_that_points_at_a_station_the_machine_has_not_enables_nobody() {
    let mut parts = parts();
    parts.remote = None;
    let machine = Machine::new(parts).unwrap();
    let mut bench = Bench::ready(&machine);
    bench.inputs.selector = Station::Remote;
    bench.run(50);
    for hand in [&mut bench.inputs.seat, &mut bench.inputs.remote] {
        hand.enable = true;
    }
    bench.run(200);
    assert_eq!(bench.state(), State::Standby);
    assert!(bench.dead());
}

#[test]
fn debounce_lets_go_at_once_and_takes_hold_late() {
    let machine = machine();
    let mut bench = Bench::ready(&machine);
    bench.inputs.seat.enable = true;
    bench.run(10);
    assert_eq!(bench.state(), State::Ready, "bounce");
    bench.inputs.seat.enable = false;
    bench.tick();
    bench.inputs.seat.enable = true;
    bench.run(18);
    assert_eq!(bench.state(), State::Ready, "counted anew");
    bench.run(10);
    assert_eq!(bench.state(), State::Enabled);
    assert_eq!(Duration::from_ticks(20_000), machine.timing().debounce);
}
