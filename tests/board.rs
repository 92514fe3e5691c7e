//! What is around the core, through its whole front door: two stop channels and their test pulses, relays and their contacts, the voltage
//! that feeds it, a restart in motion, the key, and a station that nobody misses.

use bellcrank_core::Machine;
use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{Relays, Station};
use bellcrank_core::machine::AxisId;
use bellcrank_core::supervise::{Event, State, What};
use bellcrank_core::units::{Duration, Volts};

use crate::check::{Bench, TICK_US, parts};
use crate::interlock::check;

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

/// A channel that never opened may be welded: a reset is refused until both have opened in one go.
#[test]
fn a_stop_channel_that_did_not_open_is_a_fault_until_both_have() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.lever(0, 0.0);
    bench.inputs.stop_chain = [true, false];
    bench.run(20);
    assert_eq!(bench.cause(), Some((Cause::StopButton, None)));
    bench.inputs.stop_chain = [true, true];
    bench.tick();
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Fault, Some((Cause::StopStuck, None)))
    );
    bench.run(500);
    bench.press_reset();
    assert_eq!(bench.state(), State::Fault, "nobody has shown that it opens");
    bench.inputs.stop_chain = [false, false];
    bench.run(50);
    bench.inputs.stop_chain = [true, true];
    bench.run(50);
    bench.press_reset();
    bench.run(200);
    assert_eq!(bench.state(), State::Ready);
}

/// One channel alone stops as a stop button does; what is latched is named by what lies behind it.
#[test]
fn channels_that_differ_are_named_as_that() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.inputs.stop_chain = [false, true];
    bench.tick();
    assert_eq!(bench.cause(), Some((Cause::StopButton, None)));
    bench.run(110);
    assert_eq!(bench.cause(), Some((Cause::StopDiscrepancy, None)));
}

/// What comes later does not take the place of what came first, unless it lies behind it.
#[test]
fn the_first_cause_is_the_one_that_is_named() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.broken.sensor = Some((0, Some(0.0)));
    bench.run(50);
    bench.broken.sensor = None;
    bench.inputs.stop_chain = [false, false];
    bench.run(50);
    assert_eq!(bench.cause(), Some((Cause::SensorLow, Some(0))));
    // Each is told when it is latched, and not again while it stands.
    for cause in [Cause::SensorLow, Cause::StopButton] {
        let told = |event: &&Event| event.what == What::Cause(cause);
        assert_eq!(bench.events().iter().filter(told).count(), 1, "{cause}");
    }
}

#[test]
fn a_test_pulse_on_the_stop_chain_stops_nothing() {
    let mut parts = parts();
    parts.timing.stop_pulse = Duration::from_ticks(TICK_US);
    let machine = Machine::new(parts).unwrap();
    let mut bench = Bench::slewing(&machine);
    for _ in 0..20 {
        for closed in [false, true] {
            bench.inputs.stop_chain[1] = closed;
            bench.run(if closed { 50 } else { 2 });
            assert!(bench.moving(), "{:?}", bench.events());
        }
    }
    bench.inputs.stop_chain[1] = false;
    bench.run(4);
    assert!(bench.dead());
}

/// What each relay is told, and what must be named when its contact says otherwise.
#[test]
fn a_relay_that_is_not_where_it_was_told_to_be() {
    let told = |power, dump, engine| Relays {
        valve_power: power,
        dump_closed: dump,
        engine_run: engine,
    };
    for (says, cause) in [
        (told(false, true, true), Cause::PowerRelay),
        (told(true, false, true), Cause::DumpRelay),
        (told(true, true, false), Cause::EngineRelay),
    ] {
        // It lets go although it is told to hold. While that stands the others let go too, as they are told.
        let machine = machine();
        let mut bench = Bench::slewing(&machine);
        bench.broken.relays = Some(says);
        bench.run(48);
        assert!(bench.moving(), "within its time");
        bench.run(4);
        assert!(bench.dead());
        assert_eq!((bench.state(), bench.cause()), (State::Fault, Some((cause, None))));
    }
    for (says, cause) in [
        (told(true, false, true), Cause::PowerRelay),
        (told(false, true, true), Cause::DumpRelay),
    ] {
        // It is welded: found when it is told to let go, and nothing is reset while it is.
        let machine = machine();
        let mut bench = Bench::slewing(&machine);
        bench.lever(0, 0.0);
        bench.run(500);
        bench.inputs.seat.enable = false;
        bench.run(2);
        bench.broken.relays = Some(says);
        bench.run(100);
        assert_eq!(
            (bench.state(), bench.cause()),
            (State::Fault, Some((cause, None))),
            "{says:?}"
        );
        bench.press_reset();
        assert_eq!(bench.state(), State::Fault, "it is still welded");
        bench.broken.relays = None;
        bench.run(100);
        bench.press_reset();
        bench.run(200);
        assert_eq!(bench.state(), State::Ready);
    }
}

