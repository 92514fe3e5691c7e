//! The most that a tip may move on between a fault and rest.
//!
//! Each axis goes on at its fastest until the stop begins, through its reaction time and, in a category 1 stop, down its ramp; then it brakes as the
//! machine file trusts it to: `v (t + reaction) + v² / (2 braking)`. The tip moves with it by the distance from the joint over the moment arm, and
//! what the axes of an arm do adds up. An axis is taken at the rate that it has or is asked for when the fault comes, whichever is more; one whose
//! valve no longer does what it is told, at the most that it goes before that counts as running away.

use bellcrank_core::cause::Category;
use bellcrank_core::machine::AxisId;
use bellcrank_machine::geometry::Geometry;

use super::case::Case;
use super::trial::Trial;
use crate::trace::{AxisSample, Trace};

/// For a stop that begins so long after the fault, s: m, the tip that may move on furthest.
pub fn most(case: &Case, trial: &Trial, trace: &Trace, begun: f64) -> f64 {
    let Some(now) = trial.at_fault(trace) else { return 0.0 };
    let machine = &*trial.scenario.machine;
    let of_arm = |(number, arm): (usize, &bellcrank_machine::description::Arm)| -> f64 {
        let points = &now.arms[number].points;
        let tip = now.arms[number].tip();
        let joints = arm.axes.iter().zip(points);
        joints
            .map(|(&axis, joint)| {
                let stroke = stroke(case, trial, axis, &now.axes[axis], begun);
                let arm = Geometry::of(&machine.axes[axis]).and_then(|linkage| linkage.ratio(now.axes[axis].angle));
                arm.map_or(f64::INFINITY, |ratio| stroke / ratio.abs() * (tip - joint).norm())
            })
            .sum()
    };
    machine.arms.iter().enumerate().map(of_arm).fold(0.0, f64::max)
}

/// The most that an axis moves, m or rad.
fn stroke(case: &Case, trial: &Trial, axis: usize, now: &AxisSample, begun: f64) -> f64 {
    let described = &trial.scenario.machine.axes[axis];
    let drive = &described.drive;
    let full = drive.full_rate.0.max(drive.full_rate.1);
    let runs = case.runs && axis == trial.axis;
    let rate = if runs {
        fastest(trial)
    } else {
        now.rate.abs().max(now.asked.abs())
    };
    let ramp = match case.cause.category() {
        Category::Zero => 0.0,
        Category::One => 0.5 * rate / full * drive.stop_ramp,
    };
    rate * (begun + trial.timing().reaction + ramp) + rate * rate / (2.0 * drive.braking)
}

/// The fastest that the axis at fault goes, whatever helps, by what the core counts with, m/s or rad/s.
fn fastest(trial: &Trial) -> f64 {
    let machine = bellcrank_machine::build(&trial.scenario.machine).ok();
    let axis = machine
        .as_ref()
        .zip(AxisId::new(trial.axis))
        .and_then(|(machine, id)| machine.axis(id));
    axis.map_or(f64::INFINITY, |axis| axis.fastest().into())
}
