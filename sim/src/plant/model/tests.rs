//! The elimination against numerical slopes. Nothing else would show a mistake in it: the method is accurate with any
//! matrix, it would only need more steps.

use bellcrank_machine::description::{
    Actuator, ActuatorKind, Answer, Holding, HoldingKind, Joint, JointAxis, Notches, PumpControl, Supply, Valve,
};
use nalgebra::Vector3;

use std::sync::Arc;

use super::*;
use crate::plant::{AxisParts, Bodies, Direct};

/// Four joints on two pumps: the first extends in a cushion and leaks; the second retracts, starved, on its checks; the
/// third lets a load down through a load-holding valve; the fourth has a burst hose.
#[allow(clippy::too_many_lines, reason = "it is all plain values")]
fn model() -> (Model, Vec<f64>) {
    let oil = Oil::textbook(870.0, 1.4e9);
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
        swell: [1e-16, 2e-16],
        leak: 1e-13,
        viscous: 1500.0,
        coulomb: 600.0,
        coulomb_speed: 0.005,
        breakaway: 600.0,
        breakaway_speed: 0.01,
        cushion: 0.03,
    };
    let valve = Valve {
        rated_flow: 5e-4,
        rated_drop: 5e5,
        blend: 2e5,
        overlap_out: 0.08,
        overlap_in: 0.1,
        notches: Notches {
            share: [1.0, 0.8, 0.9, 0.7],
            progression: 0.4,
            leak: 2e-13,
            vent: 3e-12,
        },
        spool_hz: 15.0,
        spool_zeta: 0.9,
        answer: Answer::default(),
        check_flow: 4e-3,
        check_drop: 5e5,
        port_relief: Some(150e5),
        load_check: true,
    };
    let supply = Supply {
        control: PumpControl::Pressure,
        leak: 1e-12,
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
    let bodies =
        Bodies::chain(Vector3::zeros(), &[joint.clone(), joint.clone(), joint.clone(), joint]).expect("a chain");
    let holding = Holding {
        kind: HoldingKind::Counterbalance { setting: 220e5 },
        on: [true, false],
        pilot_ratio: 3.0,
        flow: 1e-3,
        drop: 8e5,
        band: 200e5,
        line: [1.5e-4, 2e-4],
    };
    let axis = |zero: f64, holding: Option<&Holding>, pump: usize| {
        let parts = AxisParts {
            actuator: &actuator,
            valve: &valve,
            holding,
            pump,
            linkage: Arc::new(Direct { zero }),
        };
        parts.axis(200e5)
    };
    let second = Supply {
        pressure: 150e5,
        ..supply.clone()
    };
    let axes = vec![
        axis(-0.2, None, 0),
        axis(-0.1, None, 0),
        axis(-0.25, Some(&holding), 1),
        axis(-0.3, None, 1),
    ];
    let source = Source::pumps(&[&supply, &second]);
    let mut model = Model::new(Mechanism::Arms(bodies), axes, source, &oil, 1e-3);
    model.inputs.dump_current = false;
    model.dump = ([0.4; 2], 0.0);
    model.axes[0].now.extra_leak = 1e-11;
    model.axes[3].now.burst = Some([0.0, 3e-7]);
    for axis in &mut model.axes {
        axis.now.told = Some(0.0);
    }
    let states = vec![
        0.28, 0.02, 40e5, 160e5, 0.5, 1.0, // angle, rate, A, B, spool, spool rate
        0.3, -0.001, 0.5e5, 90e5, -0.4, -2.0, //
        0.1, -0.01, 130e5, 20e5, -0.6, 0.5, //
        0.02, 0.03, 60e5, 45e5, 0.3, 0.0, //
        185e5, 0.6, 140e5, 0.3, // manifolds and swashes
        90e5, 41e5, // lines of the third axis
    ];
    (model, states)
}

#[test]
fn solving_undoes_the_numerical_slopes() {
    let (mut model, states) = model();
    solved(&mut model, &states);
    // The fourth spool in its overlap, where it vents.
    let (mut vented, spool) = (states, model.at.spool(3));
    vented[spool] = 0.05;
    solved(&mut model, &vented);
}

fn solved(model: &mut Model, states: &[f64]) {
    let (count, reach) = (model.count(), 7e-4);
    assert_eq!(count, states.len());
    let (mut up, mut down) = ([0.0; STATES_MAX], [0.0; STATES_MAX]);
    // Angles are left out: how M, g, r and V change with them is not in the slopes.
    for column in (0..count).filter(|column| column % 6 != 0 || *column >= 24) {
        let nudge = 1e-6 * model.size(column);
        let mut moved = states.to_vec();
        moved[column] = states[column] + nudge;
        model.rates(0.0, &moved, &mut up);
        moved[column] = states[column] - nudge;
        model.rates(0.0, &moved, &mut down);
        let mut x: Vec<f64> = (0..count)
            .map(|row| -reach * (up[row] - down[row]) / (2.0 * nudge))
            .collect();
        x[column] += 1.0;
        model.rates(0.0, states, &mut up);
        model.linearise(0.0, states);
        model.factor(reach);
        model.solve(&mut x);
        for row in 0..count {
            let expected = if row == column { 1.0 } else { 0.0 };
            let error = (x[row] - expected) * model.size(column) / model.size(row);
            assert!(error.abs() < 1e-4, "row {row}, column {column}: {} ({error:e})", x[row]);
        }
    }
}
