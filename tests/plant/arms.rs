//! Arms: payloads that come and go, slopes, the ground, slewing bases.

use std::sync::Arc;

use bellcrank_machine::Description;
use bellcrank_machine::description::{Actuator, Joint, JointAxis};
use bellcrank_sim::plant::bodies::{Body, GRAVITY};
use bellcrank_sim::plant::{
    Accuracy, AxisParts, Bodies, Direct, Inputs, JOINTS_MAX, Mechanism, Payload, Plant, Pose, Source, hole, statics,
};
use nalgebra::Vector3;

use super::machines::{bar, idle, three_joints};
use super::{BAR, near, oil, valve};

/// Energy that is missing after a while of motion, relative to what the pump gave: the account against what is stored.
fn missing(plant: &mut Plant, before: f64, jumped: f64) -> f64 {
    let sum = plant.account().expect("kept").sum;
    (sum.input - sum.lost() + jumped - (plant.stored().total() - before)) / sum.input
}

/// Moves all three joints for 0.7 s.
fn sweep(plant: &mut Plant) {
    let mut inputs = Inputs::default();
    for tick in 0..350 {
        let phase = f64::from(tick) * 2e-3;
        for (axis, (share, pace)) in [(0.5, 2.0), (0.4, 3.0), (-0.4, 4.0)].into_iter().enumerate() {
            inputs.spool[axis] = share * (pace * phase).cos();
        }
        plant.advance(&inputs, 2e-3).expect("a run");
    }
}

/// `m v² / 2 + m g z` of a point on the third joint.
fn energy_of(plant: &mut Plant, mass: f64, at: Vector3<f64>) -> f64 {
    let pose = plant.pose().clone();
    let rates: Vec<f64> = (0..3).map(|axis| plant.axis(axis).rate).collect();
    let point = pose.point(2, &at);
    let jacobian = plant.bodies().expect("arms").jacobian(&pose, 2, &point);
    let velocity: Vector3<f64> = (0..3)
        .map(|axis| Vector3::from(jacobian.fixed_view::<3, 1>(0, axis)) * rates[axis])
        .sum();
    mass * (0.5 * velocity.norm_squared() + GRAVITY * point.z)
}

/// Picked up in mid motion (the tool already at its speed) and dropped again: stored energy jumps by the payload's own, and
/// before, between and after the account balances.
#[test]
fn a_payload_brings_its_energy_and_takes_it_away() {
    let mut plant = three_joints(1500.0, 600.0);
    plant.keep_account();
    let start = plant.stored().total();
    let (at, mut jumped) = (Vector3::new(0.65, 0.0, 0.0), 0.0);
    for (mass, change) in [(60.0, 60.0), (0.0, -60.0)] {
        sweep(&mut plant);
        let by_hand = energy_of(&mut plant, change, at);
        let before = plant.stored().total();
        plant.bodies().expect("arms").set_payload(2, Payload { mass, at });
        let jump = plant.stored().total() - before;
        assert!((jump - by_hand).abs() < 1e-6, "{jump} J, by hand {by_hand}");
        jumped += jump;
    }
    sweep(&mut plant);
    let missing = missing(&mut plant, start, jumped);
    assert!(missing.abs() < 5e-3, "{missing}");
}

/// By formula: on a slope of angle s the joint about the upright axis holds `m g sin(s) l/2 sin(q)`.
#[test]
fn on_a_slope_a_slew_joint_carries_weight() {
    let slope = 12f64.to_radians();
    let mut arm = Bodies::chain(Vector3::zeros(), &[bar(JointAxis::Z, [1.6, 0.0, 0.0], 90.0, 0.05)]).expect("a chain");
    arm.gravity = GRAVITY * Vector3::new(slope.sin(), 0.0, -slope.cos());
    let mut pose = Pose::default();
    for angle in [-1.0f64, 0.0, 0.4, 1.5] {
        arm.place(&[angle], &mut pose);
        let by_hand = 90.0 * GRAVITY * slope.sin() * 0.8 * angle.sin();
        let torque = statics::gravity_torque(&arm, &pose)[0];
        assert!(
            (torque - by_hand).abs() < 1e-9,
            "{torque} at {angle}, by hand {by_hand}"
        );
    }
}

/// In the plant: tilted while it hangs still, an arm goes on hanging, on other pressures.
#[test]
fn tilting_the_carrier_moves_the_load_to_other_chambers() {
    let mut plant = three_joints(6e4, 0.0);
    plant.bodies().expect("arms").gravity = GRAVITY * Vector3::new(0.3, 0.0, -0.95);
    plant.advance(&Inputs::default(), 5.0).expect("a run");
    let area = [0.08f64.powi(2), 0.08f64.powi(2) - 0.045f64.powi(2)].map(|square| square * std::f64::consts::FRAC_PI_4);
    let pose = plant.pose().clone();
    let torque = statics::gravity_torque(plant.bodies().expect("arms"), &pose);
    for (axis, arm) in [-0.35, 0.25, 0.2].into_iter().enumerate() {
        let view = plant.axis(axis);
        let held = (view.pressure_a * area[0] - view.pressure_b * area[1]) * arm;
        near("torque", held, torque[axis], 1e-2);
    }
}

