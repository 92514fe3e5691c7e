//! The method of integration: its order on arms with oil, and that it says so where it fails.

use std::sync::Arc;

use bellcrank_machine::description::{Actuator, JointAxis};
use bellcrank_sim::plant::rig::{Events, Rig};
use bellcrank_sim::plant::{Accuracy, AxisParts, Bodies, Direct, Inputs, Mechanism, Plant, PlantError, Source};
use nalgebra::Vector3;

use super::machines::bar;
use super::{BAR, benchmark, cylinder, oil, spool, valve};

/// Two joints on trapped oil, swinging.
fn swinging(accuracy: Accuracy) -> Plant {
    use JointAxis::Y;
    let joints = [bar(Y, [1.0, 0.0, 0.0], 60.0, 0.05), bar(Y, [0.8, 0.0, 0.0], 30.0, 0.05)];
    let bodies = Bodies::chain(Vector3::zeros(), &joints).expect("a chain");
    let actuator = Actuator {
        coulomb: 0.0,
        breakaway: 0.0,
        viscous: 300.0,
        dead_a: 30e-3,
        dead_b: 30e-3,
        ..cylinder(0.063, 0.036, 4.0)
    };
    let valve = valve();
    let axes = [0, 1].map(|_| AxisParts {
        actuator: &actuator,
        valve: &valve,
        holding: None,
        pump: 0,
        linkage: Arc::new(Direct { zero: -2.0 }),
    });
    let source = Source::Ideal {
        pressure: 0.0,
        tank: 0.0,
    };
    let mut plant = Plant::new(Mechanism::Arms(bodies), &axes, source, &oil(), accuracy);
    plant.stand(&[0.3, 0.7], 100.0 * BAR);
    plant.set_state(plant.layout().rate(0), 0.5);
    plant.set_state(plant.layout().rate(1), -0.8);
    plant
}

/// Where they are after 64 ms in so many equal steps. `exact`: each step forgets the one before, so that the arms are worked
/// out at every stage.
fn after(steps: u32, exact: bool) -> Vec<f64> {
    let step = 0.064 / f64::from(steps);
    let mut plant = swinging(Accuracy::fixed(step));
    for _ in 0..steps {
        if exact {
            plant.bodies();
        }
        plant.advance(&Inputs::default(), step).expect("a run");
    }
    let of = |axis: usize| {
        let view = plant.axis(axis);
        let [a, b] = [view.pressure_a, view.pressure_b].map(|pressure| pressure / (10.0 * BAR));
        [view.angle / 0.1, view.rate / 0.1, a, b]
    };
    [of(0), of(1)].concat()
}

/// Largest difference of any angle, rate and pressure, each of a middling one.
fn apart(one: &[f64], other: &[f64]) -> f64 {
    let each = one.iter().zip(other);
    each.map(|(one, other)| (one - other).abs()).fold(0.0, f64::max)
}

/// Halving the steps must divide the error by 2^3, on two joints with oil: both where the arms are worked out at every stage
/// and where they go along a line within the step.
#[test]
fn arms_on_oil_show_the_order_of_the_method() {
    let truth = after(1024, true);
    for exact in [true, false] {
        let error = |steps: u32| apart(&after(steps, exact), &truth);
        let order = (error(64) / error(128)).log2();
        assert!((2.7..3.3).contains(&order), "exact {exact}: order {order}");
    }
}

/// The line itself is of second order only. It does not show above because arms are not stiff: at steps of 1 ms it is off by
/// less than a five-hundredth of the method's own error.
#[test]
fn going_along_the_line_costs_little() {
    let gap = |steps: u32| apart(&after(steps, true), &after(steps, false));
    let order = (gap(256) / gap(512)).log2();
    assert!((1.5..2.5).contains(&order), "order {order}");
    let error = apart(&after(64, true), &after(1024, true));
    assert!(gap(64) < 2e-3 * error, "{} of {error}", gap(64));
}

/// Dry friction with a corner a femtometre a second wide, to more digits than there are: the mass turns round, and no step
/// gets past that.
#[test]
fn what_is_too_stiff_is_an_error_that_says_where() {
    let rig = Rig {
        actuator: Actuator {
            coulomb_speed: 1e-15,
            ..benchmark().actuator
        },
        stroke: 0.2,
        ..benchmark()
    };
    let accuracy = Accuracy {
        rel: 1e-12,
        ..Accuracy::default()
    };
    let mut plant = rig.plant(accuracy);
    plant.set_state(plant.layout().rate(0), 0.02);
    let error = plant.advance(&spool(0.0), 1.0).expect_err("too stiff");
    let PlantError::TooStiff { time, state } = &error else {
        panic!("{error}")
    };
    assert!(
        *time > 0.0 && *time == plant.time() && state == "rate of axis 0",
        "{error}"
    );
}

/// A plain test bench runs by a shortcut (`plant/bench.rs`); an event that changes nothing sends the same bench through the
/// whole plant. Both must take the same steps to the same place.
#[test]
fn the_shortcut_of_a_test_bench_is_the_whole_plant() {
    let plain = benchmark();
    let whole = Rig {
        events: Events {
            engine: vec![(0.0, true)],
            ..Events::default()
        },
        ..plain.clone()
    };
    let run = |rig: &Rig| rig.run(Accuracy::default(), 0.01).expect("a run");
    let ((by_shortcut, work), (by_plant, whole_work)) = (run(&plain), run(&whole));
    assert_eq!(work, whole_work);
    assert_eq!(by_shortcut.len(), by_plant.len());
    for (a, b) in by_shortcut.iter().zip(&by_plant) {
        let close = |a: f64, b: f64, scale: f64| (a - b).abs() < 1e-9 * scale;
        assert!(
            close(a.stroke, b.stroke, 1.0)
                && close(a.speed, b.speed, 1.0)
                && close(a.pressure_a, b.pressure_a, 100.0 * BAR)
                && close(a.pressure_b, b.pressure_b, 100.0 * BAR)
                && close(a.spool, b.spool, 1.0),
            "{a:?} against {b:?}"
        );
    }
}
