//! The plant's parts against values that can be worked out by hand.

use std::f64::consts::{PI, TAU};

use bellcrank_machine::description::{Actuator, Oil, Supply, Valve};
use bellcrank_sim::plant::chambers::Chambers;
use bellcrank_sim::plant::hydraulics::{Ports, Section};
use bellcrank_sim::plant::rig::Rig;
use bellcrank_sim::plant::{Accuracy, Inputs};

use super::{BAR, LPM, benchmark, cylinder, near, oil, pumped, spool, supply, valve};

fn ports(supply: f64, a: f64, b: f64, spool: f64) -> Ports {
    Ports {
        supply,
        tank: 0.0,
        a,
        b,
        spool,
    }
}

/// PV-20: push and pull forces, kN; sizes of ISO 3320 (from memory), force = pressure times area.
#[test]
fn cylinders_push_and_pull_as_their_areas_say() {
    let table = [
        (
            50,
            36,
            [
                (160, 31.4159, 15.1299),
                (210, 41.2334, 19.8580),
                (250, 49.0874, 23.6405),
            ],
        ),
        (
            63,
            45,
            [
                (160, 49.8759, 24.4290),
                (210, 65.4622, 32.0631),
                (250, 77.9311, 38.1704),
            ],
        ),
        (
            80,
            56,
            [
                (160, 80.4248, 41.0166),
                (210, 105.5575, 53.8343),
                (250, 125.6637, 64.0885),
            ],
        ),
        (
            100,
            70,
            [
                (160, 125.6637, 64.0885),
                (210, 164.9336, 84.1161),
                (250, 196.3495, 100.1383),
            ],
        ),
        (
            125,
            90,
            [
                (160, 196.3495, 94.5619),
                (210, 257.7088, 124.1125),
                (250, 306.7962, 147.7530),
            ],
        ),
    ];
    for (bore, rod, rows) in table {
        let chambers = Chambers::new(&cylinder(f64::from(bore) * 1e-3, f64::from(rod) * 1e-3, 0.5));
        for (pressure, push, pull) in rows {
            let pressure = f64::from(pressure) * BAR;
            near("push", chambers.force([pressure, 0.0]), push * 1e3, 1e-4);
            near("pull", -chambers.force([0.0, pressure]), pull * 1e3, 1e-4);
        }
    }
}

/// PV-25: sharp-edged orifice, `Cd A sqrt(2 dp / rho)` (Merritt, *Hydraulic Control Systems*, 1967, chapter 3, from
/// memory). PV-31: flow goes with the root of the drop (ISO 10770-1 rates at the drop of the whole valve, so half of it
/// on each land).
#[test]
fn a_land_passes_what_its_rating_says() {
    let flow = |rated: f64, rated_drop: f64, drop: f64| {
        let valve = Valve {
            rated_flow: rated * LPM,
            rated_drop,
            ..valve()
        };
        let flows = Section::new(&valve).flows(&ports(200.0 * BAR, 200.0 * BAR - drop, drop, 1.0));
        assert!(
            (flows.supply_to_a - flows.b_to_tank).abs() < 1e-15,
            "both lands have the same drop"
        );
        flows.supply_to_a / LPM
    };
    let orifice = 0.61 * PI / 4.0 * 0.002f64.powi(2) * (2.0 * 5.0 * BAR / 870.0).sqrt() / LPM;
    near("PV-25", flow(orifice, 5.0 * BAR, 100.0 * BAR), 17.43356999, 1e-5);
    near("PV-31a", flow(40.0, 5.0 * BAR, 35.0 * BAR), 105.8300524, 1e-6);
    near("PV-31b", flow(40.0, 5.0 * BAR, 2.5 * BAR), 28.28427125, 1e-6);
    near("PV-31c", flow(40.0, 5.0 * BAR, 100.0 * BAR), 178.8854382, 1e-6);
}