#[test]
fn a_control_voltage_outside_its_band() {
    for volts in [Some(19.9), Some(30.1), None] {
        let read = volts.and_then(|volts| Volts::new(volts).ok());
        check(
            |bench| bench.inputs.supply = read,
            |bench| bench.inputs.supply = Volts::new(24.0).ok(),
            (Cause::Supply, None),
            State::Fault,
            22,
        );
    }
}

/// What is within the band, its ends included, is well.
#[test]
fn a_control_voltage_at_the_ends_of_its_band() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    for volts in [20.0, 30.0] {
        bench.inputs.supply = Volts::new(volts).ok();
        bench.run(50);
        assert!(bench.moving(), "{volts} V");
    }
}

/// A controller that starts anew while the machine moves: whatever it was in, it starts without power, tells what stood, and needs all that
/// it needed before, a reset with it.
#[test]
fn a_restart_lands_in_standby_with_the_last_cause_kept() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    bench.broken.sensor = Some((0, Some(0.0)));
    bench.run(500);
    assert_eq!(bench.cause(), Some((Cause::SensorLow, Some(0))));
    bench.broken.sensor = None;
    bench.restart();
    bench.run(2);
    let status = bench.outputs.unwrap().status;
    assert_eq!((status.state, status.cause), (State::SelfTest, None));
    assert_eq!(status.before, Some((Cause::SensorLow, AxisId::new(0))));
    assert!(bench.logged(What::Restarted(State::Fault)));
    // The lever is still out, and enable still held.
    bench.run(500);
    assert_eq!(bench.state(), State::Standby);
    assert!(bench.dead());
    bench.lever(0, 0.0);
    bench.run(200);
    assert_eq!(bench.state(), State::Standby, "a loss of power is no reset");
    bench.press_reset();
    bench.run(200);
    assert_eq!(
        bench.state(),
        State::Ready,
        "an enabling switch that was held all along enables nothing"
    );
    // It is kept over a second loss of power, and until somebody enables.
    bench.restart();
    bench.inputs.seat.enable = false;
    bench.run(200);
    assert_eq!(
        bench.outputs.unwrap().status.before,
        Some((Cause::SensorLow, AxisId::new(0)))
    );
    bench.press_reset();
    bench.run(50);
    bench.inputs.seat.enable = true;
    bench.run(50);
    assert_eq!(bench.state(), State::Enabled);
    assert_eq!(bench.outputs.unwrap().status.before, None);
}

/// Cut off in motion, with nothing latched: that is a stop all the same, over however many losses of power. A reset button that is tied down
/// does not end it.
#[test]
fn what_a_loss_of_power_stopped_has_to_be_reset() {
    let machine = machine();
    let mut bench = Bench::slewing(&machine);
    assert_eq!(bench.state(), State::Enabled);
    bench.lever(0, 0.0);
    bench.inputs.seat.enable = false;
    for tied in [false, false, true] {
        bench.restart();
        bench.inputs.reset = tied;
        bench.run(500);
        assert_eq!(bench.state(), State::Standby);
    }
    bench.inputs.reset = false;
    bench.run(50);
    bench.press_reset();
    bench.run(50);
    assert_eq!(bench.state(), State::Ready);
    // At rest and with nothing latched there is nothing to reset.
    bench.restart();
    bench.run(200);
    assert_eq!(bench.state(), State::Ready);
}

