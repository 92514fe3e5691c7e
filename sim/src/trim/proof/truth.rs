//! What a valve really does, taken from the plant itself: the spool put where it is wanted, the stroke read without a sensor.
//!
//! The play, stiction and delay between signal and spool are taken out of a copy of the machine; what is left is rate over spool. It is asked for
//! as the estimate states it: with the load of the test, in its pose, and with the axis passing the middle of its travel (where the test starts)
//! while the rate is taken. Where the valve opens needs no run: it is the overlap of its lands.

use bellcrank_machine::Description;
use bellcrank_machine::description::Answer;
use bellcrank_machine::geometry::Geometry;

use crate::live::PRELOAD_PA;
use crate::plant::{Accuracy, Inputs, Plant};
use crate::run::RunError;

/// How long a spool is held, and from when on the rate is taken, s.
const HELD_S: f64 = 1.6;
const SETTLED_S: f64 = 0.8;

/// True rates, m/s or rad/s, of one axis at these spools each way, the joints standing at `start`, rad, when it passes the middle of its travel.
///
/// # Errors
/// The machine cannot be simulated.
pub fn rates(
    machine: &Description,
    axis: usize,
    start: &[f64],
    spools: [&[f64]; 2],
) -> Result<[Vec<(f64, f64)>; 2], RunError> {
    let mut machine = machine.clone();
    machine.axes[axis].valve.answer = Answer::default();
    let mut rates = [Vec::new(), Vec::new()];
    for (way, rates) in rates.iter_mut().enumerate() {
        let sign = if way == 0 { 1.0 } else { -1.0 };
        for &spool in spools[way] {
            let from_there = rate(&machine, axis, start, sign * spool)?;
            // Once more, from so far before the middle that it is reached halfway through what is looked at.
            let before = -sign * from_there * f64::midpoint(SETTLED_S, HELD_S);
            let start = moved(&machine, axis, start, before)?;
            rates.push((spool, rate(&machine, axis, &start, sign * spool)?));
        }
    }
    Ok(rates)
}

fn error(machine: &Description, reason: &impl ToString) -> RunError {
    RunError::Machine {
        machine: machine.name.clone(),
        reason: reason.to_string(),
    }
}

/// The pose with one axis further by this stroke, m or rad.
fn moved(machine: &Description, axis: usize, start: &[f64], by: f64) -> Result<Vec<f64>, RunError> {
    let geometry = Geometry::of(&machine.axes[axis]).map_err(|e| error(machine, &e))?;
    let stroke = geometry.stroke(start[axis]).map_err(|e| error(machine, &e))? + by;
    let mut start = start.to_vec();
    start[axis] = geometry.angle(stroke).map_err(|e| error(machine, &e))?;
    Ok(start)
}

/// The rate towards which the spool points.
fn rate(machine: &Description, axis: usize, start: &[f64], spool: f64) -> Result<f64, RunError> {
    let mut plant = Plant::of_machine(machine, Accuracy::default()).map_err(|e| error(machine, &e))?;
    plant.stand(start, PRELOAD_PA);
    plant.charge(machine.supply.pressure);
    let mut inputs = Inputs {
        valve_power: true,
        dump_current: true,
        engine: true,
        ..Inputs::default()
    };
    let mut go = |plant: &mut Plant, spool: f64, span: f64| {
        inputs.spool[axis] = spool;
        plant.expect_jump();
        plant.advance(&inputs, span).map_err(|e| error(machine, &e))
    };
    go(&mut plant, 0.0, 0.3)?;
    go(&mut plant, spool, SETTLED_S)?;
    let from = plant.axis(axis).stroke;
    go(&mut plant, spool, HELD_S - SETTLED_S)?;
    Ok((plant.axis(axis).stroke - from).abs() / (HELD_S - SETTLED_S))
}
