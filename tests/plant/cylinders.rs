//! Cylinders: oil that is squeezed, hoses that swell, and friction.

use std::sync::Arc;

use bellcrank_machine::description::{Actuator, PumpControl, Supply, Valve};
use bellcrank_sim::plant::rig::Rig;
use bellcrank_sim::plant::{Accuracy, AxisParts, Direct, Inputs, Mechanism, Plant, Source, hole};

use super::{BAR, LPM, benchmark, cylinder, ideal, near, oil, spool, supply, valve};

fn frictionless(bore: f64, rod: f64, travel: f64) -> Actuator {
    Actuator {
        leak: 0.0,
        viscous: 0.0,
        coulomb: 0.0,
        breakaway: 0.0,
        ..cylinder(bore, rod, travel)
    }
}

/// A cylinder that cannot move, for its mass.
fn blocked(actuator: Actuator, pressure: f64) -> Rig {
    Rig {
        mass: 1e15,
        actuator,
        stroke: 0.25,
        pressure: [pressure, 0.0],
        feed: ideal(180.0 * BAR),
        ..benchmark()
    }
}

fn fine() -> Accuracy {
    Accuracy {
        rel: 1e-6,
        ..Accuracy::default()
    }
}

/// PV-34: `dp/dt = E Q / V` (continuity), V being line and chamber, until the relief takes the flow.
#[test]
fn a_blocked_cylinder_fills_up_to_the_relief() {
    let (flow, actuator) = (2.0 * LPM, frictionless(0.063, 0.036, 0.5));
    let supply = Supply {
        control: PumpControl::Fixed,
        flow,
        response: 1e-3,
        relief: 150.0 * BAR,
        dump_time: 0.0,
        ..supply()
    };
    let parts = AxisParts {
        actuator: &actuator,
        valve: &valve(),
        holding: None,
        pump: 0,
        linkage: Arc::new(Direct { zero: -0.25 }),
    };
    let mut plant = Plant::new(
        Mechanism::Mass(1e15),
        &[parts],
        Source::pumps(&[&supply]),
        &oil(),
        fine(),
    );
    plant.advance(&spool(1.0), 0.5).expect("a run");
    let before = plant.axis(0).pressure_a;
    plant.advance(&spool(1.0), 0.5).expect("a run");
    let volume = supply.volume + actuator.dead_a + 0.25 * actuator.area_a;
    near(
        "rise",
        plant.axis(0).pressure_a - before,
        0.5 * 1.2e9 * flow / volume,
        1e-3,
    );
    plant.advance(&spool(1.0), 10.0).expect("a run");
    near("held", plant.axis(0).pressure_a, 160.0 * BAR, 1e-4);
}

/// Force balance: behind a closed valve the pressure goes to the load's, F / A.
#[test]
fn a_blocked_load_is_carried_by_force_over_area() {
    let actuator = Actuator {
        area_b: 0.0,
        viscous: 2e4,
        ..frictionless(0.063, 0.036, 0.5)
    };
    let area = actuator.area_a;
    let mut plant = Rig {
        actuator,
        stroke: 0.25,
        pressure: [0.0; 2],
        feed: ideal(180.0 * BAR),
        ..benchmark()
    }
    .plant(fine());
    let inputs = Inputs {
        load: 40e3,
        ..Inputs::default()
    };
    plant.advance(&inputs, 3.0).expect("a run");
    near("pressure", plant.axis(0).pressure_a, 40e3 / area, 1e-5);
}

