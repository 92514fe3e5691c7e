//! What a valve really does, taken from the plant itself: the spool put where it is wanted, the stroke read without a sensor.
//!
//! The play, stiction and delay between signal and spool are taken out of a copy of the machine; what is left is rate over spool. Where motion
//! starts is not quite where the lands open: what leaks past piston and lands has to be made up first.

use bellcrank_machine::Description;
use bellcrank_machine::description::Answer;
use nalgebra::DMatrix;

use crate::live::PRELOAD_PA;
use crate::plant::{Accuracy, Inputs, Plant};
use crate::run::RunError;
use crate::trim::fit::linear;

/// Spools past the overlap by which the start of motion is found.
const BOTTOM: [f64; 4] = [0.004, 0.008, 0.013, 0.02];
/// How long a spool is held, and from when on the rate is taken, s.
const HELD_S: f64 = 1.6;
const SETTLED_S: f64 = 0.8;

/// The truth about one valve.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Spool at which motion starts each way.
    pub deadband: [f64; 2],
    /// Rates, m/s or rad/s, at the spools asked for.
    pub curve: [Vec<(f64, f64)>; 2],
}

/// Finds it in the pose that the test starts from, and the rates at these spools beside it.
///
/// # Errors
/// The machine cannot be simulated.
pub fn of(machine: &Description, axis: usize, start: &[f64], spools: [&[f64]; 2]) -> Result<Truth, RunError> {
    let mut machine = machine.clone();
    machine.axes[axis].valve.answer = Answer::default();
    let valve = &machine.axes[axis].valve;
    let overlap = [valve.overlap_out, valve.overlap_in];
    let mut truth = Truth {
        deadband: [0.0; 2],
        curve: [Vec::new(), Vec::new()],
    };
    for way in 0..2 {
        let rate = |spool: f64| rate(&machine, axis, start, if way == 0 { spool } else { -spool });
        let mut rates = Vec::new();
        for past in BOTTOM {
            rates.push(rate(overlap[way] + past)?);
        }
        // The spool over the rate, bent a little: its value at no rate.
        let x = DMatrix::from_fn(rates.len(), 3, |row, column| {
            rates[row].powi(i32::try_from(column).unwrap_or(0))
        });
        let fit = linear(&x, &BOTTOM, None);
        truth.deadband[way] = overlap[way] + fit.map_or(f64::NAN, |fit| fit.values[0]);
        for &spool in spools[way] {
            truth.curve[way].push((spool, rate(spool)?));
        }
    }
    Ok(truth)
}

/// The rate, towards which the spool points, with the axis in the middle of what it goes.
fn rate(machine: &Description, axis: usize, start: &[f64], spool: f64) -> Result<f64, RunError> {
    let error = |reason: String| RunError::Machine {
        machine: machine.name.clone(),
        reason,
    };
    let mut plant = Plant::of_machine(machine, Accuracy::default()).map_err(|e| error(e.to_string()))?;
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
        plant.advance(&inputs, span).map_err(|e| error(e.to_string()))
    };
    go(&mut plant, 0.0, 0.3)?;
    go(&mut plant, spool, SETTLED_S)?;
    let from = plant.axis(axis).stroke;
    go(&mut plant, spool, HELD_S - SETTLED_S)?;
    Ok((plant.axis(axis).stroke - from).abs() / (HELD_S - SETTLED_S))
}
