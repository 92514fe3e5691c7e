//! Whole machines: free motion, energy, holding still, and the ends of the stroke.

use std::f64::consts::{PI, TAU};
use std::sync::Arc;

use bellcrank_machine::description::{Actuator, Axis, Joint, JointAxis, Supply, Valve};
use bellcrank_sim::plant::bodies::Body;
use bellcrank_sim::plant::rig::{Feed, Rig};
use bellcrank_sim::plant::{Accuracy, AxisParts, Bodies, Direct, Inputs, Linkage, Mechanism, Payload, Plant, Source};
use nalgebra::Vector3;

use super::{BAR, benchmark, cylinder, near, oil, pumped, spool, supply, valve};

/// A joint that carries a round bar.
pub(super) fn bar(axis: JointAxis, link: [f64; 3], mass: f64, radius: f64) -> Joint {
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

/// A cylinder with a constant moment arm.
struct Lever {
    zero: f64,
    arm: f64,
}

impl Linkage for Lever {
    fn stroke_and_ratio(&self, angle: f64) -> (f64, f64) {
        ((angle - self.zero) * self.arm, self.arm)
    }
}

/// Two arms of six on one carrier, each joint on a cylinder with a lever, all on one pump.
fn two_arms(accuracy: Accuracy) -> Plant {
    use JointAxis::{X, Y, Z};
    let joints = [
        bar(Z, [0.15, 0.0, 0.0], 40.0, 0.08),
        bar(Y, [1.20, 0.0, 0.0], 120.0, 0.08),
        bar(Y, [0.90, 0.0, 0.0], 60.0, 0.08),
        bar(X, [0.25, 0.0, 0.0], 30.0, 0.08),
        bar(Y, [0.20, 0.0, 0.0], 20.0, 0.08),
        bar(X, [0.25, 0.0, 0.0], 25.0, 0.08),
    ];
    let (mut bodies, mut parents) = (Vec::new(), Vec::new());
    for side in [0.55, -0.55] {
        for (i, joint) in joints.iter().enumerate() {
            let origin = if i == 0 {
                Vector3::new(0.3, side, 1.4)
            } else {
                joints[i - 1].link
            };
            parents.push(if i == 0 { None } else { Some(bodies.len() - 1) });
            bodies.push(Body::new(joint, origin));
        }
    }
    let mut bodies = Bodies::new(bodies, &parents).expect("a tree");
    for joint in [5, 11] {
        bodies.set_payload(
            joint,
            Payload {
                mass: 60.0,
                at: Vector3::new(0.3, 0.0, 0.0),
            },
        );
    }
    let actuator = Actuator {
        cushion: 0.02,
        ..cylinder(0.063, 0.036, 0.5)
    };
    let valve = Valve {
        port_relief: Some(240.0 * BAR),
        load_check: true,
        ..valve()
    };
    let linkage: Arc<dyn Linkage> = Arc::new(Lever { zero: -1.2, arm: 0.2 });
    let axes: Vec<_> = (0..12)
        .map(|_| AxisParts {
            actuator: &actuator,
            valve: &valve,
            holding: None,
            pump: 0,
            linkage: Arc::clone(&linkage),
        })
        .collect();
    let source = Source::pumps(&[&supply()]);
    let mut plant = Plant::new(Mechanism::Arms(bodies), &axes, source, &oil(), accuracy);
    let pose = [0.1, -0.4, 0.8, 0.2, 0.3, 0.0];
    plant.stand(&[pose, pose].concat(), 10.0 * BAR);
    plant.charge(185.0 * BAR);
    plant
}

/// An actuator that does nothing, so that bodies move freely.
pub(super) fn idle() -> Actuator {
    Actuator {
        area_a: 0.0,
        area_b: 0.0,
        travel: 1e3,
        viscous: 0.0,
        coulomb: 0.0,
        breakaway: 0.0,
        leak: 0.0,
        ..cylinder(0.05, 0.03, 1e3)
    }
}

/// A slender rod of 1.2 m swinging 80 degrees to each side. Period by the arithmetic-geometric mean, `T = 2 pi / (w0
/// agm(1, cos(a / 2)))`.
#[test]
fn a_pendulum_keeps_its_period_and_its_energy() {
    let (length, amplitude) = (1.2, 80f64.to_radians());
    let bodies = Bodies::chain(Vector3::zeros(), &[bar(JointAxis::Y, [length, 0.0, 0.0], 30.0, 0.0)]).expect("a chain");
    let (actuator, valve) = (idle(), valve());
    let parts = AxisParts {
        actuator: &actuator,
        valve: &valve,
        holding: None,
        pump: 0,
        linkage: Arc::new(Direct { zero: -500.0 }),
    };
    let source = Source::Ideal {
        pressure: 0.0,
        tank: 0.0,
    };
    let mut plant = Plant::new(
        Mechanism::Arms(bodies),
        &[parts],
        source,
        &oil(),
        Accuracy {
            rel: 1e-8,
            ..Accuracy::default()
        },
    );
    plant.set_state(0, PI / 2.0 - amplitude);
    let energy = plant.stored().total();
    let (mut a, mut g) = (1.0, (amplitude / 2.0).cos());
    for _ in 0..6 {
        (a, g) = (0.5 * (a + g), (a * g).sqrt());
    }
    let period = TAU / ((1.5 * 9.80665f64 / length).sqrt() * a);
    for swing in 1..=5 {
        plant.advance(&Inputs::default(), period).expect("a run");
        let view = plant.axis(0);
        assert!(
            (view.angle - (PI / 2.0 - amplitude)).abs() < 1e-6,
            "swing {swing}: {view:?}"
        );
        assert!((plant.stored().total() - energy).abs() < 1e-5, "swing {swing}: energy");
    }
}

/// A free mass under a constant force with viscous friction: `v = F/b (1 - exp(-b t / m))`.
#[test]
fn a_free_cylinder_moves_by_newtons_law() {
    let actuator = Actuator {
        viscous: 1500.0,
        ..idle()
    };
    let mut plant = Rig {
        actuator,
        stroke: 500.0,
        pressure: [0.0; 2],
        feed: Feed::Ideal {
            pressure: 0.0,
            tank: 0.0,
        },
        ..benchmark()
    }
    .plant(Accuracy::default());
    plant
        .advance(
            &Inputs {
                load: -400.0,
                ..Inputs::default()
            },
            0.7,
        )
        .expect("a run");
    near(
        "speed",
        plant.axis(0).stroke_rate,
        400.0 / 1500.0 * (1.0 - (-1500.0 * 0.7 / 800.0f64).exp()),
        1e-4,
    );
}

/// Three joints in a plane on levers, one pump, driven up and down into the cushions.
pub(super) fn three_joints(viscous: f64, coulomb: f64) -> Plant {
    use JointAxis::Y;
    let joints = [
        bar(Y, [2.05, 0.0, 0.0], 180.0, 0.05),
        bar(Y, [1.25, 0.0, 0.0], 90.0, 0.05),
        bar(Y, [0.65, 0.0, 0.0], 45.0, 0.05),
    ];
    let bodies = Bodies::chain(Vector3::new(0.0, 0.0, 1.0), &joints).expect("a chain");
    let actuator = Actuator {
        viscous,
        coulomb,
        breakaway: coulomb,
        cushion: 0.03,
        ..cylinder(0.08, 0.045, 0.5)
    };
    let valve = Valve {
        port_relief: Some(230.0 * BAR),
        load_check: true,
        ..valve()
    };
    // A longer stroke turns the joint up, which is negative about y.
    let part = |zero: f64, arm: f64| AxisParts {
        actuator: &actuator,
        valve: &valve,
        holding: None,
        pump: 0,
        linkage: Arc::new(Lever { zero, arm }),
    };
    let axes = [part(0.6, -0.35), part(0.0, 0.25), part(0.2, 0.2)];
    let source = Source::pumps(&[&supply()]);
    let mut plant = Plant::new(Mechanism::Arms(bodies), &axes, source, &oil(), Accuracy::default());
    plant.stand(&[-0.2, 0.9, 1.0], 10.0 * BAR);
    plant.charge(190.0 * BAR);
    plant
}

#[test]
fn energy_put_in_is_stored_or_lost() {
    let mut plant = three_joints(1500.0, 600.0);
    plant.keep_account();
    let before = plant.stored();
    let mut inputs = Inputs::default();
    for tick in 0..3000 {
        let phase = f64::from(tick) * 2e-3;
        // Wide sweeps, the first joint into both of its ends; the engine dies and the dump valve opens for the last
        // half second.
        inputs.spool[0] = if (phase % 3.0) < 1.7 { 0.9 } else { -0.8 };
        inputs.spool[1] = 0.6 * (2.0 * phase).sin();
        inputs.spool[2] = -0.5 * (3.0 * phase).sin();
        (inputs.engine, inputs.dump_current) = (phase < 5.5, phase < 5.5);
        plant.advance(&inputs, 2e-3).expect("a run");
    }
    let sum = plant.account().expect("kept").sum;
    let gained = plant.stored().total() - before.total();
    assert!(
        sum.input > 20e3 && sum.friction > 0.0 && sum.lands > 0.0 && sum.ends > 0.0 && sum.dump > 0.0,
        "{sum:?}"
    );
    let missing = sum.input - sum.lost() - gained;
    assert!(
        missing.abs() < 0.01 * sum.input,
        "missing {missing} J of {sum:?}, gained {gained}"
    );
}

/// Statics: in a simulated hold, pressure times area times moment arm is the torque of gravity.
#[test]
fn held_still_the_pressures_carry_the_arms() {
    let mut plant = three_joints(60e3, 0.0);
    plant.bodies().expect("arms").set_payload(
        2,
        Payload {
            mass: 80.0,
            at: Vector3::new(0.65, 0.0, 0.0),
        },
    );
    plant.advance(&Inputs::default(), 5.0).expect("a run");
    let (a, b) = (PI / 4.0 * 0.08 * 0.08, PI / 4.0 * (0.08 * 0.08 - 0.045 * 0.045));
    for (i, (hold, arm)) in plant.holds().into_iter().zip([-0.35, 0.25, 0.2]).enumerate() {
        let view = plant.axis(i);
        assert!(view.rate.abs() < 1e-3, "{view:?}");
        near(
            "torque",
            (view.pressure_a * a - view.pressure_b * b) * arm,
            hold.torque,
            1e-2,
        );
        near("force", hold.force * arm, hold.torque, 1e-12);
    }
    // By hand, about the third joint: bar and payload at the cosine of its pitch.
    let pitch: f64 = (0..3).map(|i| plant.axis(i).angle).sum();
    near(
        "by hand",
        plant.holds()[2].torque,
        -9.80665 * pitch.cos() * 0.65 * (0.5 * 45.0 + 80.0),
        1e-9,
    );
}

/// The ring of a mass on trapped oil is smooth: with nothing left out of the slopes, halving a fixed step must divide the
/// error by 2^4.
#[test]
fn halving_the_step_shows_the_order_of_the_method() {
    let rig = Rig {
        actuator: Actuator {
            coulomb: 0.0,
            breakaway: 0.0,
            ..benchmark().actuator
        },
        stroke: 0.2,
        ..benchmark()
    };
    let run = |accuracy: Accuracy| {
        let mut plant = rig.plant(accuracy);
        plant.set_state(plant.layout().rate(0), 0.02);
        plant.advance(&Inputs::default(), 0.064).expect("a run");
        plant.axis(0).stroke
    };
    let exact = run(Accuracy::tight());
    let error = |step: f64| (run(Accuracy::fixed(step)) - exact).abs();
    let order = (error(2e-3) / error(1e-3)).log2();
    assert!((3.8..4.2).contains(&order), "order {order}");
}

#[test]
fn reliefs_hold_their_settings() {
    // A cylinder driven against its end: the pump's control is set over the main relief, so the relief must hold.
    let supply = Supply {
        pressure: 300.0 * BAR,
        relief: 200.0 * BAR,
        ..supply()
    };
    let mut plant = pumped(&cylinder(0.063, 0.036, 0.5), &valve(), &supply, &oil());
    plant.advance(&spool(1.0), 4.0).expect("a run");
    let view = plant.axis(0);
    assert!(
        view.stroke > 0.5 && view.stroke < 0.5 * 1.002 && view.stroke_rate.abs() < 1e-6,
        "{view:?}"
    );
    near(
        "main relief passes the whole flow",
        plant.supply_pressure(),
        210.0 * BAR,
        1e-3,
    );
    near("the blocked chamber sees it", view.pressure_a, 210.0 * BAR, 1e-3);

    // A load that would need 165 bar, on trapped oil behind a port relief of 150 bar.
    let actuator = cylinder(0.063, 0.036, 0.5);
    let load = 165.0 * BAR * actuator.area_a;
    let valve = Valve {
        port_relief: Some(150.0 * BAR),
        ..valve()
    };
    let mut plant = Rig {
        stroke: 0.4,
        pressure: [150.0 * BAR, 2.0 * BAR],
        actuator,
        valve,
        ..benchmark()
    }
    .plant(Accuracy::default());
    let mut greatest: f64 = 0.0;
    for _ in 0..100 {
        plant
            .advance(
                &Inputs {
                    load,
                    ..Inputs::default()
                },
                2e-3,
            )
            .expect("a run");
        greatest = greatest.max(plant.axis(0).pressure_a);
    }
    assert!(plant.axis(0).stroke_rate < -0.1, "it gives way: {:?}", plant.axis(0));
    assert!(
        greatest > 150.0 * BAR && greatest < 170.0 * BAR,
        "{greatest}: override grows with the flow"
    );
}

#[test]
fn stops_never_give_energy_and_cushions_take_it() {
    // A free mass thrown at an end stop comes back slower, and at no time has more energy than before.
    for cushion in [0.0, 0.05] {
        let rig = Rig {
            actuator: Actuator {
                viscous: 0.0,
                coulomb: 0.0,
                breakaway: 0.0,
                cushion,
                leak: 0.0,
                dead_a: 1e3,
                dead_b: 1e3,
                ..cylinder(0.063, 0.036, 0.5)
            },
            pressure: [0.0; 2],
            feed: Feed::Ideal {
                pressure: 180.0 * BAR,
                tank: 0.0,
            },
            ..benchmark()
        };
        let mut plant = rig.plant(Accuracy::default());
        plant.set_state(0, 0.4);
        plant.set_state(plant.layout().rate(0), 0.5);
        let (mut energy, mut greatest): (f64, f64) = (plant.stored().total(), 0.0);
        let start = energy;
        for _ in 0..1000 {
            plant.advance(&Inputs::default(), 1e-3).expect("a run");
            let now = plant.stored().total();
            assert!(now < energy * (1.0 + 1e-3), "energy rose from {energy} to {now}");
            (energy, greatest) = (energy.min(now), greatest.max(plant.axis(0).stroke));
        }
        assert!(
            energy < 0.3 * start && greatest < 0.502,
            "{energy} of {start} J left, {greatest} m"
        );
    }
}

#[test]
fn two_arms_on_one_pump_move_alike_and_cheaply() {
    let mut plant = two_arms(Accuracy::default());
    let mut inputs = Inputs::default();
    for tick in 0..500 {
        for i in 0..12 {
            inputs.spool[i] = 0.3 * (4e-3 * f64::from(tick) + (i % 6) as f64).sin();
        }
        plant.advance(&inputs, 2e-3).expect("a run");
    }
    for i in 0..6 {
        assert!(
            (plant.axis(i).angle - plant.axis(i + 6).angle).abs() < 1e-9,
            "axis {i} of the two arms"
        );
    }
    let work = plant.work();
    assert!(work.steps < 700 && work.rejected < 70, "{work:?}");
}

/// The built-in machines: they hang still on trapped oil, every axis moves the way it is asked, and energy balances.
#[test]
fn the_built_in_machines_hold_still_and_obey() {
    for (name, _) in bellcrank_machine::BUILTIN {
        let text = bellcrank_machine::builtin(name).expect("built in");
        let machine = bellcrank_machine::read(name, text).expect("a good file");
        let mut plant = Plant::of_machine(&machine, Accuracy::default()).expect("it closes");
        // Well above the ground: the second joint of each arm, which lifts it, further up than the middle.
        let lifts = |i: usize| machine.arms.iter().any(|arm| arm.axes.get(1) == Some(&i));
        let angle = |(i, axis): (usize, &Axis)| {
            let (low, high) = axis.joint.range;
            low + (high - low) * if lifts(i) { 0.2 } else { 0.5 }
        };
        let angles: Vec<f64> = machine.axes.iter().enumerate().map(angle).collect();
        plant.stand(&angles, 10.0 * BAR);
        plant.charge(machine.supply.pressure - machine.supply.control_band);
        plant.advance(&Inputs::default(), 1.0).expect("a run");
        for (i, axis) in machine.axes.iter().enumerate() {
            let moved = (plant.axis(i).angle - angles[i]).abs();
            assert!(moved < 0.02, "{name}, {}: sagged {moved} rad", axis.name);
        }

        plant.keep_account();
        let before = plant.stored().total();
        for (i, axis) in machine.axes.iter().enumerate() {
            let start = plant.axis(i).stroke;
            let mut inputs = Inputs::default();
            for (demand, sign) in [(0.5, 1.0), (-0.5, -1.0)] {
                inputs.spool[i] = demand;
                for _ in 0..250 {
                    plant.advance(&inputs, 2e-3).expect("a run");
                }
                let rate = plant.axis(i).stroke_rate;
                assert!(
                    rate * sign > 0.0,
                    "{name}, {}: {rate} at {demand}, from {start}",
                    axis.name
                );
            }
        }
        let (sum, gained) = (plant.account().expect("kept").sum, plant.stored().total() - before);
        let missing = sum.input - sum.lost() - gained;
        assert!(
            missing.abs() < 0.01 * sum.input,
            "{name}: missing {missing} J of {sum:?}"
        );
    }
}
