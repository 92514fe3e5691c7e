//! Many runs of the adversary on each built-in machine, and what came of them: `cargo xtask adversary`.
//!
//! Exit code 1 when anything got into a zone or into the other arm, and when nothing does where the core knows of no zone: the runs would then
//! show nothing.

use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Instant;

use bellcrank_machine::description::Description;
use bellcrank_machine::find;
use bellcrank_sim::adversary::{MACHINES, Outcome, RUN_S, Strategy, run, without_zones};
use clap::Parser;
use comfy_table::{Table, presets};
use rayon::prelude::*;

/// Hands that try to get the arms into a zone or into each other
#[derive(Parser)]
struct Arguments {
    /// Runs of 10 s on each machine
    #[arg(long, default_value_t = 1000)]
    runs: u64,
    /// The one run of this seed, to repeat it
    #[arg(long)]
    seed: Option<u64>,
    /// Runs on a core that knows of no zone
    #[arg(long, default_value_t = 40)]
    unguarded: u64,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let seeds: Vec<u64> = arguments
        .seed
        .map_or_else(|| (1..=arguments.runs).collect(), |seed| vec![seed]);
    let mut good = true;
    for name in MACHINES {
        let machine = Arc::new(find(name, Path::new("")).expect("it is built in"));
        let began = Instant::now();
        let outcomes = all(&machine, &machine, &seeds);
        print(name, &outcomes, began.elapsed().as_secs_f64());
        good &= !outcomes.iter().any(Outcome::entered);
        if arguments.seed.is_none() {
            let blind = without_zones(&machine);
            let few: Vec<u64> = (1..=arguments.unguarded).collect();
            let entered = all(&blind, &machine, &few)
                .iter()
                .filter(|outcome| outcome.entered())
                .count();
            println!("without zones in the core {entered} of {} enter\n", few.len());
            good &= entered > 0 || few.is_empty();
        }
    }
    ExitCode::from(u8::from(!good))
}

fn all(believed: &Description, real: &Arc<Description>, seeds: &[u64]) -> Vec<Outcome> {
    let one = |&seed: &u64| run(believed, real, seed).unwrap_or_else(|error| panic!("seed {seed}: {error}"));
    seeds.par_iter().map(one).collect()
}

fn print(name: &str, outcomes: &[Outcome], took: f64) {
    let mut table = Table::new();
    table.load_preset(presets::NOTHING);
    table.set_header([
        "strategy",
        "runs",
        "entered",
        "to the seat, mm",
        "to a zone, mm",
        "arms apart, mm",
        "seed of the nearest",
        "driven",
    ]);
    for strategy in Strategy::ALL {
        let own: Vec<&Outcome> = outcomes
            .iter()
            .filter(|outcome| Strategy::of_seed(outcome.seed) == strategy)
            .collect();
        if !own.is_empty() {
            table.add_row(row(strategy.name(), &own));
        }
    }
    table.add_row(row("all", &outcomes.iter().collect::<Vec<_>>()));
    println!("{name}: {} runs of {RUN_S} s in {took:.0} s\n{table}", outcomes.len());
    for outcome in outcomes.iter().filter(|outcome| outcome.entered()) {
        println!("entered by {:.0} mm: --seed {}", -1e3 * outcome.least(), outcome.seed);
    }
}

fn row(what: &str, outcomes: &[&Outcome]) -> [String; 8] {
    let nearest = outcomes.iter().min_by(|a, b| a.least().total_cmp(&b.least()));
    let least = |of: fn(&Outcome) -> f64| outcomes.iter().map(|outcome| of(outcome)).fold(f64::INFINITY, f64::min);
    let arms = outcomes
        .iter()
        .filter_map(|outcome| outcome.between_arms)
        .reduce(f64::min);
    let driven = outcomes.iter().map(|outcome| outcome.driven).sum::<f64>() / outcomes.len() as f64;
    [
        what.to_owned(),
        outcomes.len().to_string(),
        outcomes.iter().filter(|outcome| outcome.entered()).count().to_string(),
        format!("{:.0}", 1e3 * least(|outcome| outcome.to_seat)),
        format!("{:.0}", 1e3 * least(|outcome| outcome.to_zone)),
        arms.map_or("-".to_owned(), |gap| format!("{:.0}", 1e3 * gap)),
        nearest.map_or("-".to_owned(), |outcome| outcome.seed.to_string()),
        format!("{:.0} %", 100.0 * driven),
    ]
}