// ---- The ground ----

fn digger() -> Description {
    let text = bellcrank_machine::builtin("yard-digger").expect("built in");
    bellcrank_machine::read("yard-digger", text).expect("a good file")
}

/// Without its load-holding valve, a burst hose lets the boom down until the tip rests on the ground. By statics the ground then carries what the boom's
/// cylinder no longer does, about the boom's joint; it gives way by its stiffness of 500 kN/m.
#[test]
fn a_tip_comes_to_rest_on_the_ground_and_is_carried_by_it() {
    let mut machine = digger();
    machine.axes[1].holding = None;
    let mut plant = Plant::of_machine(&machine, Accuracy::default()).expect("it closes");
    plant.stand(&[0.0, -0.4, 1.0, 0.3], 10.0 * BAR);
    let tip = |plant: &Plant| plant.pose().tip(&machine, &machine.arms[0]);
    assert!(tip(&plant).z > 0.05, "{}", tip(&plant));
    let loaded = plant.axis(1).pressure_a;
    plant.keep_account();
    plant.faults().burst[1] = [hole(0.004, machine.oil.density), 0.0];
    let (start, mut most) = (plant.stored().total(), f64::NEG_INFINITY);
    for _ in 0..1000 {
        plant.advance(&Inputs::default(), 1e-2).expect("a run");
        let stored = plant.stored().total();
        let sum = plant.account().expect("kept").sum;
        most = most.max(stored + sum.lost() - sum.input - start);
    }
    let (view, tip) = (plant.axis(1), tip(&plant));
    assert!(view.rate.abs() < 1e-3 && tip.z < 0.0, "{view:?}, {tip}");
    assert!(view.pressure_a < 0.1 * loaded, "{} Pa of {loaded}", view.pressure_a);
    let hold = plant.holds()[1].torque;
    let actuator = &machine.axes[1].actuator;
    let arm = plant.holds()[1].torque / plant.holds()[1].force;
    let cylinder = (view.pressure_a * actuator.area_a - view.pressure_b * actuator.area_b) * arm;
    let reach = tip.x - plant.pose().origin(1).x;
    let push = -5e5 * tip.z;
    near("carried, about the boom's joint", -push * reach, hold - cylinder, 0.1);
    assert!(most < 1.0, "{most} J came from nowhere");
}

// ---- Slewing bases ----

/// Where an arm sits on its base, and its joints.
type Arm = (Vector3<f64>, [Joint; 2]);

/// A base, and two arms.
fn parts(base_mass: f64) -> (Joint, [Arm; 2]) {
    use JointAxis::{X, Y, Z};
    let left = [bar(Y, [0.9, 0.1, 0.0], 40.0, 0.06), bar(Z, [0.7, 0.0, 0.2], 25.0, 0.05)];
    let right = [bar(Y, [0.6, 0.0, 0.3], 30.0, 0.06), bar(X, [0.5, 0.2, 0.0], 20.0, 0.05)];
    let arms = [
        (Vector3::new(0.3, 0.5, 0.8), left),
        (Vector3::new(0.3, -0.5, 0.7), right),
    ];
    (bar(Z, [0.2, 0.0, 0.6], base_mass, 0.3), arms)
}

/// The base with both arms on it.
fn tree() -> Bodies {
    let (base, arms) = parts(300.0);
    let mut bodies = vec![Body::new(&base, Vector3::zeros())];
    let mut parents = vec![None];
    for (seat, joints) in &arms {
        bodies.push(Body::new(&joints[0], *seat));
        parents.push(Some(0));
        bodies.push(Body::new(&joints[1], joints[0].link));
        parents.push(Some(bodies.len() - 2));
    }
    Bodies::new(bodies, &parents).expect("a tree")
}

/// The base with one arm on it.
fn chain(arm: usize, base_mass: f64) -> Bodies {
    let (base, arms) = parts(base_mass);
    let (seat, joints) = &arms[arm];
    let bodies = vec![
        Body::new(&base, Vector3::zeros()),
        Body::new(&joints[0], *seat),
        Body::new(&joints[1], joints[0].link),
    ];
    Bodies::new(bodies, &[None, Some(0), Some(1)]).expect("a chain")
}

