//! The elimination against numerical slopes. Nothing else would show a mistake in it: the method is accurate with any
//! matrix, it would only need more steps.

use bellcrank_machine::description::{Actuator, ActuatorKind, Joint, JointAxis, Supply, Valve};
use nalgebra::Vector3;

use super::*;
use crate::plant::integrator::STATES_MAX;
use crate::plant::{Direct, Pump};

/// Two joints on a pump: the first extends in a cushion and leaks, the second retracts, starved, on its checks.
fn model() -> (Model, Vec<f64>) {
    let oil = Oil {
        density: 870.0,
        bulk_modulus: 1.2e9,
    };
    let actuator = Actuator {
        kind: ActuatorKind::Cylinder {
            bore: 0.063,
            rod: 0.036,
        },
        area_a: 3.1e-3,
        area_b: 2.1e-3,
        travel: 0.5,
        dead_a: 2e-4,
        dead_b: 2e-4,
        leak: 1e-13,
        viscous: 1500.0,
        coulomb: 600.0,
        coulomb_speed: 0.005,
        cushion: 0.03,
    };
    let valve = Valve {
        rated_flow: 5e-4,
        rated_drop: 5e5,
        blend: 2e5,
        overlap_out: 0.08,
        overlap_in: 0.1,
        spool_hz: 15.0,
        spool_zeta: 0.9,
        check_flow: 4e-3,
        check_drop: 5e5,
        port_relief: Some(150e5),
        load_check: true,
    };
    let supply = Supply {
        flow: 1e-3,
        pressure: 200e5,
        control_band: 20e5,
        response: 0.05,
        relief: 180e5,
        relief_band: 10e5,
        dump_flow: 1e-3,
        dump_drop: 10e5,
        dump_time: 0.1,
        tank: 2e5,
        volume: 2e-3,
    };
    let link = Vector3::new(1.2, 0.0, 0.0);
    let joint = Joint {
        axis: JointAxis::Y,
        link,
        mass: 80.0,
        centre: link / 2.0,
        radius: 0.05,
        range: (-1.0, 1.0),
    };
    let bodies = Bodies::chain(Vector3::zeros(), &[joint.clone(), joint]).expect("a chain");
    let axis = |zero: f64| Axis {
        section: Section::new(&valve, &actuator, &oil),
        resistance: Resistance::new(&actuator, 200e5),
        linkage: Arc::new(Direct { zero }),
    };
    let source = Source::Pump(Pump::new(&supply, &oil));
    let mut model = Model::new(Mechanism::Arms(bodies), vec![axis(-0.2), axis(-0.1)], source, &oil);
    model.faults.extra_leak[0] = 1e-11;
    model.inputs.dump_current = false;
    model.dump = (0.4, 0.0);
    let states = vec![
        0.28, 0.3, 0.02, -0.001, 40e5, 0.5e5, 160e5, 90e5, 0.5, -0.4, 1.0, -2.0, 185e5, 6e-4,
    ];
    (model, states)
}

#[test]
fn solving_undoes_the_numerical_slopes() {
    let (mut model, states) = model();
    let (count, reach) = (model.count(), 7e-4);
    assert_eq!(count, states.len());
    let (mut up, mut down) = ([0.0; STATES_MAX], [0.0; STATES_MAX]);
    // Angles are left out: how M, g, r and V change with them is not in the slopes.
    for column in 2..count {
        let nudge = 1e-6 * model.size(column);
        let mut moved = states.clone();
        moved[column] = states[column] + nudge;
        model.rates(0.0, &moved, &mut up);
        moved[column] = states[column] - nudge;
        model.rates(0.0, &moved, &mut down);
        let mut x: Vec<f64> = (0..count)
            .map(|row| -reach * (up[row] - down[row]) / (2.0 * nudge))
            .collect();
        x[column] += 1.0;
        model.rates(0.0, &states, &mut up);
        model.linearise(0.0, &states);
        model.factor(reach);
        model.solve(&mut x);
        for row in 0..count {
            let expected = if row == column { 1.0 } else { 0.0 };
            let error = (x[row] - expected) * model.size(column) / model.size(row);
            assert!(error.abs() < 1e-4, "row {row}, column {column}: {} ({error:e})", x[row]);
        }
    }
}
