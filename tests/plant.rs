//! The plant against values worked out elsewhere, by hand formulas, by other libraries, and by conservation of energy.

mod by_hand;
mod faults;
mod machines;

use std::f64::consts::PI;
use std::sync::Arc;

use bellcrank_machine::description::{
    Actuator, ActuatorKind, Answer, Joint, JointAxis, Notches, Oil, PumpControl, Supply, Valve,
};
use bellcrank_sim::plant::rig::{Events, Feed, Rig, Sample};
use bellcrank_sim::plant::{
    Accuracy, AxisParts, Bodies, Direct, Inputs, JOINTS_MAX, Mechanism, Plant, Pose, Source, statics,
};
use nalgebra::Vector3;

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

fn bar(axis: JointAxis, link: [f64; 3], mass: f64, radius: f64) -> Joint {
    let link = Vector3::from(link);
    Joint {
        axis,
        link,
        mass,
        centre: link / 2.0,
        radius,
        range: (-PI, PI),
    }
}

/// A slewing column and three links in a plane, all slender rods.
fn arm_a() -> Bodies {
    use JointAxis::{Y, Z};
    let joints = [
        bar(Z, [0.35, 0.0, 0.60], 400.0, 0.0),
        bar(Y, [2.05, 0.0, 0.0], 180.0, 0.0),
        bar(Y, [1.25, 0.0, 0.0], 90.0, 0.0),
        bar(Y, [0.65, 0.0, 0.0], 45.0, 0.0),
    ];
    Bodies::chain(Vector3::zeros(), &joints).expect("a chain")
}

/// Six joints, round bars of 80 mm radius.
fn arm_b() -> Bodies {
    use JointAxis::{X, Y, Z};
    let joints = [
        bar(Z, [0.15, 0.0, 0.0], 40.0, 0.08),
        bar(Y, [0.90, 0.0, 0.0], 85.0, 0.08),
        bar(Y, [0.35, 0.0, 0.0], 35.0, 0.08),
        bar(X, [0.45, 0.0, 0.0], 30.0, 0.08),
        bar(Y, [0.20, 0.0, 0.0], 15.0, 0.08),
        bar(X, [0.25, 0.0, 0.0], 12.0, 0.08),
    ];
    Bodies::chain(Vector3::new(0.30, 0.55, 1.40), &joints).expect("a chain")
}

/// Holds an arm to every row of a file. The largest difference of each quantity is measured against max(1, its largest
/// entry).
#[track_caller]
fn check_arm(file: &str, arm: &Bodies, tip: [f64; 3], bound: f64) {
    let n = arm.tree().len();
    let mut reader = csv::Reader::from_path(format!("{}/data/{file}", env!("CARGO_MANIFEST_DIR"))).expect("the file");
    let header = reader.headers().expect("a header").clone();
    let mut pose = Pose::default();
    let mut rows = 0;
    for record in reader.records() {
        let record = record.expect("a row");
        let value = |name: &str| -> f64 {
            let column = header
                .iter()
                .position(|h| h == name)
                .unwrap_or_else(|| panic!("no column {name}"));
            record[column].parse().expect("a number")
        };
        let vector = |name: &str| -> Vec<f64> { (0..n).map(|i| value(&format!("{name}{i}"))).collect() };
        let grid = |name: &str, rows: usize, columns: usize, join: &str| -> Vec<f64> {
            (0..rows * columns)
                .map(|k| value(&format!("{name}{}{join}{}", k / columns, k % columns)))
                .collect()
        };
        let compare = |what: &str, got: Vec<f64>, want: Vec<f64>| {
            let scale = want.iter().fold(1.0, |a: f64, b| a.max(b.abs()));
            let worst = got.iter().zip(&want).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(
                got.len() == want.len() && worst <= bound * scale,
                "{file} row {rows}, {what}: off by {:e}",
                worst / scale
            );
        };
        let (q, qd, qdd) = (vector("q"), vector("qd"), vector("qdd"));
        arm.place(&q, &mut pose);
        let point = pose.point(n - 1, &Vector3::from(tip));
        compare(
            "tip",
            point.iter().copied().collect(),
            ["tip_x", "tip_y", "tip_z"].map(value).to_vec(),
        );
        compare(
            "rotation",
            pose.rotation(n - 1).transpose().iter().copied().collect(),
            grid("r", 3, 3, ""),
        );
        let jacobian = arm.jacobian(&pose, n - 1, &point);
        let entries = (0..6)
            .flat_map(|r| (0..n).map(move |c| (r, c)))
            .map(|rc| jacobian[rc])
            .collect();
        compare("Jacobian", entries, grid("j", 6, n, "_"));
        let torque = arm.torque(&pose, &qd, &qdd);
        compare("torque", torque[..n].to_vec(), vector("tau"));
        let mut matrix = arm.mass_matrix(&pose);
        let entries = (0..n * n).map(|k| matrix.get(arm.tree(), k / n, k % n)).collect();
        compare("mass matrix", entries, grid("m", n, n, "_"));
        compare(
            "gravity",
            statics::gravity_torque(arm, &pose)[..n].to_vec(),
            vector("g"),
        );
        let bias = arm.torque(&pose, &qd, &[0.0; JOINTS_MAX]);
        let mut forward: Vec<f64> = (0..n).map(|i| torque[i] - bias[i]).collect();
        matrix.factor(arm.tree());
        matrix.solve(arm.tree(), &mut forward);
        compare("forward dynamics", forward, qdd);
        rows += 1;
    }
    assert_eq!(rows, 50);
}

