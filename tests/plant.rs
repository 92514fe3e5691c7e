//! The plant against values worked out elsewhere, by hand formulas, by other libraries, and by conservation of energy.

mod arms;
mod by_hand;
mod cylinders;
mod faults;
mod load_holding;
mod machines;
mod method;
mod oil;
mod shift;
mod supply;
mod valves;

use std::f64::consts::PI;
use std::sync::Arc;

use bellcrank_machine::description::{Actuator, ActuatorKind, Oil, PumpControl, Supply, Valve};
use bellcrank_sim::plant::rig::{Feed, Rig, Sample};
use bellcrank_sim::plant::{Accuracy, AxisParts, Direct, Inputs, JOINTS_MAX, Mechanism, Plant, Pose, Source, statics};
use bellcrank_tests::cases::{OracleArm, SingleCylinder};

const BAR: f64 = 1e5;
const LPM: f64 = 1e-3 / 60.0;

#[track_caller]
fn near(what: &str, got: f64, want: f64, relative: f64) {
    assert!(
        (got - want).abs() <= relative * want.abs(),
        "{what}: {got} is not within {relative} of {want}"
    );
}

// ---- Arms ----

/// Holds an arm to every row of its file. The largest difference of each quantity is measured against max(1, its
/// largest entry).
#[track_caller]
fn check_arm(name: &str, bound: f64) {
    let OracleArm { machine, bodies, rows } = OracleArm::named(name);
    let n = bodies.tree().len();
    let mut pose = Pose::default();
    for row in 0..rows.rows.len() {
        let within = |bound: f64, what: &str, got: Vec<f64>, want: Vec<f64>| {
            let scale = want.iter().fold(1.0, |a: f64, b| a.max(b.abs()));
            let worst = got.iter().zip(&want).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(
                got.len() == want.len() && worst <= bound * scale,
                "arm {name} row {row}, {what}: off by {:e}",
                worst / scale
            );
        };
        let compare = |what: &str, got, want| within(bound, what, got, want);
        let vector = |stem: &str| rows.vector(row, stem, n);
        let (q, qd, qdd) = (vector("q"), vector("qd"), vector("qdd"));
        bodies.place(&q, &mut pose);
        let tip = pose.tip(&machine, &machine.arms[0]);
        compare(
            "tip",
            tip.iter().copied().collect(),
            ["tip_x", "tip_y", "tip_z"].map(|h| rows.value(row, h)).to_vec(),
        );
        compare(
            "rotation",
            pose.rotation(n - 1).transpose().iter().copied().collect(),
            rows.grid(row, "r", (3, 3), ""),
        );
        let jacobian = bodies.jacobian(&pose, n - 1, &tip);
        let entries = (0..6)
            .flat_map(|r| (0..n).map(move |c| (r, c)))
            .map(|rc| jacobian[rc])
            .collect();
        compare("Jacobian", entries, rows.grid(row, "j", (6, n), "_"));
        let torque = bodies.torque(&pose, &qd, &qdd);
        compare("torque", torque[..n].to_vec(), vector("tau"));
        let mut matrix = bodies.mass_matrix(&pose);
        let entries = (0..n * n).map(|k| matrix.get(bodies.tree(), k / n, k % n)).collect();
        compare("mass matrix", entries, rows.grid(row, "m", (n, n), "_"));
        compare(
            "gravity",
            statics::gravity_torque(&bodies, &pose)[..n].to_vec(),
            vector("g"),
        );
        let bias = bodies.torque(&pose, &qd, &[0.0; JOINTS_MAX]);
        let mut forward: Vec<f64> = (0..n).map(|i| torque[i] - bias[i]).collect();
        matrix.factor(bodies.tree());
        matrix.solve(bodies.tree(), &mut forward);
        // The machine file's millimetres are rounded when they become metres; solving multiplies that.
        within(2.0 * bound, "forward dynamics", forward, qdd);
    }
    assert_eq!(rows.rows.len(), 50);
}

/// Source: Pinocchio 4.1.0 (`data/README.md`).
#[test]
fn two_arms_agree_with_a_rigid_body_library() {
    check_arm("a", 1e-12);
    check_arm("b", 1e-12);
}

// ---- The single-cylinder benchmark ----

fn benchmark() -> Rig {
    SingleCylinder::read().rig
}

