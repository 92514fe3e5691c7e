//! Random valves, tested, identified, trimmed and driven: `cargo xtask trim`.
//!
//! Exit code 1 where a figure misses what is wanted of it.

use std::process::ExitCode;
use std::time::Instant;

use bellcrank_sim::trim::proof::{Judged, Outcome, judge};
use clap::Parser;
use indicatif::{ParallelProgressIterator, ProgressBar};
use rayon::prelude::*;

/// What trimming makes of valves that nobody characterised
#[derive(Parser)]
struct Arguments {
    /// Machines with four random valves each
    #[arg(long, default_value_t = 50)]
    machines: u64,
    /// The first seed
    #[arg(long)]
    seed: u64,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let seeds: Vec<u64> = (arguments.seed..arguments.seed + arguments.machines).collect();
    let began = Instant::now();
    let one = |seed: &u64| judge(*seed).unwrap_or_else(|error| panic!("seed {seed}: {error}"));
    let outcomes: Vec<Outcome> = seeds
        .par_iter()
        .progress_with(ProgressBar::new(arguments.machines))
        .map(one)
        .collect();
    let valves: Vec<(u64, &Judged)> = outcomes
        .iter()
        .flat_map(|outcome| {
            outcome
                .valves
                .iter()
                .filter_map(|valve| valve.as_ref().ok())
                .map(|valve| (outcome.seed, valve))
        })
        .collect();
    let all = 4 * outcomes.len();
    println!("{all} valves in {:.0} s", began.elapsed().as_secs_f64());
    let mut lines = Lines { good: true };
    let deadbands: Vec<(f64, bool)> = valves
        .iter()
        .flat_map(|(_, valve)| valve.errors[..2].to_vec())
        .collect();
    let plays: Vec<(f64, bool)> = valves.iter().map(|(_, valve)| valve.errors[2]).collect();
    // 95 % of n draws within two binomial standard deviations, beside the 93 to 97 wanted.
    let spread = 2.0 * (0.95 * 0.05 / deadbands.len().max(1) as f64).sqrt();
    println!(
        "binomial bounds of 95 % over {} intervals: {:.1} to {:.1} %",
        deadbands.len(),
        95.0 - 100.0 * spread,
        95.0 + 100.0 * spread
    );
    let count = |of: &[(f64, bool)], which: fn(&(f64, bool)) -> bool| of.iter().filter(|one| which(one)).count();
    lines.add("identified", valves.len(), all, (1.0, 1.0));
    lines.add(
        "deadband within 1 % of full command",
        count(&deadbands, |one| one.0.abs() < 0.01),
        2 * all,
        (0.95, 1.0),
    );
    lines.add(
        "interval of the deadband has the truth in it",
        count(&deadbands, |one| one.1),
        deadbands.len(),
        (0.93, 0.97),
    );
    lines.add(
        "interval of the hysteresis has the truth in it",
        count(&plays, |one| one.1),
        plays.len(),
        (0.93, 0.97),
    );
    let of = |which: fn(&Judged) -> bool| valves.iter().filter(|(_, valve)| which(valve)).count();
    lines.add(
        "gain curve within 5 % of the rate",
        of(|valve| valve.curve < 0.05),
        all,
        (1.0, 1.0),
    );
    lines.add(
        "creeps at 2 % of full rate without standing",
        of(|valve| valve.driven[1].creep_least > 0.25),
        all,
        (1.0, 1.0),
    );
    lines.add(
        "overshoot below 5 %",
        of(|valve| valve.driven[1].overshoot < 0.05),
        all,
        (1.0, 1.0),
    );
    lines.add("at rest after it", of(|valve| valve.driven[1].still), all, (1.0, 1.0));
    lines.add(
        "rho of the valve at least halved",
        of(|valve| valve.rho[1] <= 0.5 * valve.rho[0]),
        all,
        (1.0, 1.0),
    );
    let halved = |of: fn(&Outcome) -> [f64; 2]| {
        let halved = |outcome: &&Outcome| of(outcome)[1] <= 0.5 * of(outcome)[0];
        outcomes.iter().filter(halved).count()
    };
    for (what, found) in [
        ("rho of the tip at least halved", halved(|outcome| outcome.rho)),
        (
            "the same over the speed it was led at",
            halved(|outcome| outcome.rho_led),
        ),
    ] {
        lines.add(what, found, outcomes.len(), (1.0, 1.0));
    }
    greatest_errors(&valves);
    misses(&outcomes, &valves);
    ExitCode::from(u8::from(!lines.good))
}

/// What is printed of a share, and whether all have been met.
struct Lines {
    good: bool,
}

impl Lines {
    fn add(&mut self, what: &str, found: usize, of: usize, wanted: (f64, f64)) {
        let share = found as f64 / of.max(1) as f64;
        let met = (wanted.0..=wanted.1).contains(&share);
        self.good &= met;
        println!(
            "{:<58}{found:>5} of {of:<5}{:>6.1} %  {}",
            what,
            100.0 * share,
            if met { "met" } else { "MISSED" }
        );
    }
}

fn greatest_errors(valves: &[(u64, &Judged)]) {
    let greatest = |of: &dyn Fn(&Judged) -> f64| valves.iter().map(|(_, valve)| of(valve)).fold(0.0, f64::max);
    println!(
        "greatest errors: deadband {:.2} %, hysteresis {:.2} %, curve {:.1} %",
        100.0 * greatest(&|valve| valve.errors[0].0.abs().max(valve.errors[1].0.abs())),
        100.0 * greatest(&|valve| valve.errors[2].0.abs()),
        100.0 * greatest(&|valve| valve.curve),
    );
}

/// Each valve and machine that misses something, with its figures.
fn misses(outcomes: &[Outcome], valves: &[(u64, &Judged)]) {
    for (seed, valve) in valves {
        let [before, after] = &valve.driven;
        if valve.curve >= 0.05
            || after.creep_least <= 0.25
            || after.overshoot >= 0.05
            || !after.still
            || valve.rho[1] > 0.5 * valve.rho[0]
        {
            println!(
                "seed {seed} axis {}: curve {:.3}, creep {:.2} (before {:.2}), overshoot {:.3} (before {:.3}), still {}, rho {:.4} (before {:.4})",
                valve.axis,
                valve.curve,
                after.creep_least,
                before.creep_least,
                after.overshoot,
                before.overshoot,
                after.still,
                valve.rho[1],
                valve.rho[0]
            );
        }
    }
    for outcome in outcomes {
        if outcome.rho[1] > 0.5 * outcome.rho[0] {
            println!(
                "seed {}: rho of the tip {:.4} s, before {:.4} s; over the speed it was led at {:.4} s, before {:.4} s",
                outcome.seed, outcome.rho[1], outcome.rho[0], outcome.rho_led[1], outcome.rho_led[0]
            );
        }
        for reason in outcome.valves.iter().filter_map(|valve| valve.as_ref().err()) {
            println!("seed {}: {reason}", outcome.seed);
        }
    }
}
