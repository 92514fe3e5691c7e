//! Hours of healthy work with the built-in machines, and what tripped: `cargo xtask healthy`.
//!
//! Exit code 1 when anything tripped, and when the hands hardly drove or hardly anything moved: the hours would then show nothing.

use std::process::ExitCode;
use std::time::Instant;

use bellcrank_sim::healthy::{Conditions, Outcome, PIECE_S, run};
use clap::Parser;
use comfy_table::{CellAlignment, Table, presets};
use indicatif::{ParallelProgressIterator, ProgressBar, ProgressStyle};
use rayon::prelude::*;

/// Least share of the time for which the hands must be able to drive, and for which something must move.
const WORTH: (f64, f64) = (0.7, 0.4);

/// Hours of work by sane hands on machines with nothing wrong, in which nothing may trip
#[derive(Parser)]
struct Arguments {
    /// How many, over all conditions together
    #[arg(long, default_value_t = 10.0)]
    hours: f64,
    /// Seed of the first piece
    #[arg(long, default_value_t = 1)]
    first: u64,
    /// The one piece of this seed, to repeat it
    #[arg(long)]
    seed: Option<u64>,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let seeds: Vec<u64> = arguments.seed.map_or_else(
        || (arguments.first..).take(pieces(arguments.hours)).collect(),
        |seed| vec![seed],
    );
    let began = Instant::now();
    let one = |&seed: &u64| run(seed).unwrap_or_else(|error| panic!("seed {seed}: {error}"));
    let outcomes: Vec<Outcome> = seeds.par_iter().progress_with(progress(seeds.len())).map(one).collect();
    print(&outcomes, began.elapsed().as_secs_f64());
    let all: Vec<&Outcome> = outcomes.iter().collect();
    let worth = share(&all, |outcome| outcome.enabled) > WORTH.0 && share(&all, |outcome| outcome.moving) > WORTH.1;
    let trips = outcomes.iter().any(|outcome| outcome.trip.is_some());
    ExitCode::from(u8::from(trips || !worth))
}

/// As many pieces under each of the conditions as make up the hours.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred")]
fn pieces(hours: f64) -> usize {
    let each = hours * 3600.0 / (PIECE_S * Conditions::COUNT as f64);
    Conditions::COUNT as usize * each.max(1.0).ceil() as usize
}

fn progress(pieces: usize) -> ProgressBar {
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} pieces, {eta} left");
    ProgressBar::new(pieces as u64).with_style(style.expect("the template is fixed"))
}

fn share(outcomes: &[&Outcome], of: fn(&Outcome) -> f64) -> f64 {
    let sum = |of: fn(&Outcome) -> f64| outcomes.iter().map(|outcome| of(outcome)).sum::<f64>();
    sum(of) / sum(|outcome| outcome.seconds)
}

fn print(outcomes: &[Outcome], took: f64) {
    let mut table = Table::new();
    table.load_preset(presets::NOTHING).set_header([
        "machine", "oil, °C", "load", "ground", "hours", "enabled", "moving", "way, m", "trips", "seeds",
    ]);
    for first in 1..=Conditions::COUNT {
        let own: Vec<&Outcome> = outcomes
            .iter()
            .filter(|outcome| outcome.seed % Conditions::COUNT == first % Conditions::COUNT)
            .collect();
        if let Some(one) = own.first() {
            let conditions = Conditions::of_seed(one.seed);
            let what = [
                conditions.machine.to_owned(),
                format!("{:.0}", conditions.oil),
                if conditions.loaded { "to the limit" } else { "none" }.to_owned(),
                if conditions.slope { "slope" } else { "level" }.to_owned(),
            ];
            let seeds = format!("{}, {}, …", one.seed, one.seed + Conditions::COUNT);
            table.add_row(row(what, &own, seeds));
        }
    }
    let all: Vec<&Outcome> = outcomes.iter().collect();
    table.add_row(row(["all", "", "", ""].map(str::to_owned), &all, String::new()));
    for column in table.column_iter_mut().skip(4).take(5) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    println!(
        "healthy work: {} pieces of {PIECE_S} s in {took:.0} s\n{table}",
        outcomes.len()
    );
    for outcome in outcomes {
        if let Some(trip) = &outcome.trip {
            let axis = trip.axis.as_deref().unwrap_or("machine");
            println!(
                "tripped at {:.2} s: {} ({axis}): --seed {}",
                trip.at, trip.cause, outcome.seed
            );
        }
    }
}

fn row(what: [String; 4], outcomes: &[&Outcome], seeds: String) -> Vec<String> {
    let sum = |of: fn(&Outcome) -> f64| outcomes.iter().map(|outcome| of(outcome)).sum::<f64>();
    let trips = outcomes.iter().filter(|outcome| outcome.trip.is_some()).count();
    let percent = |of| format!("{:.0} %", 100.0 * share(outcomes, of));
    let figures = [
        format!("{:.2}", sum(|outcome| outcome.seconds) / 3600.0),
        percent(|outcome: &Outcome| outcome.enabled),
        percent(|outcome: &Outcome| outcome.moving),
        format!("{:.0}", sum(|outcome| outcome.metres)),
        trips.to_string(),
        seeds,
    ];
    what.into_iter().chain(figures).collect()
}
