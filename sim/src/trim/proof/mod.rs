//! The proof: random valves, each tested, identified, trimmed and driven, against what the plant's own description says of it.
//!
//! Fifty machines with four random valves each are two hundred. Nothing of the test is told what is true; the judge alone looks it up: where the
//! lands open, how wide the play is, and the rates of the plant with its spool put where it is wanted.

pub mod late;
pub mod truth;
pub mod valves;

use bellcrank_machine::description::{Description, Drive};
use bellcrank_machine::find;
use std::path::Path;

use super::compare::{self, Driven};
use super::estimate::{Identified, identify};
use super::plan::Limits;
use super::pose::free_pose;
use super::propose::{computed_hz, propose};
use super::trial::{Setup, run};
use crate::run::RunError;

/// Share of the measured range from which on a rate is held to be within its share of the truth.
const FROM: f64 = 0.1;

/// What came of one valve.
#[derive(Debug, Clone)]
pub struct Judged {
    /// Its axis.
    pub axis: usize,
    /// Errors of the deadbands and of the hysteresis, share of full command, and whether their intervals have the truth in them.
    pub errors: [(f64, bool); 3],
    /// Greatest error of the gain curve, as a share of the true rate, over what was measured.
    pub curve: f64,
    /// Driven before and after.
    pub driven: [Driven; 2],
    /// ρ of the axis led alone ([`late`]), before and after, s.
    pub rho: [f64; 2],
}

/// What came of one machine.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// Its seed.
    pub seed: u64,
    /// Its valves, or why nothing was concluded.
    pub valves: Vec<Result<Judged, String>>,
    /// The larger ρ of a tip led straight up and slanting to the left, before and after, s.
    pub rho: [f64; 2],
    /// The same over the speed at which the tip was led, s.
    pub rho_led: [f64; 2],
}

/// One machine: all its valves trimmed, one after the other, then its tip led.
///
/// # Errors
/// It cannot be simulated.
///
/// # Panics
/// If an axis has no free pose.
pub fn judge(seed: u64) -> Result<Outcome, RunError> {
    let unknown = valves::of_seed(seed);
    let before = unknown.machine.clone();
    let mut after = unknown.machine.clone();
    let computed = computed_hz(&find("yard-digger", Path::new("")).expect("it is built in"));
    let limits = Limits::default();
    let mut judged = Vec::new();
    for (axis, computed) in computed.into_iter().enumerate() {
        let start = free_pose(&before, &[axis], &limits).expect("an axis that has room");
        let setup = Setup {
            machine: &before,
            axis,
            start: &start,
            limits,
            logger: unknown.logger,
            seed,
            faults: Vec::new(),
        };
        let trial = run(&setup)?;
        if let Some(halt) = trial.halt {
            judged.push(Err(halt.to_string()));
            continue;
        }
        let found = match identify(&before, &trial.log) {
            Ok(found) => found,
            Err(refusal) => {
                judged.push(Err(refusal.to_string()));
                continue;
            }
        };
        let proposal = propose(&before, &before.axes[axis], &found, computed);
        judged.push(Ok(valve(&before, axis, &start, &found, &proposal.drive, seed)?));
        after.axes[axis].drive = proposal.drive;
    }
    let (before, after) = (late::tip(&late::unwatched(&before), seed)?, late::tip(&after, seed)?);
    Ok(Outcome {
        seed,
        valves: judged,
        rho: [before[0], after[0]],
        rho_led: [before[1], after[1]],
    })
}

fn valve(
    machine: &Description,
    axis: usize,
    start: &[f64],
    found: &Identified,
    drive: &Drive,
    seed: u64,
) -> Result<Judged, RunError> {
    let valve = &machine.axes[axis].valve;
    let held = |estimate: super::fit::Estimate, truth: f64| (estimate.value - truth, estimate.covers(truth));
    let spools = found.curves.each_ref().map(|curve| {
        let (low, high) = (curve.deadband, curve.measured_to);
        [0.15, 0.3, 0.5, 0.75, 0.97].map(|share| low + share * (high - low))
    });
    let truth = truth::rates(machine, axis, start, [&spools[0], &spools[1]])?;
    let curve = truth.iter().zip(&found.curves).flat_map(|(truth, found)| {
        let top = truth.last().map_or(0.0, |last| last.1);
        truth
            .iter()
            .filter(move |at| at.1 > FROM * top)
            .map(|at| (found.rate(at.0) / at.1 - 1.0).abs())
    });
    let mut after = machine.clone();
    after.axes[axis].drive = drive.clone();
    let asked = [found.curves[0].full_rate, found.curves[1].full_rate];
    Ok(Judged {
        axis,
        errors: [
            held(found.deadband[0], valve.overlap_out),
            held(found.deadband[1], valve.overlap_in),
            held(found.hysteresis, valve.answer.hysteresis),
        ],
        curve: curve.fold(0.0, f64::max),
        driven: [
            compare::drive(machine, axis, start, asked, seed)?,
            compare::drive(&after, axis, start, asked, seed)?,
        ],
        rho: [
            late::axis(&late::unwatched(machine), axis, start, asked, seed)?,
            late::axis(&after, axis, start, asked, seed)?,
        ],
    })
}
