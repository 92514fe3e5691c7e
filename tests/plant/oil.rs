//! Oil: modulus with air, viscosity, and the vapour floor.

use bellcrank_machine::description::{Oil, Valve};
use bellcrank_sim::plant::oil::{ATMOSPHERE, Law, viscosity};
use bellcrank_sim::plant::rig::Rig;
use bellcrank_sim::plant::{Accuracy, Inputs, Plant};

use super::{BAR, benchmark, cylinder, near, oil, valve};

fn aerated(modulus: f64, air: f64) -> Law {
    Law::new(&Oil {
        air: Some(air),
        ..Oil::textbook(870.0, modulus)
    })
}

/// PV-33: `E = β (1 + k) / (1 + k β / (n P))`, `k = α (P0/P)^(1/n)`, P absolute; a form common in papers on fluid power.
/// That it holds at one bar too shows that the vapour floor adds nothing from there on.
#[test]
fn air_softens_oil_most_where_the_pressure_is_low() {
    for (air, absolute, modulus) in [
        (0.01, 1.01325, 14.2015),
        (0.01, 10.0, 496.73),
        (0.01, 20.0, 954.20),
        (0.01, 50.0, 1403.01),
        (0.01, 100.0, 1534.61),
        (0.01, 200.0, 1579.66),
        (0.05, 10.0, 133.12),
        (0.05, 200.0, 1503.33),
    ] {
        let got = aerated(1.6e9, air).at(absolute * BAR - ATMOSPHERE).modulus / 1e6;
        near(&format!("{air} of air at {absolute} bar"), got, modulus, 1e-4);
    }
}

/// PV-32: `1/E = 1/β + (Vg/Vt) / (1.4 p)`, 1 % of air at 500 psi (Merritt 1967, chapter 2, from memory). The book counts
/// the liquid as the whole volume, the law as the 99 % that it is: 0.24 % apart.
#[test]
fn air_at_working_pressure_softens_oil_as_in_the_book() {
    let (pressure, fraction) = (34.473785 * BAR, 0.01);
    let at_atmosphere = fraction / (1.0 - fraction) * (pressure / ATMOSPHERE).powf(1.0 / 1.4);
    let law = aerated(1516.84654e6, at_atmosphere);
    near(
        "PV-32a, MPa",
        law.at(pressure - ATMOSPHERE).modulus / 1e6,
        366.1353717,
        3e-3,
    );
}

fn grade(at_40: f64, at_100: f64) -> Oil {
    Oil {
        viscosity: (at_40 * 1e-6, at_100 * 1e-6),
        ..oil()
    }
}

/// PV-37: ISO 3448 gives an ISO VG 46 between 41.4 and 50.6 mm²/s at 40 °C.
#[test]
fn the_usual_oil_is_a_vg_46() {
    let at_40 = viscosity(&oil(), 40.0) * 1e6;
    assert!((41.4..=50.6).contains(&at_40), "{at_40} mm²/s");
}

/// PV-38: 32 and 5.4 mm²/s give 8.533 at 80 °C (a viscosity calculator's sheet that cites ASTM D341, and T = °C + 273; here
/// it is 273.15).
#[test]
fn viscosity_between_two_points_is_as_published() {
    near("PV-38c", viscosity(&grade(32.0, 5.4), 80.0) * 1e6, 8.533104, 5e-4);
}

/// PV-39: an ISO VG 46 from cold to hot, mm²/s (the form of ASTM D341).
#[test]
fn viscosity_falls_with_temperature_as_published() {
    for (celsius, want) in [
        (-10.0, 1474.3266),
        (0.0, 577.3213554),
        (20.0, 133.8381805),
        (50.0, 29.973),
        (60.0, 20.62274756),
        (80.0, 11.103),
    ] {
        near(
            &format!("at {celsius} °C"),
            viscosity(&grade(46.0, 6.8), celsius) * 1e6,
            want,
            5e-4,
        );
    }
}

/// A mass on a cylinder whose ports are closed and tight, with 20 bar in it.
fn sealed(oil: Oil, accuracy: Accuracy) -> Plant {
    let actuator = bellcrank_machine::description::Actuator {
        leak: 0.0,
        viscous: 5e3,
        coulomb: 0.0,
        breakaway: 0.0,
        ..cylinder(0.063, 0.036, 0.5)
    };
    let valve = Valve {
        check_flow: 0.0,
        ..valve()
    };
    let rig = Rig {
        actuator,
        valve,
        oil,
        stroke: 0.1,
        pressure: [
            20.0 * BAR,
            20.0 * BAR * 0.063f64.powi(2) / (0.063f64.powi(2) - 0.036f64.powi(2)),
        ],
        ..benchmark()
    };
    rig.plant(accuracy)
}

/// Pulled by 30 kN and let go again, slowly: the least absolute pressure on the way, and the pressure afterwards.
fn pulled_apart(plant: &mut Plant) -> (f64, f64) {
    let mut least = f64::INFINITY;
    for tick in 0..3000 {
        let phase = (f64::from(tick) * 1e-3 * std::f64::consts::PI).sin();
        let load = if tick < 900 { -30e3 * phase } else { 0.0 };
        plant
            .advance(
                &Inputs {
                    load,
                    ..Inputs::default()
                },
                1e-3,
            )
            .expect("a run");
        least = least.min(plant.axis(0).pressure_a + ATMOSPHERE);
    }
    (least, plant.axis(0).pressure_a)
}

/// No liquid that tears has a pressure below absolute zero; what was in the chamber is still there.
#[test]
fn a_cylinder_pulled_apart_fills_with_vapour_and_comes_back() {
    for oil in [
        oil(),
        Oil {
            air: Some(0.005),
            ..oil()
        },
    ] {
        let (least, after) = pulled_apart(&mut sealed(oil, Accuracy::default()));
        assert!(least > 0.0 && least < 0.2 * BAR, "{least} Pa absolute");
        near("afterwards", after, 20.0 * BAR, 2e-2);
    }
}

/// What the load put in is in the oil or was lost to friction.
#[test]
fn tearing_oil_makes_no_energy() {
    let aerated = Oil {
        air: Some(0.005),
        ..oil()
    };
    let fine = Accuracy {
        rel: 1e-6,
        ..Accuracy::default()
    };
    let mut plant = sealed(aerated, fine);
    plant.keep_account();
    let before = plant.stored();
    pulled_apart(&mut plant);
    let (sum, after) = (plant.account().expect("kept").sum, plant.stored());
    let missing = -sum.load - sum.lost() - (after.total() - before.total());
    assert!(missing.abs() < 1e-3 * sum.friction, "{missing} J of {sum:?}");
    near("oil", after.contents, before.contents, 1e-6);
}
