//! The core under inputs that no sane board gives: whatever comes in, what goes out is legal, and power only comes with a permit.

use bellcrank_core::Machine;
use bellcrank_core::inputs::{Frame, GoTo, HandFrame, Inputs, Mode, Relays, SensorInput, Station, Target};
use bellcrank_core::machine::{LEVERS_MAX, PerAxis};
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use proptest::prelude::*;
use proptest::sample::select;

use crate::check::{Bench, PWM, parts_with_twin};

fn lever() -> impl Strategy<Value = Lever> {
    prop_oneof![3 => Just(0.0_f32), 2 => -1.0_f32..=1.0, 1 => select(vec![-1.0_f32, 1.0])]
        .prop_map(|share| Lever::new(share).unwrap())
}

fn mode() -> impl Strategy<Value = Mode> {
    select(vec![Mode::Joint, Mode::Tip, Mode::Carry])
}

fn frame() -> impl Strategy<Value = Frame> {
    select(vec![Frame::Machine, Frame::Seat, Frame::Tool])
}

fn go_to() -> BoxedStrategy<GoTo> {
    let place = prop::array::uniform3(prop_oneof![4 => -2.0_f32..2.0, 1 => any::<f32>()]);
    let speed = prop_oneof![4 => 0.0_f32..1.0, 1 => any::<f32>()];
    (0_u8..3, 0_u8..3, place, any::<bool>(), frame(), speed)
        .prop_map(|(number, arm, place, by, frame, speed)| GoTo {
            number,
            arm,
            to: if by { Target::By(place) } else { Target::At(place) },
            frame,
            speed,
        })
        .boxed()
}

fn hand() -> BoxedStrategy<HandFrame> {
    (
        prop_oneof![6 => (0_u32..50_000).prop_map(Some), 1 => Just(None), 1 => any::<u32>().prop_map(Some)],
        prop_oneof![2 => Just([Lever::default(); LEVERS_MAX]), 1 => prop::array::uniform16(lever())],
        (mode(), frame(), any::<bool>(), prop::option::weighted(0.2, go_to())),
        prop::bool::weighted(0.8),
        prop::bool::weighted(0.97),
    )
        .prop_map(
            |(age, levers, (mode, frame, slow, go_to), enable, stop_clear)| HandFrame {
                age: age.map(Duration::from_ticks),
                levers,
                mode,
                frame,
                slow,
                go_to,
                enable,
                stop_clear,
            },
        )
        .boxed()
}

fn sensor() -> impl Strategy<Value = SensorInput> {
    let volts = |low: f32, high: f32| {
        prop_oneof![8 => (low..high).prop_map(Some), 1 => any::<f32>().prop_map(Some), 1 => Just(None)]
            .prop_map(|volts| volts.and_then(|volts| Volts::new(volts).ok()))
    };
    let age = prop_oneof![8 => Just(0), 1 => 0_u32..60_000, 1 => any::<u32>()];
    (
        volts(0.5, 9.5),
        prop::option::weighted(0.3, volts(0.5, 9.5)),
        volts(4.5, 5.5),
        age,
    )
        .prop_map(|(signal, twin, excitation, age)| SensorInput {
            signal,
            // Most often the two agree.
            twin: twin.unwrap_or(signal),
            excitation,
            age: Duration::from_ticks(age),
        })
}

/// One thing that stays as it is for so many ticks.
fn relays() -> impl Strategy<Value = Relays> {
    (any::<bool>(), any::<bool>(), any::<bool>()).prop_map(|(valve_power, dump_closed, engine_run)| Relays {
        valve_power,
        dump_closed,
        engine_run,
    })
}

fn supply() -> impl Strategy<Value = Option<Volts>> {
    prop_oneof![12 => Just(24.0_f32), 1 => any::<f32>()].prop_map(|volts| Volts::new(volts).ok())
}

pub fn spell() -> impl Strategy<Value = (u32, Inputs, u64)> {
    (
        1_u32..120,
        (sensor(), sensor()),
        prop::bool::weighted(0.97),
        prop::bool::weighted(0.97),
        prop::bool::weighted(0.2),
        prop::bool::weighted(0.2),
        (hand(), hand()),
        prop_oneof![20 => Just(2_000_u64), 1 => 0_u64..20_000, 1 => any::<u64>()],
        (supply(), prop::bool::weighted(0.2)),
    )
        .prop_map(
            |(ticks, read, first, second, reset, remote, (seat, remote_hand), dt, (supply, commissioning))| {
                let mut sensors = PerAxis::default();
                for ((_, place), read) in sensors.iter_mut().zip([read.0, read.1]) {
                    *place = read;
                }
                let inputs = Inputs {
                    now: Instant::from_ticks(0),
                    sensors,
                    stop_chain: [first, second],
                    relays: Relays::default(),
                    supply,
                    reset,
                    commissioning,
                    selector: if remote { Station::Remote } else { Station::Seat },
                    seat,
                    remote: remote_hand,
                };
                (ticks, inputs, dt)
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn what_goes_out_is_legal_whatever_comes_in(spells in prop::collection::vec((spell(), prop::option::weighted(0.05, relays())), 1..12)) {
        let machine = Machine::new(parts_with_twin()).unwrap();
        let bench = Bench::enabled(&machine);
        let mut now = bench.inputs.now.as_ticks();
        let mut controller = bench.controller();
        let mut before = State::Enabled;
        for ((ticks, mut inputs, dt), stuck) in spells {
            for _ in 0..ticks {
                now = now.wrapping_add(dt);
                inputs.now = Instant::from_ticks(now);
                inputs.relays = stuck.unwrap_or(controller.last_tick().relays);
                let out = controller.tick(&inputs);
                for (id, _) in machine.axes() {
                    let duty = out.valves.get(id).number();
                    prop_assert!((PWM.low - 1e-6..=PWM.high + 1e-6).contains(&duty));
                    prop_assert!(out.relays.valve_power || duty == PWM.neutral);
                }
                let state = out.status.state;
                prop_assert!(!out.relays.valve_power || matches!(state, State::Enabled | State::Stopping), "power in {state}");
                prop_assert_eq!(out.relays.valve_power, out.relays.dump_closed);
                if inputs.stop_chain != [true, true] {
                    prop_assert!(!out.relays.valve_power && !out.relays.engine_run);
                }
                // Motion begins from `Ready` and nowhere else.
                if state == State::Enabled && before != State::Enabled {
                    prop_assert_eq!(before, State::Ready);
                    prop_assert_eq!(inputs.hand(inputs.selector).go_to, None);
                    prop_assert!(inputs.hand(inputs.selector).levers.iter().all(|lever| lever.share().abs() <= 0.05));
                }
                // What is latched is left for the self-test alone.
                if matches!(before, State::Stopped | State::Fault) && !matches!(state, State::Stopped | State::Fault) {
                    prop_assert_eq!(state, State::SelfTest);
                    prop_assert!(inputs.reset);
                }
                before = state;
            }
        }
    }
}