#[test]
fn a_damaged_record_is_told_and_has_to_be_reset() {
    let machine = machine();
    let bench = Bench::slewing(&machine);
    let kept = bench.controller().record();
    for byte in 0..kept.len() {
        let mut damaged = kept;
        damaged[byte] ^= 0x10;
        let mut controller = bellcrank_core::Controller::restarted(&machine, damaged);
        let out = controller.tick(&bench.inputs);
        assert_eq!((out.status.state, out.status.before), (State::SelfTest, None));
        let first = controller.log().since(0).next().unwrap().what;
        assert_eq!(first, What::RecordLost);
        // Nothing is known of the last run: it may have been anything.
        let mut bench = Bench::ready(&machine);
        bench.restart_with(damaged);
        bench.run(500);
        assert_eq!(bench.state(), State::Standby);
        bench.press_reset();
        bench.run(50);
        assert_eq!(bench.state(), State::Ready);
    }
}

/// The key takes effect at standstill alone: turned in motion it ends that, and makes nothing slower or faster on the way.
#[test]
fn the_key_changes_hands_like_a_station() {
    let mut parts = parts();
    parts.commissioning_speed = Some(0.25);
    let machine = Machine::new(parts).unwrap();
    let mut bench = Bench::slewing(&machine);
    bench.inputs.commissioning = true;
    bench.tick();
    assert_eq!(bench.state(), State::Stopping);
    bench.run(600);
    assert_eq!(bench.state(), State::Standby, "a lever is out");
    bench.lever(0, 0.0);
    bench.run(200);
    assert_eq!(
        bench.state(),
        State::Ready,
        "the enabling switch was held while the key was turned"
    );
    bench.inputs.seat.enable = false;
    bench.run(50);
    bench.inputs.seat.enable = true;
    bench.run(50);
    assert_eq!(bench.state(), State::Enabled);
}

/// A station that is not in charge is missed by nobody, but told; where its stop button is part of the machine's it is a stop.
#[test]
fn the_loss_of_a_station_that_is_not_in_charge() {
    for required in [false, true] {
        let mut parts = parts();
        parts.remote.as_mut().unwrap().required = required;
        let machine = Machine::new(parts).unwrap();
        let mut bench = Bench::slewing(&machine);
        bench.inputs.remote.age = None;
        bench.tick();
        let lost = bench.logged(What::StationLost(Station::Remote));
        if required {
            assert_eq!((bench.state(), lost), (State::Stopping, false));
            assert_eq!(bench.cause(), Some((Cause::LinkLost, None)));
            bench.lever(0, 0.0);
            bench.run(500);
            bench.press_reset();
            assert_eq!(bench.state(), State::Stopped, "it is still not heard");
        } else {
            assert_eq!((bench.state(), lost), (State::Enabled, true));
            bench.run(2_000);
            assert_eq!(bench.state(), State::Enabled);
            let told = bench
                .events()
                .iter()
                .filter(|event| matches!(event.what, What::StationLost(_)))
                .count();
            assert_eq!(told, 1);
        }
    }
}

/// Without power an axis that goes on moving is a fault, which stops the engine: the path that is left. What still comes to rest after a cut,
/// or swings, is none.
#[test]
fn motion_without_power_stops_the_engine() {
    let machine = machine();
    let mut bench = Bench::ready(&machine);
    let engine = |bench: &Bench| bench.outputs.unwrap().relays.engine_run;
    for _ in 0..20 {
        for rate in [0.1, -0.1] {
            bench.broken.adrift = Some((1, rate));
            bench.run(200);
        }
    }
    assert!(engine(&bench) && bench.cause().is_none(), "{:?}", bench.events());
    bench.broken.adrift = Some((1, 0.1));
    let watch = &machine.axis(AxisId::new(1).unwrap()).unwrap().watch;
    let times = [machine.timing().stop_budget, watch.settle, watch.unasked];
    bench.run(times.iter().map(|time| time.as_ticks() / 1_000).sum::<u32>() + 50);
    assert_eq!(
        (bench.state(), bench.cause()),
        (State::Fault, Some((Cause::MotionUnasked, Some(1))))
    );
    assert!(!engine(&bench));
    bench.press_reset();
    assert_eq!(bench.state(), State::Fault, "it still moves");
    bench.broken.adrift = None;
    bench.run(100);
    bench.press_reset();
    bench.run(200);
    assert!(bench.state() == State::Ready && engine(&bench));
}
