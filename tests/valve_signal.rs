//! The kinds of signal that valves are told by: through the gate, and through drive, gate and the valves' electronics to the oil.

use bellcrank_core::Inputs;
use bellcrank_core::gate::Gate;
use bellcrank_core::machine::{AxisId, Channel, Coils, EachWay, Machine, PerAxis, Voltage};
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::supervise::{Action, Permit};
use bellcrank_core::units::{Amps, Duty, Volts};
use bellcrank_sim::findings::judge;
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario;

use crate::check;

/// Each kind of signal, where it may go out as it is: within what is legal, under power, with the stop chain closed. Anything else closes
/// the valve: the neutral duty, no current in either coil, 0 V.
#[test]
fn the_gate_lets_through_what_is_legal_and_closes_the_valve_for_all_else() {
    let amps = |out, inward| ValveSignal::Currents {
        out: Amps::new(out).unwrap(),
        inward: Amps::new(inward).unwrap(),
    };
    let volts = |v| ValveSignal::Voltage(Volts::new(v).unwrap());
    let duty = |share| ValveSignal::Duty(Duty::new(share).unwrap());
    let coils = Channel::Coils(Coils {
        full: EachWay { out: 0.7, inward: 0.6 },
    });
    let voltage = Channel::Voltage(Voltage {
        full: 10.0,
        reversed: false,
    });
    let cases = [
        (coils, amps(0.7, 0.0), true),
        (coils, amps(0.0, 0.6), true),
        (coils, amps(0.0, 0.61), false),
        (coils, amps(0.3, 0.1), false),
        (coils, duty(0.5), false),
        (voltage, volts(10.0), true),
        (voltage, volts(-10.0), true),
        (voltage, volts(-10.1), false),
        (voltage, amps(0.0, 0.0), false),
        (Channel::Pwm(check::PWM), duty(0.9), true),
        (Channel::Pwm(check::PWM), duty(0.95), false),
        (Channel::Pwm(check::PWM), volts(0.5), false),
    ];
    for (channel, told, legal) in cases {
        let mut parts = check::parts();
        parts.axes[0].channel = channel;
        let machine = Machine::new(parts).unwrap();
        let closed = match channel {
            Channel::Pwm(_) => duty(0.5),
            Channel::Coils(_) => amps(0.0, 0.0),
            Channel::Voltage(_) => volts(0.0),
        };
        for (action, stop_chain, may) in [
            (Action::Drive, [true, true], true),
            (Action::RampDown, [true, true], true),
            (Action::Cut, [true, true], false),
            (Action::Drive, [true, false], false),
        ] {
            let permit = Permit {
                action,
                ..check::permit(&machine)
            };
            let inputs = Inputs {
                stop_chain,
                ..check::Bench::new(&machine).inputs
            };
            let out = Gate::default().step(&machine, &inputs, &permit, check::whole(1), &PerAxis::all(told));
            let wanted = if legal && may { told } else { closed };
            assert_eq!(
                out.valves.get(AxisId::new(0).unwrap()),
                wanted,
                "{channel:?}, {told:?}, {action:?}"
            );
        }
    }
}

/// The digger with valves of each kind: through drive, gate and the valves' electronics the same oil flows.
#[test]
fn valves_of_every_kind_drive_the_arm_alike() {
    let machine = bellcrank_machine::builtin("yard digger").unwrap();
    let text = scenario::builtin("straight-lift").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut tips = Vec::new();
    for channel in [
        "channel = { neutral = 0.5, band = [0.1, 0.9] }",
        "channel = { neutral = 0.45, band = [0.2, 0.9], reversed = true }",
        "channel = { kind = \"coils\", full_ma = [700, 650] }",
        "channel = { kind = \"voltage\", full_v = 10 }",
        "channel = { kind = \"voltage\", full_v = 5, reversed = true }",
    ] {
        let told = machine.replace("channel = { neutral = 0.5, band = [0.1, 0.9] }", channel);
        std::fs::write(folder.path().join("told.toml"), told).unwrap();
        let text = text.replace("\"yard digger\"", "\"told.toml\"");
        let scenario = scenario::parse("told", &text, folder.path()).unwrap();
        let trace = rehearse(&scenario, 1).unwrap();
        let found = judge(&scenario, 1, &trace);
        assert!(found.passed, "{channel}: {:?}", found.checks);
        tips.push(trace.samples[500].arms[0].tip());
    }
    for tip in &tips {
        assert!((tip - tips[0]).norm() < 0.002, "{tips:?}");
    }
}