/// Source: Pinocchio 4.1.0 (`data/README.md`).
#[test]
fn two_arms_agree_with_a_rigid_body_library() {
    check_arm("arm-oracle-a.csv", &arm_a(), [0.65, 0.0, 0.0], 1e-12);
    check_arm("arm-oracle-b.csv", &arm_b(), [0.25, 0.0, 0.0], 1e-12);
}

// ---- The single-cylinder benchmark ----

fn benchmark() -> Rig {
    let actuator = cylinder(0.063, 0.036, 0.5);
    Rig {
        mass: 800.0,
        slope: 0.0,
        pressure: [60.0 * BAR, 60.0 * BAR * actuator.area_a / actuator.area_b],
        actuator,
        valve: valve(),
        holding: None,
        oil: oil(),
        feed: Feed::Ideal {
            pressure: 180.0 * BAR,
            tank: 2.0 * BAR,
        },
        stroke: 0.03,
        lines: None,
        command: vec![(0.1, 0.6), (1.0, 0.0), (1.6, -0.5), (2.4, 0.0)],
        load: vec![(1.5, 5000.0)],
        events: Events::default(),
        end: 3.0,
    }
}

fn reference() -> Vec<Sample> {
    let path = format!("{}/data/cylinder-benchmark.csv", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(path).expect("the file");
    let rows = reader.records().map(|record| {
        let v: Vec<f64> = record
            .expect("a row")
            .iter()
            .map(|field| field.parse().expect("a number"))
            .collect();
        Sample {
            time: v[0],
            stroke: v[1],
            speed: v[2],
            pressure_a: v[3],
            pressure_b: v[4],
            spool: v[5],
            spool_rate: v[6],
            ..Sample::default()
        }
    });
    rows.collect()
}

/// Errors of a run of the benchmark: position over its range, pressure over 100 bar.
fn benchmark_errors(samples: &[Sample]) -> (f64, f64) {
    let reference = reference();
    assert_eq!(samples.len(), reference.len());
    let (mut position, mut pressure) = (0.0f64, 0.0f64);
    for (got, want) in samples.iter().zip(&reference) {
        assert!((got.time - want.time).abs() < 1e-9);
        position = position.max((got.stroke - want.stroke).abs() / 0.41969);
        let worse = (got.pressure_a - want.pressure_a)
            .abs()
            .max((got.pressure_b - want.pressure_b).abs());
        pressure = pressure.max(worse / (100.0 * BAR));
    }
    (position, pressure)
}

/// Source: SUNDIALS CVODE 7.9.0 (`data/README.md`). Position error over its range, pressure error over 100 bar.
#[track_caller]
fn check_benchmark(accuracy: Accuracy, position: f64, pressure: f64, steps: u64) {
    let (samples, work) = benchmark().run(accuracy, 0.01).expect("a run");
    let (x, p) = benchmark_errors(&samples);
    assert!(
        x < position && p < pressure,
        "{accuracy:?}: position {x:e}, pressure {p:e}, {work:?}"
    );
    assert!(
        work.steps + work.rejected < steps,
        "{accuracy:?}: more work than before, {work:?}"
    );
}

#[test]
fn the_benchmark_converges_to_its_reference() {
    check_benchmark(Accuracy::default(), 1e-4, 1e-2, 700);
    check_benchmark(
        Accuracy {
            rel: 1e-6,
            ..Accuracy::default()
        },
        1e-7,
        1e-4,
        4_000,
    );
    check_benchmark(Accuracy::tight(), 2e-10, 2e-8, 36_000);
}

/// Source: the same benchmark; steady speeds by hand from three equations, extremes between rows from the reference
/// solvers.
#[test]
fn the_benchmark_shows_its_steady_speeds_and_extremes() {
    let (samples, _) = benchmark().run(Accuracy::default(), 0.001).expect("a run");
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

fn cylinder(bore: f64, rod: f64, travel: f64) -> Actuator {
    let area = |d: f64| PI / 4.0 * d * d;
    Actuator {
        kind: ActuatorKind::Cylinder { bore, rod },
        area_a: area(bore),
        area_b: area(bore) - area(rod),
        travel,
        dead_a: 0.2e-3,
        dead_b: 0.2e-3,
        swell: [0.0; 2],
        leak: 1e-13,
        viscous: 1500.0,
        coulomb: 600.0,
        coulomb_speed: 0.005,
        breakaway: 600.0,
        breakaway_speed: 0.01,
        cushion: 0.0,
    }
}

fn valve() -> Valve {
    Valve {
        rated_flow: 30.0 * LPM,
        rated_drop: 5.0 * BAR,
        blend: 2.0 * BAR,
        overlap_out: 0.08,
        overlap_in: 0.08,
        notches: Notches::default(),
        spool_hz: 15.0,
        spool_zeta: 0.9,
        answer: Answer::default(),
        check_flow: 240.0 * LPM,
        check_drop: 5.0 * BAR,
        port_relief: None,
        load_check: false,
    }
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
    Oil::textbook(870.0, 1.2e9)
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