/// Composition: what a base must give for two arms is what it must give for each, on a base that is counted once.
#[test]
fn two_arms_on_a_base_are_two_serial_chains_together() {
    let (tree, chains) = (tree(), [chain(0, 300.0), chain(1, 0.0)]);
    let (q, v, a) = (
        [0.7, -0.4, 0.9, 0.3, -1.1],
        [0.8, -0.5, 1.2, 0.6, -0.9],
        [1.5, 0.4, -2.0, -1.0, 0.7],
    );
    let mut pose = Pose::default();
    tree.place(&q, &mut pose);
    let together = tree.torque(&pose, &v, &a);
    let matrix = tree.mass_matrix(&pose);
    let (mut base, mut inertia) = (0.0, 0.0);
    for (arm, chain) in chains.iter().enumerate() {
        let first = 1 + 2 * arm;
        let pick = |of: &[f64; 5]| [of[0], of[first], of[first + 1]];
        chain.place(&pick(&q), &mut pose);
        let torque = chain.torque(&pose, &pick(&v), &pick(&a));
        let alone = chain.mass_matrix(&pose);
        base += torque[0];
        inertia += alone.get(chain.tree(), 0, 0);
        for joint in 1..3 {
            near("torque", together[first + joint - 1], torque[joint], 1e-12);
            for other in 0..=joint {
                let place = |joint: usize| if joint == 0 { 0 } else { first + joint - 1 };
                let got = matrix.get(tree.tree(), place(joint), place(other));
                assert!((got - alone.get(chain.tree(), joint, other)).abs() < 1e-11);
            }
        }
    }
    near("torque of the base", together[0], base, 1e-12);
    near("inertia of the base", matrix.get(tree.tree(), 0, 0), inertia, 1e-12);
}

/// Left to itself, a base with its arms keeps its energy, and its momentum about the upright axis.
#[test]
fn a_free_tree_keeps_its_energy_and_its_spin() {
    let (actuator, valve): (Actuator, _) = (idle(), valve());
    let axes: Vec<_> = (0..5)
        .map(|_| AxisParts {
            actuator: &actuator,
            valve: &valve,
            holding: None,
            pump: 0,
            linkage: Arc::new(Direct { zero: -500.0 }),
        })
        .collect();
    let source = Source::Ideal {
        pressure: 0.0,
        tank: 0.0,
    };
    let accuracy = Accuracy {
        rel: 1e-8,
        ..Accuracy::default()
    };
    let mut plant = Plant::new(Mechanism::Arms(tree()), &axes, source, &oil(), accuracy);
    for (axis, (angle, rate)) in [(0.2, 1.5), (-0.9, 0.3), (0.4, -0.8), (-1.2, 0.5), (0.3, 1.0)]
        .into_iter()
        .enumerate()
    {
        plant.set_state(axis, angle);
        plant.set_state(plant.layout().rate(axis), rate);
    }
    let spin = |plant: &mut Plant| {
        let pose = plant.pose().clone();
        let mut rates = [0.0; JOINTS_MAX];
        for (axis, rate) in rates.iter_mut().take(5).enumerate() {
            *rate = plant.axis(axis).rate;
        }
        let bodies = plant.bodies().expect("arms");
        bodies.mass_matrix(&pose).times(bodies.tree(), &rates[..5])[0]
    };
    let (energy, momentum) = (plant.stored(), spin(&mut plant));
    for _ in 0..10 {
        plant.advance(&Inputs::default(), 0.2).expect("a run");
        near("spin", spin(&mut plant), momentum, 1e-5);
        let drift = plant.stored().total() - energy.total();
        assert!(drift.abs() < 1e-5 * energy.kinetic, "{drift} J of {energy:?}");
    }
}

/// The digger as a slewing machine: its seat turns with its arm, so from the seat nothing moves.
#[test]
fn from_a_slewing_base_the_tip_stands_still_while_it_slews() {
    let mut machine = digger();
    let arm = &mut machine.arms[0];
    arm.on = Some(0);
    arm.axes.remove(0);
    let bodies = Bodies::of_machine(&machine).expect("a tree");
    let mut pose = Pose::default();
    let mut tip = |slew: f64| {
        bodies.place(&[slew, -0.3, 0.9, 0.2], &mut pose);
        pose.tip(&machine, &machine.arms[0])
    };
    let still = tip(0.0);
    for slew in [-1.2, 0.4, 2.9] {
        assert!((tip(slew) - still).norm() < 1e-12, "{slew}");
    }
    // It does turn, in the frame that the machine stands in: on a slope, other torques hold it.
    let mut slope = bodies.clone();
    slope.gravity = Vector3::new(3.0, 0.0, -9.0);
    let mut held = |slew: f64| {
        slope.place(&[slew, -0.3, 0.9, 0.2], &mut pose);
        statics::gravity_torque(&slope, &pose)[0]
    };
    assert!(held(0.0).abs() < 1e-9 && held(1.0).abs() > 100.0, "{}", held(1.0));
}