/// PV-36c: after the valve has closed on a moving mass, trapped oil rings at `ω² = E/m (A1²/V1 + A2²/V2)` (standard
/// result).
#[test]
fn closing_the_valve_leaves_the_mass_ringing() {
    let rig = Rig {
        mass: 2000.0,
        actuator: frictionless(0.08, 0.056, 0.6),
        valve: Valve {
            spool_hz: 60.0,
            ..valve()
        },
        stroke: 0.1,
        pressure: [60.0 * BAR, 60.0 * BAR],
        ..benchmark()
    };
    let mut plant = rig.plant(fine());
    plant.advance(&spool(0.3), 1.0).expect("a run");
    plant.advance(&spool(0.0), 0.1).expect("a run");
    let (mut crossings, mut last, step) = (Vec::new(), plant.axis(0).stroke_rate, 5e-4);
    for tick in 1..=800 {
        plant.advance(&spool(0.0), step).expect("a run");
        let speed = plant.axis(0).stroke_rate;
        if last > 0.0 && speed <= 0.0 {
            crossings.push(f64::from(tick) * step - step * speed / (speed - last));
        }
        last = speed;
    }
    let turns = crossings.len() - 1;
    let ring = std::f64::consts::TAU * turns as f64 / (crossings[turns] - crossings[0]);
    let (stroke, [a, b]) = (plant.axis(0).stroke, [rig.actuator.area_a, rig.actuator.area_b]);
    let stiffness = a * a / (0.2e-3 + a * stroke) + b * b / (0.2e-3 + b * (0.6 - stroke));
    near("ring, rad/s", ring, (1.2e9 * stiffness / 2000.0).sqrt(), 3e-3);
}

/// A trapped volume empties through a hole: with `dp/dt = -(E/V) K √p` the root of the pressure falls linearly in time.
#[test]
fn squeezed_oil_empties_through_a_hole_by_the_root() {
    let (actuator, burst) = (frictionless(0.063, 0.036, 0.5), hole(0.0002, 870.0));
    let volume = actuator.dead_a + 0.25 * actuator.area_a;
    let mut plant = blocked(actuator, 200.0 * BAR).plant(Accuracy::tight());
    plant.faults().burst[0] = [burst, 0.0];
    let fall = 1.2e9 / volume * burst / 2.0;
    let start = (200.0 * BAR).sqrt();
    for part in 1..=9 {
        plant.advance(&Inputs::default(), 0.1 * start / fall).expect("a run");
        let by_hand = start * (1.0 - 0.1 * f64::from(part));
        assert!(by_hand * by_hand > BAR, "above the laminar start");
        near("root", plant.axis(0).pressure_a.sqrt(), by_hand, 1e-5);
    }
}

/// `1 / E_eff = 1/E + swell / V`: with walls that give as much as the oil does, a load sinks in twice as far.
#[test]
fn swelling_hoses_soften_the_oil() {
    let sunk = |share: f64| {
        let actuator = Actuator {
            area_b: 0.0,
            dead_a: 2e-3,
            viscous: 1e5,
            ..frictionless(0.063, 0.036, 0.5)
        };
        let (area, volume) = (actuator.area_a, 2e-3 + 0.25 * actuator.area_a);
        let swell = share * volume / 1.2e9;
        let mut plant = Rig {
            actuator: Actuator {
                swell: [swell, 0.0],
                ..actuator
            },
            stroke: 0.25,
            pressure: [0.0; 2],
            feed: ideal(180.0 * BAR),
            ..benchmark()
        }
        .plant(fine());
        let inputs = Inputs {
            load: 10.0 * BAR * area,
            ..Inputs::default()
        };
        plant.advance(&inputs, 4.0).expect("a run");
        let modulus = 10.0 * BAR * volume / (area * (0.25 - plant.axis(0).stroke));
        (modulus, 1.0 / (1.0 / 1.2e9 + swell / volume))
    };
    for share in [0.0, 1.0, 3.0] {
        let (measured, by_formula) = sunk(share);
        near(&format!("{share}"), measured, by_formula, 2e-3);
    }
}

// ---- Friction ----

/// A mass on dry friction of 600 N that breaks away at 900 N, with no oil in it.
fn dry() -> Rig {
    Rig {
        actuator: Actuator {
            area_a: 0.0,
            area_b: 0.0,
            coulomb: 600.0,
            coulomb_speed: 0.001,
            breakaway: 900.0,
            breakaway_speed: 0.01,
            ..frictionless(0.063, 0.036, 100.0)
        },
        stroke: 50.0,
        pressure: [0.0; 2],
        feed: ideal(0.0),
        ..benchmark()
    }
}

fn speed_under(rig: &Rig, load: f64, span: f64) -> f64 {
    let mut plant = rig.plant(Accuracy::default());
    let inputs = Inputs {
        load,
        ..Inputs::default()
    };
    plant.advance(&inputs, span).expect("a run");
    plant.axis(0).stroke_rate
}

