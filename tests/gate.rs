//! The gate alone, with everything before it wrong: every permit, every stop switch, every kind of valve, and signals that are none.

use std::iter::once;

use bellcrank_core::gate::Gate;
use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::{AxisId, Channel, Coils, EachWay, PerAxis, Pwm, Voltage};
use bellcrank_core::outputs::{Outputs, ValveSignal};
use bellcrank_core::stamp::{Stage, Stamp};
use bellcrank_core::supervise::{Action, Permit, State};
use bellcrank_core::units::{Amps, Duration, Duty, Instant, Volts};
use bellcrank_core::{Inputs, Machine};

use crate::check::{Bench, parts, permit, whole};

const ACTIONS: [Action; 3] = [Action::Cut, Action::RampDown, Action::Drive];
const CHAINS: [[bool; 2]; 4] = [[true, true], [true, false], [false, true], [false, false]];
const TICK: u64 = 2_000;

const FULL: EachWay = EachWay { out: 0.7, inward: 0.6 };

fn channels() -> [Channel; 3] {
    [
        Channel::Pwm(Pwm {
            neutral: 0.45,
            low: 0.1,
            high: 0.9,
            reversed: true,
        }),
        Channel::Coils(Coils { full: FULL }),
        Channel::Voltage(Voltage {
            full: 10.0,
            reversed: false,
        }),
    ]
}

/// Everything that is no number, next to none, or far too much. What a type refuses at its door never reaches the gate: that door is
/// held here too.
fn hostile() -> Vec<f32> {
    let odd = [f32::NAN, f32::INFINITY, f32::MAX, f32::MIN_POSITIVE, 1e-40, -0.0, 0.0];
    let plain = [
        0.05, 0.1, 0.45, 0.5, 0.6, 0.7, 0.71, 0.9, 0.91, 1.0, 1.01, 10.0, 10.1, 24.0,
    ];
    odd.into_iter().chain(plain).flat_map(|x| [x, -x]).collect()
}

fn signals() -> Vec<ValveSignal> {
    let numbers = hostile();
    let duties = numbers.iter().filter_map(|x| Duty::new(*x).ok()).map(ValveSignal::Duty);
    let volts = numbers
        .iter()
        .filter_map(|x| Volts::new(*x).ok())
        .map(ValveSignal::Voltage);
    let amps: Vec<Amps> = numbers.iter().filter_map(|x| Amps::new(*x).ok()).collect();
    let pairs = amps
        .iter()
        .flat_map(|&out| amps.iter().map(move |&inward| (out, inward)));
    let currents = pairs.map(|(out, inward)| ValveSignal::Currents { out, inward });
    duties.chain(volts).chain(currents).collect()
}

/// What may go out on a channel, said once more and in other words than the gate's own.
fn legal(channel: &Channel, told: &ValveSignal) -> bool {
    match (channel, told) {
        (Channel::Pwm(_), ValveSignal::Duty(duty)) => (0.1..=0.9).contains(&duty.share()),
        (Channel::Coils(_), ValveSignal::Currents { out, inward }) => {
            let one_coil = out.amps() == 0.0 || inward.amps() == 0.0;
            one_coil && out.amps() <= 0.7 && inward.amps() <= 0.6
        }
        (Channel::Voltage(_), ValveSignal::Voltage(volts)) => volts.volts().abs() <= 10.0,
        _ => false,
    }
}

fn closed(channel: &Channel) -> ValveSignal {
    match channel {
        Channel::Pwm(_) => ValveSignal::Duty(Duty::new(0.45).unwrap()),
        Channel::Coils(_) => ValveSignal::Currents {
            out: Amps::new(0.0).unwrap(),
            inward: Amps::new(0.0).unwrap(),
        },
        Channel::Voltage(_) => ValveSignal::Voltage(Volts::new(0.0).unwrap()),
    }
}

fn machine(channel: Channel) -> Machine {
    let mut parts = parts();
    parts.axes.iter_mut().for_each(|axis| axis.channel = channel);
    Machine::new(parts).unwrap()
}

fn off(out: &Outputs, channel: &Channel) -> bool {
    let shut = |index| out.valves.get(AxisId::new(index).unwrap()) == closed(channel);
    !out.relays.valve_power && !out.relays.dump_closed && shut(0) && shut(1)
}

#[test]
fn whatever_it_is_told_it_is_neutral_or_off_where_it_must_be() {
    let mut looked = 0;
    for channel in channels() {
        let machine = machine(channel);
        let inputs = Bench::new(&machine).inputs;
        for told in signals() {
            for (state, action, stop_chain) in combinations() {
                let permit = Permit {
                    state,
                    action,
                    ..permit(&machine)
                };
                let inputs = Inputs { stop_chain, ..inputs };
                let out = Gate::default().step(&machine, &inputs, &permit, whole(1), &PerAxis::all(told));
                let chain_closed = stop_chain == [true, true];
                let may = chain_closed && action != Action::Cut;
                let wanted = Relays {
                    valve_power: may,
                    dump_closed: may,
                    engine_run: chain_closed && state != State::Fault,
                };
                assert_eq!(out.relays, wanted, "{state} {action:?} {stop_chain:?}");
                let wanted = if may && legal(&channel, &told) {
                    told
                } else {
                    closed(&channel)
                };
                for (id, _) in machine.axes() {
                    assert_eq!(
                        out.valves.get(id),
                        wanted,
                        "{channel:?} {told:?} {action:?} {stop_chain:?}"
                    );
                }
                looked += 1;
            }
        }
    }
    println!("{looked} combinations");
    assert!(looked > 50_000);
}