/// Source: SUNDIALS CVODE 7.9.0 (`data/README.md`). Position error over its range, pressure error over 100 bar.
#[track_caller]
fn check_benchmark(accuracy: Accuracy, position: f64, pressure: f64, steps: u64) {
    let case = SingleCylinder::read();
    let (samples, work) = case.rig.run(accuracy, SingleCylinder::INTERVAL).expect("a run");
    let errors = case.errors(&samples);
    assert!(
        errors.position < position && errors.pressure < pressure,
        "{accuracy:?}: {errors:?}, {work:?}"
    );
    assert!(
        work.steps + work.rejected < steps,
        "{accuracy:?}: more work than before, {work:?}"
    );
}

#[test]
fn the_benchmark_converges_to_its_reference() {
    check_benchmark(Accuracy::default(), 1e-4, 2e-2, 500);
    check_benchmark(
        Accuracy {
            rel: 1e-6,
            ..Accuracy::default()
        },
        1e-7,
        1e-4,
        4_000,
    );
    check_benchmark(Accuracy::tight(), 2e-10, 2e-8, 40_000);
}

/// Source: the same benchmark; steady speeds by hand from three equations, extremes between rows from the reference
/// solvers.
#[test]
fn the_benchmark_shows_its_steady_speeds_and_extremes() {
    let accuracy = Accuracy {
        rel: 1e-4,
        ..Accuracy::default()
    };
    let (samples, _) = benchmark().run(accuracy, 0.001).expect("a run");
    let at = |time: f64| samples.iter().find(|s| s.time > time - 1e-6).expect("a sample");
    near("extending", at(0.95).speed, 0.4688, 2e-4);
    near("pA", at(0.95).pressure_a, 46.35 * BAR, 2e-4);
    near("pB", at(0.95).pressure_b, 62.61 * BAR, 2e-4);
    near("retracting", at(2.38).speed, -0.3289, 2e-4);
    near("pA", at(2.38).pressure_a, 102.92 * BAR, 2e-4);
    near("pB", at(2.38).pressure_b, 134.21 * BAR, 2e-4);
    let least = |of: fn(&Sample) -> f64| samples.iter().map(of).fold(f64::INFINITY, f64::min);
    near(
        "least pB: the check valve opens",
        least(|s| s.pressure_b),
        1.90 * BAR,
        0.01,
    );
    near("least pA", least(|s| s.pressure_a), 7.66 * BAR, 0.01);
    near("greatest pB", -least(|s| -s.pressure_b), 153.7 * BAR, 0.01);
    near("greatest x", -least(|s| -s.stroke), 0.44975, 1e-4);
}

// ---- Parts ----

/// The benchmark's cylinder in another size.
fn cylinder(bore: f64, rod: f64, travel: f64) -> Actuator {
    let area = |d: f64| PI / 4.0 * d * d;
    Actuator {
        kind: ActuatorKind::Cylinder { bore, rod },
        area_a: area(bore),
        area_b: area(bore) - area(rod),
        travel,
        ..benchmark().actuator
    }
}

fn valve() -> Valve {
    benchmark().valve
}

fn supply() -> Supply {
    Supply {
        control: PumpControl::Pressure,
        leak: 0.0,
        flow: 80.0 * LPM,
        pressure: 200.0 * BAR,
        control_band: 15.0 * BAR,
        response: 0.05,
        relief: 220.0 * BAR,
        relief_band: 10.0 * BAR,
        dump_flow: 80.0 * LPM,
        dump_drop: 5.0 * BAR,
        dump_time: 0.1,
        tank: 2.0 * BAR,
        volume: 3e-3,
    }
}

fn oil() -> Oil {
    benchmark().oil
}

/// A supply of one pressure, and a tank without any.
fn ideal(pressure: f64) -> Feed {
    Feed::Ideal { pressure, tank: 0.0 }
}

/// One mass on one cylinder, fed by a pump.
fn pumped(actuator: &Actuator, valve: &Valve, supply: &Supply, oil: &Oil) -> Plant {
    let parts = AxisParts {
        actuator,
        valve,
        holding: None,
        pump: 0,
        linkage: Arc::new(Direct { zero: 0.0 }),
    };
    let mut plant = Plant::new(
        Mechanism::Mass(500.0),
        &[parts],
        Source::pumps(&[supply]),
        oil,
        Accuracy::default(),
    );
    plant.set_state(0, 0.1);
    plant
}

fn spool(demand: f64) -> Inputs {
    let mut inputs = Inputs::default();
    inputs.spool[0] = demand;
    inputs
}
