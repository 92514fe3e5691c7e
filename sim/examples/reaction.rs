//! Every cause provoked many times on each built-in machine, and what came of it: `cargo xtask reaction`.
//!
//! Exit code 1 when anything was missed, or came later or went further than its budget. False alarms in the healthy work before a fault are told
//! too; whether there may be any is another matter.

use std::fs;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Instant;

use bellcrank_machine::find;
use bellcrank_sim::reaction::MACHINES;
use bellcrank_sim::reaction::case::Case;
use bellcrank_sim::reaction::cases;
use bellcrank_sim::reaction::table::{BEGIN, END, markdown, rows, terminal, to_csv};
use clap::Parser;

/// How long from a fault to its being noticed, and from there to rest
#[derive(Parser)]
struct Arguments {
    /// Trials of each cause on each machine
    #[arg(long, default_value_t = 200)]
    seeds: u64,
    /// Only the causes whose name has this in it
    #[arg(long, default_value = "")]
    cause: String,
    /// Write what comes out into the file and the page that hold it
    #[arg(long, conflicts_with = "cause")]
    bless: bool,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let cases: Vec<&Case> = cases::all()
        .filter(|case| case.cause.name().contains(&arguments.cause))
        .collect();
    let seeds: Vec<u64> = (1..=arguments.seeds).collect();
    let mut all = Vec::new();
    for name in MACHINES {
        let machine = Arc::new(find(name, Path::new("")).expect("it is built in"));
        let began = Instant::now();
        let found = rows(&cases, &machine, &seeds).unwrap_or_else(|error| panic!("{error}"));
        let took = began.elapsed().as_secs_f64();
        println!(
            "{name}: {} trials a cause in {took:.0} s; median, worst of budget\n{}",
            seeds.len(),
            terminal(&found)
        );
        for row in &found {
            if !row.before.is_empty() {
                println!("before {}: {}", row.cause, row.before);
            }
            if !row.false_alarms.is_empty() {
                println!("false alarms before {}: {}", row.cause, row.false_alarms);
            }
            if row.outside > 0 {
                println!(
                    "{}: {} outside, worst seed {}",
                    row.cause,
                    row.outside,
                    row.worst_seed.unwrap_or_default()
                );
            }
        }
        println!();
        all.extend(found);
    }
    if arguments.bless {
        bless(&all);
    }
    ExitCode::from(u8::from(!all.iter().all(|row| row.outside == 0)))
}

fn bless(all: &[bellcrank_sim::reaction::table::Row]) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    fs::write(root.join("tests/data/reaction.csv"), to_csv(all)).expect("tests/data can be written to");
    let page = root.join("DEVELOPERS.md");
    let text = fs::read_to_string(&page).expect("DEVELOPERS.md is there");
    let (before, rest) = text
        .split_once(BEGIN)
        .expect("DEVELOPERS.md has the beginning of the table");
    let (_, after) = rest.split_once(END).expect("DEVELOPERS.md has the end of the table");
    let table = markdown(all);
    fs::write(page, format!("{before}{BEGIN}\n\n{table}\n{END}{after}")).expect("DEVELOPERS.md can be written to");
}