/// PV-22: 60 l/min at 200 bar are 20 kW. PV-23: speed is flow over area. PV-34: `dp/dt = E Q / V`.
#[test]
fn the_pump_gives_power_pressure_and_speed() {
    let (actuator, oil) = (
        Actuator {
            leak: 0.0,
            ..cylinder(0.08, 0.056, 0.6)
        },
        Oil {
            bulk_modulus: 1.4e9,
            ..oil()
        },
    );
    let open = Supply {
        tank: 0.0,
        pressure: 400.0 * BAR,
        relief: 190.0 * BAR,
        response: 1e-3,
        dump_time: 0.0,
        ..supply()
    };

    let mut plant = pumped(
        &actuator,
        &valve(),
        &Supply {
            flow: 60.0 * LPM,
            ..open.clone()
        },
        &oil,
    );
    plant.advance(&Inputs::default(), 2.0).expect("a run");
    near(
        "PV-22, over the relief, kW",
        plant.supply_pressure() * plant.pump_flow() / 1e3,
        20.0,
        1e-4,
    );

    let mut plant = pumped(
        &actuator,
        &valve(),
        &Supply {
            flow: LPM,
            volume: 1e-3,
            ..open.clone()
        },
        &oil,
    );
    plant.advance(&Inputs::default(), 0.1).expect("a run");
    let before = plant.supply_pressure();
    plant.advance(&Inputs::default(), 0.5).expect("a run");
    near(
        "PV-34, bar/s",
        (plant.supply_pressure() - before) / BAR / 0.5,
        233.3333333,
        1e-4,
    );

    let wide = Valve {
        rated_flow: 80.0 * LPM,
        ..valve()
    };
    for (demand, speed) in [(1.0, 0.1326291192), (-1.0, -0.2600570966)] {
        let mut plant = pumped(
            &actuator,
            &wide,
            &Supply {
                flow: 40.0 * LPM,
                ..open.clone()
            },
            &oil,
        );
        plant.set_state(0, 0.3);
        plant.advance(&spool(demand), 1.0).expect("a run");
        near("PV-23, m/s", plant.axis(0).stroke_rate, speed, 1e-4);
    }
}

/// Measures the ring of a mass on trapped oil, rad/s, and holds it to the formula: PV-35 (Merritt 1967, chapter 6, from
/// memory), PV-36.
#[track_caller]
fn check_ring(what: &str, area: [f64; 2], stroke: f64, expected: f64) {
    let actuator = Actuator {
        area_a: area[0],
        area_b: area[1],
        dead_a: 0.0,
        dead_b: 0.0,
        leak: 0.0,
        viscous: 0.0,
        coulomb: 0.0,
        breakaway: 0.0,
        ..cylinder(0.08, 0.056, 0.6)
    };
    let rig = Rig {
        mass: 2000.0,
        actuator,
        oil: Oil {
            bulk_modulus: 1.4e9,
            ..oil()
        },
        stroke,
        pressure: [60.0 * BAR, 60.0 * BAR * area[0] / area[1]],
        ..benchmark()
    };
    let mut plant = rig.plant(Accuracy {
        rel: 1e-7,
        ..Accuracy::default()
    });
    plant.set_state(plant.layout().rate(0), 0.005);
    let (mut crossings, mut last, step) = (Vec::new(), 0.005, 1e-3);
    for tick in 1..=500 {
        plant.advance(&Inputs::default(), step).expect("a run");
        let speed = plant.axis(0).stroke_rate;
        if last > 0.0 && speed <= 0.0 {
            crossings.push(f64::from(tick) * step - step * speed / (speed - last));
        }
        last = speed;
    }
    let turns = crossings.len() - 1;
    near(
        what,
        TAU * turns as f64 / (crossings[turns] - crossings[0]),
        expected,
        1e-3,
    );
}

#[test]
fn trapped_oil_rings_at_the_hydraulic_natural_frequency() {
    let (a, b) = (PI / 4.0 * 0.08 * 0.08, PI / 4.0 * (0.08 * 0.08 - 0.056 * 0.056));
    check_ring("PV-35a", [b, b], 0.3, 109.3763449);
    check_ring("PV-36a", [a, b], 0.350029172, 131.2669312);
    check_ring("PV-36c", [a, b], 0.3, 133.0796941);
}
