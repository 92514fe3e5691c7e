//! Whatever fails: it is told, all comes to rest without power, and none of it comes back by itself.

use bellcrank_core::Machine;
use bellcrank_core::cause::Cause;
use bellcrank_core::machine::AxisId;
use bellcrank_core::supervise::State;

use crate::bench::{Bench, Mood, TICK_US, World, parts};
use crate::{Fault, Path, Place};

/// What fails, what it does to the world, what undoes that, where it must be told, and what the core must call it.
type Failure = (&'static str, fn(&World), fn(&World), Option<(Place, Fault)>, Cause);

/// How long, at most, until all is without power, ms: the hand control goes on for [`bellcrank_link::QUIET`] when it hears nothing, and its
/// last frame counts for the station's `frame_late`; then the longest stop.
const WITHIN_MS: u64 = 500 + 150 + 400;

#[test]
#[allow(clippy::too_many_lines, reason = "most of it is the list of what fails")]
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
            Cause::HandStop,
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
    let machine = Machine::new(parts()).unwrap();
    for (name, breaks, mends, told, cause) in failures {
        let mut bench = Bench::moving(&machine);
        breaks(&bench.world);
        let mut seen = None;
        for _ in 0..WITHIN_MS * 1_000 / TICK_US {
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
    let [breaks, mends]: [fn(&World); 2] = match index {
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
    ("relay cannot be told", breaks, mends, told, Cause::HandStop)
}

fn feedback(index: usize, path: Path) -> Failure {
    let ([breaks, mends], cause): ([fn(&World); 2], _) = match index {
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