/// The Stribeck curve in the form of Hess and Soom, *J. Tribology* 112 (1990) (from memory): its greatest value is what it
/// takes to break away. Then 600 N are left to be overcome.
#[test]
fn it_takes_the_breakaway_force_to_move() {
    let friction = |v: f64| (600.0 + 300.0 / (1.0 + (v / 0.01).powi(2))) * (v / 0.001).tanh();
    let peak = (1..1000).map(|k| friction(f64::from(k) * 1e-5)).fold(0.0, f64::max);
    assert!((800.0..900.0).contains(&peak), "{peak}");
    let creep = speed_under(&dry(), -0.99 * peak, 5.0);
    assert!(creep > 0.0 && creep < 0.004, "{creep} m/s");
    let away = speed_under(&dry(), -1.01 * peak, 5.0);
    near("away", away, (1.01 * peak - 600.0) / 800.0 * 5.0, 0.3);
}

/// A rounded corner never quite sticks: under half its friction a load creeps by `coulomb_speed artanh(1/2)`, 0.55 mm/s
/// where the corner is 1 mm/s wide.
#[test]
fn a_load_on_dry_friction_alone_creeps_as_the_corner_says() {
    let rig = Rig {
        actuator: Actuator {
            breakaway: 600.0,
            ..dry().actuator
        },
        ..dry()
    };
    near("creep", speed_under(&rig, -300.0, 5.0), 0.001 * 0.5f64.atanh(), 1e-3);
}

/// Slowest and fastest speed once a small pump has filled everything, with its flow for `speed`.
fn pushed(speed: f64, viscous: f64, breakaway: f64) -> (f64, f64) {
    let actuator = Actuator {
        viscous,
        breakaway,
        coulomb: 600.0,
        coulomb_speed: 0.001,
        ..frictionless(0.063, 0.036, 2.0)
    };
    let supply = Supply {
        control: PumpControl::Fixed,
        flow: speed * actuator.area_a,
        dump_time: 0.0,
        ..supply()
    };
    let wide = Valve {
        rated_flow: 300.0 * LPM,
        ..valve()
    };
    let mut plant = super::pumped(&actuator, &wide, &supply, &oil());
    plant.advance(&spool(1.0), 3.0).expect("a run");
    let (mut least, mut most) = (f64::INFINITY, 0.0f64);
    for _ in 0..1000 {
        plant.advance(&spool(1.0), 1e-3).expect("a run");
        let speed = plant.axis(0).stroke_rate;
        (least, most) = (least.min(speed), most.max(speed));
    }
    (least, most)
}

/// Linear stability: a mass on a spring that is drawn along sticks and slips where friction falls with speed faster than the
/// damping rises. Here that is so at 10 mm/s (-15 000 N s/m), and not at 300.
#[test]
fn falling_friction_makes_it_stick_and_slip() {
    let (least, most) = pushed(0.01, 0.0, 900.0);
    assert!(most > 2.0 * 0.01 && least < 0.002, "{least} to {most} m/s");
    for (speed, viscous, breakaway) in [(0.01, 0.0, 600.0), (0.01, 3e4, 900.0), (0.3, 0.0, 900.0)] {
        let (least, most) = pushed(speed, viscous, breakaway);
        assert!(most - least < 0.02 * speed, "{least} to {most} m/s");
    }
}

/// PV-39: an ISO VG 46 has 133.84 mm²/s at 20 °C and 29.973 at 50, so cold oil drags 4.465 times as much.
#[test]
fn cold_oil_drags_by_its_viscosity() {
    let rig = Rig {
        actuator: Actuator {
            viscous: 1500.0,
            coulomb: 0.0,
            breakaway: 0.0,
            ..dry().actuator
        },
        ..dry()
    };
    let speed = |celsius: f64| {
        let mut plant = rig.plant(Accuracy::default());
        plant.set_oil_temperature(celsius);
        let inputs = Inputs {
            load: -300.0,
            ..Inputs::default()
        };
        plant.advance(&inputs, 10.0).expect("a run");
        plant.axis(0).stroke_rate
    };
    near("warm", speed(50.0), 300.0 / 1500.0, 1e-4);
    near("cold", speed(20.0), 300.0 / 1500.0 * 29.973 / 133.838, 1e-3);
}
