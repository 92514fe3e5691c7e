//! Pumps, engine, relief and dump valve.

use std::f64::consts::TAU;
use std::sync::Arc;

use bellcrank_machine::description::{Engine, JointAxis, PumpControl, Supply, Valve};
use bellcrank_sim::plant::bodies::Body;
use bellcrank_sim::plant::supply::Running;
use bellcrank_sim::plant::{Accuracy, AxisParts, Bodies, Direct, Inputs, Mechanism, Plant, Pump, Source};
use nalgebra::Vector3;

use super::machines::bar;
use super::{BAR, LPM, cylinder, near, oil, pumped, spool, supply, valve};

/// PV-24: 45 cm³ a turn at 1800 turns a minute and 200 bar, 5 % lost past its clearances: 76.95 l/min, 143.24 N m
/// (`Q = V n η`, `T = Δp V / 2π`).
#[test]
fn a_pump_gives_its_flow_and_takes_its_torque() {
    let flow = 45e-6 * 30.0;
    let pump = Pump::new(&Supply {
        flow,
        leak: 0.05 * flow / (200.0 * BAR),
        ..supply()
    });
    let at = Running {
        pressure: 200.0 * BAR,
        load: 0.0,
        swash: 1.0,
        speed: 1.0,
        share: 1.0,
    };
    near("PV-24a, l/min", pump.delivered(&at) / LPM, 76.95, 1e-6);
    near("PV-24b, N m", pump.torque_power(&at) / (TAU * 30.0), 143.2394488, 1e-6);
}

/// A fixed pump at 190 bar on an engine of so much torque, its flow all over the relief.
fn loaded(torque: f64) -> (Plant, Engine, Supply) {
    let engine = Engine {
        rated: TAU * 30.0,
        torque,
        droop: 0.08,
        inertia: 0.3,
        stall: TAU * 12.0,
        drag: 20.0,
    };
    let supply = Supply {
        control: PumpControl::Fixed,
        relief: 180.0 * BAR,
        dump_time: 0.0,
        ..supply()
    };
    let (actuator, valve) = (cylinder(0.08, 0.056, 0.6), valve());
    let parts = AxisParts {
        actuator: &actuator,
        valve: &valve,
        holding: None,
        pump: 0,
        linkage: Arc::new(Direct { zero: 0.0 }),
    };
    let source = Source::driven(&[&supply], &engine);
    let accuracy = Accuracy {
        rel: 1e-5,
        ..Accuracy::default()
    };
    let mut plant = Plant::new(Mechanism::Mass(500.0), &[parts], source, &oil(), accuracy);
    plant.set_state(0, 0.1);
    (plant, engine, supply)
}

/// By formula: a governor with droop settles where its torque is the pump's and the drag: `1 + droop (1 - T / greatest)`.
#[test]
fn the_engine_droops_under_its_load() {
    let (mut plant, engine, supply) = loaded(300.0);
    plant.advance(&Inputs::default(), 5.0).expect("a run");
    let taken = engine.drag + plant.supply_pressure() * supply.flow / engine.rated;
    near(
        "speed",
        plant.engine_speed(),
        1.0 + 0.08 * (1.0 - taken / engine.torque),
        1e-4,
    );
    assert!(taken > 140.0 && plant.engine_speed() > 1.0, "{taken} N m");
}

#[test]
fn an_engine_that_is_asked_too_much_stalls_and_starts_again() {
    let (mut plant, ..) = loaded(100.0);
    plant.advance(&Inputs::default(), 0.5).expect("a run");
    for _ in 0..50 {
        plant.advance(&Inputs::default(), 0.1).expect("a run");
    }
    assert!(plant.engine_speed() < 0.01, "{}", plant.engine_speed());
    let unloaded = Inputs {
        dump_current: false,
        ..Inputs::default()
    };
    plant.advance(&unloaded, 2.0).expect("a run");
    assert!(
        plant.engine_speed() < 0.01,
        "it does not start by itself: {}",
        plant.engine_speed()
    );
    let off = Inputs {
        engine: false,
        ..unloaded
    };
    plant.advance(&off, 0.5).expect("a run");
    for _ in 0..50 {
        plant.advance(&unloaded, 0.1).expect("a run");
    }
    assert!(plant.engine_speed() > 1.0, "it starts: {}", plant.engine_speed());
}

/// Load sensing at a steady speed: the margin over the load, within half a control band; by formula, where in the band.
#[test]
fn a_load_sensing_pump_keeps_its_margin() {
    let supply = Supply {
        control: PumpControl::LoadSensing { margin: 20.0 * BAR },
        control_band: 10.0 * BAR,
        ..supply()
    };
    for (demand, load) in [(0.3, 10e3), (0.6, 10e3), (0.6, 40e3)] {
        let mut plant = pumped(&cylinder(0.08, 0.056, 2.0), &valve(), &supply, &oil());
        let inputs = Inputs { load, ..spool(demand) };
        plant.advance(&inputs, 2.0).expect("a run");
        let over = (plant.supply_pressure() - plant.axis(0).pressure_a) / BAR;
        let swash = plant.states()[plant.layout().swash(0)];
        assert!(plant.axis(0).stroke_rate > 0.01 && swash < 1.0, "{:?}", plant.axis(0));
        assert!((over - 20.0).abs() <= 5.0, "{over} bar");
        near("margin", over, 25.0 - 10.0 * swash, 1e-3);
    }
}