fn combinations() -> impl Iterator<Item = (State, Action, [bool; 2])> {
    State::ALL.into_iter().flat_map(|state| {
        ACTIONS
            .into_iter()
            .flat_map(move |action| CHAINS.map(|chain| (state, action, chain)))
    })
}

/// Not a number and the infinities are refused where a signal is made, whatever its kind; so is what no such signal can be.
#[test]
fn what_is_no_signal_cannot_be_made() {
    for x in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        assert!(Duty::new(x).is_err() && Amps::new(x).is_err() && Volts::new(x).is_err());
    }
    assert!(Duty::new(1.01).is_err() && Duty::new(-0.01).is_err() && Amps::new(-0.01).is_err());
}

#[test]
fn work_that_is_not_of_this_tick_or_did_not_go_through_every_stage_goes_nowhere() {
    let channel = channels()[0];
    let machine = machine(channel);
    let inputs = Bench::new(&machine).inputs;
    let told = ValveSignal::Duty(Duty::new(0.8).unwrap());
    let left_out = Stamp::sensed(2)
        .through(Stage::Supervise)
        .through(Stage::Guard)
        .through(Stage::Drive);
    for (what, second) in [
        ("that of the last tick", whole(1)),
        ("that of a later one", whole(3)),
        ("a stage is missing", left_out),
        ("none at all", Stamp::default()),
    ] {
        let mut gate = Gate::default();
        let mut step = |stamp, ticks| {
            let inputs = Inputs {
                now: Instant::from_ticks(ticks * TICK),
                ..inputs
            };
            gate.step(&machine, &inputs, &permit(&machine), stamp, &PerAxis::all(told))
        };
        let first = step(whole(1), 1);
        assert!(first.relays.valve_power && first.valves.get(AxisId::new(0).unwrap()) == told);
        let out = step(second, 2);
        assert!(off(&out, &channel), "{what}");
        assert_eq!(out.alive, first.alive, "{what}: the watchdog is not fed");
        // It goes on from what comes whole and in order again.
        let next = second.whole().unwrap_or(1) + 1;
        let back = step(whole(next), 3);
        assert!(back.relays.valve_power && back.alive != out.alive, "{what}");
    }
}

/// The gate counts for itself how long a contact has been open: a test pulse goes by, more than that does not, and where its own time
/// makes no sense nothing does.
#[test]
fn a_test_pulse_is_tolerated_and_no_more() {
    let channel = channels()[0];
    let mut parts = parts();
    parts.axes.iter_mut().for_each(|axis| axis.channel = channel);
    parts.timing.stop_pulse = Duration::from_ticks(2_000);
    let machine = Machine::new(parts).unwrap();
    let inputs = Bench::new(&machine).inputs;
    let told = ValveSignal::Duty(Duty::new(0.8).unwrap());
    // Whether the valves have power in each tick, the chain being open in those marked 0, with so much time between two.
    let powered = |chain: &str, us: u64| {
        let mut gate = Gate::default();
        let mut tick = 0;
        let mut step = |closed: bool| {
            tick += 1;
            let inputs = Inputs {
                now: Instant::from_ticks(u64::from(tick) * us),
                stop_chain: [true, closed],
                ..inputs
            };
            let out = gate.step(&machine, &inputs, &permit(&machine), whole(tick), &PerAxis::all(told));
            assert_eq!(out.relays.valve_power, !off(&out, &channel));
            if out.relays.valve_power { '1' } else { '.' }
        };
        chain.chars().map(|c| step(c == '1')).collect::<String>()
    };
    assert_eq!(powered("1101111", TICK), "1111111");
    assert_eq!(powered("1100011", TICK), "111..11");
    // Chatter is no test pulse; what comes after it has been taken for a stop is told apart anew.
    assert_eq!(powered("110101011", TICK), "1111.1111");
    assert_eq!(powered("1101010101", TICK), "1111.111.1");
    assert_eq!(powered("1101", 0), "11.1");
    assert_eq!(
        powered("01", TICK),
        ".1",
        "how long it was open before the first tick nobody knows"
    );
    // One 2 ms pulse in every 34 ms for a minute.
    let minute: String = once("0").chain([("1"); 16]).collect::<String>().repeat(1_700);
    assert_eq!(powered(&("1".to_owned() + &minute), TICK), "1".repeat(1 + minute.len()));
}
