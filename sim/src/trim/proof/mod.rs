//! The proof: random valves, each tested, identified, trimmed and driven, against what the plant's own description says of it.
//!
//! Fifty machines with four random valves each are two hundred. Nothing of the test is told what is true; the judge alone looks it up: where the
//! lands open, how wide the play is, and the rates of the plant with its spool put where it is wanted.

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
use super::trial::scenario;
use super::trial::{Setup, run};
use crate::run::{RunError, rehearse};
use crate::scenario::{Act, Hand, Load, Scenario};
use crate::tracking::tracking;
use crate::trace::Trace;

/// Speed of the tip by which tracking is judged, m/s, how far it goes, m, and the load, kg.
const TIP_M_S: f64 = 0.25;
const TIP_M: f64 = 0.8;
const LOAD_KG: f64 = 120.0;
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
    for axis in 0..before.axes.len() {
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
        let proposal = propose(&before, &before.axes[axis], &found, computed[axis]);
        judged.push(Ok(valve(&before, axis, &start, &found, &proposal.drive, seed)?));
        after.axes[axis].drive = proposal.drive;
    }
    Ok(Outcome {
        seed,
        valves: judged,
        rho: [rho(&before, seed)?, rho(&after, seed)?],
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
    })
}

/// The larger ρ of two straight moves of the loaded tip.
fn rho(machine: &Description, seed: u64) -> Result<f64, RunError> {
    let found = |(scenario, trace): &(Scenario, Trace)| {
        let found = tracking(scenario, trace);
        found.first().map_or(f64::INFINITY, |found| found.rho_s)
    };
    Ok(led(machine, seed)?.iter().map(found).fold(0.0, f64::max))
}

/// Two straight moves of the loaded tip, up and slanting to the left.
///
/// # Errors
/// The machine cannot be simulated.
pub fn led(machine: &Description, seed: u64) -> Result<Vec<(Scenario, Trace)>, RunError> {
    let one = |velocity: [f64; 3]| {
        let start = [0.0_f64, -20.0, 80.0, 30.0].map(f64::to_radians);
        let mut scenario = scenario(machine.clone(), &start, "tip", Vec::new());
        scenario.payloads = vec![Load {
            arm: 0,
            mass: LOAD_KG,
            from: 0.0,
            until: None,
        }];
        let end = 1.5 + TIP_M / TIP_M_S;
        let tip = Act::Tip {
            arm: 0,
            velocity,
            turning: [0.0; 3],
        };
        scenario.hands = [(0.4, Act::Enable(true)), (1.5, tip), (end, Act::Neutral)]
            .map(|(at, act)| Hand { at, act })
            .to_vec();
        scenario.length = end + 1.5;
        let trace = rehearse(&scenario, seed)?;
        Ok((scenario, trace))
    };
    [[0.0, 0.0, TIP_M_S], [0.0, 0.8 * TIP_M_S, 0.6 * TIP_M_S]]
        .into_iter()
        .map(one)
        .collect()
}