#[test]
fn a_load_sensing_pump_goes_no_higher_than_it_is_set() {
    let supply = Supply {
        control: PumpControl::LoadSensing { margin: 20.0 * BAR },
        ..supply()
    };
    let mut plant = pumped(&cylinder(0.08, 0.056, 0.2), &valve(), &supply, &oil());
    plant.advance(&spool(1.0), 5.0).expect("a run");
    near("against its end", plant.supply_pressure(), 200.0 * BAR, 1e-3);
}

/// The relief passes the whole flow at its band above cracking; power is `p Q` (PV-22 is the same identity).
#[test]
fn a_fixed_pump_sends_what_nobody_takes_over_its_relief() {
    let supply = Supply {
        control: PumpControl::Fixed,
        ..supply()
    };
    let mut plant = pumped(&cylinder(0.08, 0.056, 0.6), &valve(), &supply, &oil());
    plant.advance(&Inputs::default(), 3.0).expect("a run");
    near("pressure", plant.supply_pressure(), 230.0 * BAR, 1e-5);
    plant.keep_account();
    plant.advance(&Inputs::default(), 1.0).expect("a run");
    let sum = plant.account().expect("kept").sum;
    let squeezed = 1.0 + 0.5 * 230.0 * BAR / 1.2e9;
    near("power in, W", sum.input, 230.0 * BAR * 80.0 * LPM * squeezed, 1e-4);
    near("power lost, W", sum.reliefs, sum.input, 1e-4);
}

/// The dump valve moves linearly over its time; open, it takes the whole flow at its rated drop.
#[test]
fn the_dump_valve_opens_in_its_time() {
    let supply = Supply {
        control: PumpControl::Fixed,
        ..supply()
    };
    let mut plant = pumped(&cylinder(0.08, 0.056, 0.6), &valve(), &supply, &oil());
    plant.advance(&Inputs::default(), 3.0).expect("a run");
    let open = Inputs {
        dump_current: false,
        ..Inputs::default()
    };
    plant.advance(&open, 0.05).expect("a run");
    near("half way", plant.dump_opening(), 0.5, 1e-9);
    plant.advance(&open, 0.05).expect("a run");
    near("in time", plant.dump_opening(), 1.0, 1e-9);
    plant.advance(&open, 0.5).expect("a run");
    near("circulating", plant.supply_pressure(), (2.0 + 5.0) * BAR, 1e-4);
}

/// Three joints that turn about upright axes, each 500 kg m² on a cylinder of its own; the third on the second pump.
fn three_on_two_pumps() -> Plant {
    let joint = bar(JointAxis::Z, [1.0, 0.0, 0.0], 1500.0, 0.0);
    let bodies = (0..3).map(|_| Body::new(&joint, Vector3::zeros())).collect();
    let bodies = Bodies::new(bodies, &[None; 3]).expect("a tree");
    let actuator = cylinder(0.08, 0.056, 2.0);
    let valve = Valve {
        rated_flow: 80.0 * LPM,
        ..valve()
    };
    let part = |pump: usize| AxisParts {
        actuator: &actuator,
        valve: &valve,
        holding: None,
        pump,
        linkage: Arc::new(Direct { zero: -0.1 }),
    };
    let supply = Supply {
        flow: 40.0 * LPM,
        dump_time: 0.0,
        ..supply()
    };
    let source = Source::pumps(&[&supply, &supply]);
    let axes = [part(0), part(0), part(1)];
    Plant::new(Mechanism::Arms(bodies), &axes, source, &oil(), Accuracy::default())
}

/// Speeds after some time with these axes asked for everything.
fn speeds(asked: [f64; 3]) -> [f64; 3] {
    let mut plant = three_on_two_pumps();
    let mut inputs = Inputs::default();
    inputs.spool[..3].copy_from_slice(&asked);
    plant.advance(&inputs, 3.0).expect("a run");
    [0, 1, 2].map(|axis| plant.axis(axis).stroke_rate)
}

/// PV-23: 40 l/min drive one 80 mm cylinder at 0.1326 m/s, `v = Q / A`, and two at that together.
#[test]
fn axes_on_one_pump_share_its_flow() {
    let (alone, both) = (speeds([1.0, 0.0, 0.0]), speeds([1.0, 0.6, 0.0]));
    near("alone", alone[0], 0.1326291192, 1e-3);
    near("together", both[0] + both[1], 0.1326291192, 1e-3);
    assert!(both[0] < 0.9 * alone[0], "{both:?}");
}

#[test]
fn an_axis_on_the_second_pump_does_not_notice_the_first() {
    let (alone, all) = (speeds([0.0, 0.0, 1.0]), speeds([1.0, 1.0, 1.0]));
    near("speed", all[2], alone[2], 1e-6);
    assert!(all[0] < 0.6 * all[2], "the first pump's starve: {all:?}");
}
