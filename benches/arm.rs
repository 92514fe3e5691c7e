//! Forward dynamics of the six-joint reference arm: ours beside the same mathematics written plainly on `nalgebra`. Says
//! the quotient of the times, after both have agreed with each other and with the rigid-body library's file.

mod spatial;

use std::hint::black_box;
use std::time::{Duration, Instant};

use bellcrank_benches::measuring;
use bellcrank_sim::plant::bodies::TreeMatrix;
use bellcrank_sim::plant::{JOINTS_MAX, Pose};
use bellcrank_tests::cases::OracleArm;
use criterion::{Criterion, criterion_group, criterion_main};
use nalgebra::Vector6;
use spatial::{JOINTS, Plain};

/// How closely accelerations must agree, relative to the largest.
const AGREEMENT: f64 = 1e-9;

/// One row of the file.
struct State {
    angle: [f64; JOINTS],
    rate: [f64; JOINTS],
    torque: [f64; JOINTS],
    acceleration: [f64; JOINTS],
}

/// Ours, with what it keeps between two calls.
struct Ours<'a> {
    arm: &'a OracleArm,
    pose: Pose,
    mass: TreeMatrix,
}

impl Ours<'_> {
    fn accelerations(&mut self, state: &State) -> [f64; JOINTS] {
        let bodies = &self.arm.bodies;
        bodies.place(&state.angle, &mut self.pose);
        let bias = bodies.torque(&self.pose, &state.rate, &[0.0; JOINTS_MAX]);
        bodies.fill_mass_matrix(&self.pose, &mut self.mass);
        self.mass.factor(bodies.tree());
        let mut x = std::array::from_fn(|i| state.torque[i] - bias[i]);
        self.mass.solve(bodies.tree(), &mut x);
        x
    }
}

fn states(arm: &OracleArm) -> Vec<State> {
    let joints = |row, stem: &str| {
        let values = arm.rows.vector(row, stem, JOINTS);
        std::array::from_fn(|i| values[i])
    };
    (0..arm.rows.rows.len())
        .map(|row| State {
            angle: joints(row, "q"),
            rate: joints(row, "qd"),
            torque: joints(row, "tau"),
            acceleration: joints(row, "qdd"),
        })
        .collect()
}

fn agree(what: &str, a: &[f64; JOINTS], b: &[f64; JOINTS]) {
    let largest = a.iter().fold(1.0, |largest: f64, x| largest.max(x.abs()));
    for (a, b) in a.iter().zip(b) {
        assert!((a - b).abs() <= AGREEMENT * largest, "{what}: {a} and {b}");
    }
}

fn forward_dynamics(c: &mut Criterion) {
    let arm = OracleArm::named("b");
    let states = states(&arm);
    let plain = Plain::of_machine(&arm.machine);
    let mut ours = Ours {
        arm: &arm,
        pose: Pose::default(),
        mass: TreeMatrix::zero(),
    };
    let plainly = |state: &State| {
        let torque = Vector6::from(state.torque);
        plain.accelerations(&state.angle, &state.rate, &torque)
    };
    for state in &states {
        let (a, b) = (ours.accelerations(state), plainly(state));
        agree("ours and plain", &a, &b);
        agree("ours and the file", &a, &state.acceleration);
    }

    let mut group = c.benchmark_group("forward dynamics, six joints");
    let mut next = states.iter().cycle();
    let mut state = || black_box(next.next().expect("a cycle has no end"));
    group.bench_function("ours", |b| b.iter(|| ours.accelerations(state())));
    group.bench_function("nalgebra, written plainly", |b| b.iter(|| plainly(state())));
    group.finish();

    // By turns, so that whatever else the machine does falls on both.
    let rounds = if measuring() { 200 } else { 1 };
    let (mut a, mut b) = (Duration::MAX, Duration::MAX);
    for _ in 0..rounds {
        a = a.min(time(&states, |state| ours.accelerations(state)));
        b = b.min(time(&states, plainly));
    }
    println!(
        "forward dynamics of six joints: ratio {:.2} (ours {} ns, nalgebra {} ns)",
        b.as_secs_f64() / a.as_secs_f64(),
        a.as_nanos(),
        b.as_nanos()
    );
}

/// Time of one state, averaged over all.
fn time(states: &[State], mut solve: impl FnMut(&State) -> [f64; JOINTS]) -> Duration {
    const TURNS: u32 = 20;
    let start = Instant::now();
    for _ in 0..TURNS {
        for state in states {
            black_box(solve(black_box(state)));
        }
    }
    start.elapsed() / (TURNS * 50)
}

criterion_group!(benches, forward_dynamics);
criterion_main!(benches);
