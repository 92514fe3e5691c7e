//! What people and CI run, one name for each: `cargo xtask test`, `cargo xtask bench`, `cargo xtask fuzz`, `cargo xtask adversary`,
//! `cargo xtask healthy`, `cargo xtask reaction`, `cargo xtask trim`, `cargo xtask mutants`, `cargo xtask firmware`.
//!
//! `test` is everything CI asks for, in the order in which a mistake is cheapest to find; it stops at the first failure.

mod bare_metal;
mod browser;
mod cluster;
mod debian;
mod firmware;
mod instructions;
mod mutants;
mod pads;
mod panic_path;
mod steps;

use std::process::Command;

use clap::{Parser, Subcommand};
use miette::Result;

use crate::steps::{Steps, cargo, run};

/// The first of the random machines that trimming is judged by. The intervals were set by those from 1001 to 1200, the drives by 1 to 50, 6001 to 6050
/// and 7001 to 7050.
const TRIM_SEED: u64 = 8001;

/// Features of the crates that go on a machine, each to be built alone.
const FEATURES: [(&str, &str); 6] = [
    ("bellcrank-core", "defmt"),
    ("bellcrank-core", "serde"),
    ("bellcrank-core", "image"),
    ("bellcrank-link", "defmt"),
    ("bellcrank-hal", "defmt"),
    ("bellcrank-hal", "exchange"),
];

#[derive(Parser)]
#[command(name = "cargo xtask", about, long_about = None)]
struct Arguments {
    #[command(subcommand)]
    task: Task,
}

/// What people and CI run
#[derive(Subcommand)]
enum Task {
    /// Everything CI runs, in order, up to the first failure
    Test,
    /// The benches, measured
    Bench,
    /// Hands that try to get the arms of the built-in machines into a zone or into each other, in many simulated runs
    Adversary {
        /// Runs of 10 s on each machine
        #[arg(long, default_value_t = 1000)]
        runs: u32,
        /// The one run of this seed, to repeat it
        #[arg(long)]
        seed: Option<u64>,
    },
    /// Hours of work by sane hands on the built-in machines with nothing wrong, in which nothing may trip
    Healthy {
        /// How many, over all conditions together
        #[arg(long, default_value_t = 10.0)]
        hours: f64,
        /// The one piece of this seed, to repeat it
        #[arg(long)]
        seed: Option<u64>,
    },
    /// Every cause provoked at random work of the built-in machines: how long until it is noticed, and until all rests
    Reaction {
        /// Trials of each cause on each machine
        #[arg(long, default_value_t = 200)]
        seeds: u32,
        /// Only the causes whose name has this in it
        #[arg(long)]
        cause: Option<String>,
        /// Write what comes out into tests/data/reaction.csv and DEVELOPERS.md
        #[arg(long, conflicts_with = "cause")]
        bless: bool,
    },
    /// Random valves, tested, identified, trimmed and driven; exit code 1 where a figure misses what is wanted of it
    Trim {
        /// Machines with four valves each
        #[arg(long, default_value_t = 50)]
        machines: u32,
        /// The seed of the first; by those of the default nothing was set
        #[arg(long, default_value_t = TRIM_SEED)]
        seed: u64,
    },
    /// How many instructions the reference cases take, against benches/instructions.csv
    Instructions {
        /// Write what they take now into the file
        #[arg(long)]
        bless: bool,
    },
    /// That what goes on a microcontroller cannot panic, by linking it; where it can, which function of ours is to blame
    NoPanic,
    /// Builds the firmware and what else the core is tried on, and installs the emulators that run it
    Firmware,
    /// What the core costs on an emulated microcontroller, against benches/firmware.csv
    Costs {
        /// Write what it costs now into that file and benches/README.md
        #[arg(long)]
        bless: bool,
    },
    /// Mistakes put into the interlock, the gate and the link, one at a time, of which the tests must notice each
    Mutants {
        /// How many at once
        #[arg(long, default_value_t = 1)]
        jobs: u32,
    },
    /// Changed frames for both ends of the wireless link, of which none may be taken
    Fuzz {
        /// How many
        #[arg(long, default_value_t = 10_000_000)]
        frames: u64,
    },
}

fn main() -> Result<()> {
    match Arguments::parse().task {
        Task::Test => test(),
        Task::Instructions { bless: false } => instructions::check(),
        Task::Instructions { bless: true } => instructions::bless(),
        Task::Fuzz { frames } => fuzz(frames),
        Task::Firmware => firmware::build(&bare_metal::Compiler::find()?),
        Task::Costs { bless } => {
            firmware::build(&bare_metal::Compiler::find()?)?;
            costs(bless)
        }
        Task::NoPanic => bare_metal::Compiler::find()?.link_without_panic(),
        Task::Mutants { jobs } => mutants::check(jobs),
        Task::Adversary { runs, seed } => adversary(runs, seed),
        Task::Healthy { hours, seed } => healthy(hours, seed),
        Task::Trim { machines, seed } => trim(machines, seed),
        Task::Reaction { seeds, cause, bless } => reaction(seeds, cause.as_deref(), bless),
        Task::Bench => run(cargo("bench").args(["--package", "bellcrank-benches"])),
    }
}

fn test() -> Result<()> {
    let mut steps = Steps::default();
    let outcome = test_steps(&mut steps);
    steps.print_table();
    outcome
}

fn test_steps(steps: &mut Steps) -> Result<()> {
    steps.step("format", || {
        run(cargo("fmt").args(["--all", "--check"]))?;
        run(cargo("fmt").args(["--check", "--manifest-path", bare_metal::NO_PANIC]))?;
        run(cargo("fmt").args(["--check", "--manifest-path", "crates/firmware/Cargo.toml"]))?;
        run(cargo("fmt").args(["--check", "--manifest-path", firmware::LOG]))
    })?;
    steps.step("lints", || {
        run(cargo("clippy").args(["--workspace", "--all-targets", "--", "--deny", "warnings"]))
    })?;
    // On its own, for two reasons: under a test harness, which links the standard library, a platform float function
    // compiles unnoticed; and in a workspace build, features that another member asked for are on as well.
    steps.step("core, link and hal on their own", || {
        run(&mut alone("bellcrank-core"))?;
        run(&mut alone("bellcrank-link"))?;
        run(&mut alone("bellcrank-hal"))
    })?;
    for (package, feature) in FEATURES {
        steps.step(&format!("{package} with only {feature}"), || {
            run(alone(package).args(["--features", feature]))
        })?;
    }
    let compiler = steps.step_with("microcontroller compiler", bare_metal::Compiler::find)?;
    steps.step("core, link and hal for a microcontroller", || compiler.build_core())?;
    steps.step("no path to a panic", || compiler.link_without_panic())?;
    steps.step("pads", pads::check)?;
    steps.step("firmware", || firmware::build(&compiler))?;
    steps.step("a cluster's programs", cluster::install)?;
    steps.step("browser", browser::find)?;
    steps.step("tests", || run(cargo("test").arg("--workspace")))?;
    steps.step("documents", || {
        run(cargo("doc")
            .args(["--workspace", "--no-deps"])
            .env("RUSTDOCFLAGS", "--deny warnings"))
    })?;
    // As tests, each bench runs its body once, unmeasured.
    steps.step("benches, once each", || {
        run(cargo("test").args(["--package", "bellcrank-benches", "--benches"]))
    })?;
    steps.step("instructions", instructions::check)?;
    steps.step("costs on a microcontroller", || costs(false))?;
    steps.step("adversary", || adversary(1000, None))?;
    steps.step("healthy hours", || healthy(1.0, None))?;
    steps.step("trimming", || trim(50, TRIM_SEED))?;
    steps.step("reaction", || reaction(20, None, false))
}

fn adversary(runs: u32, seed: Option<u64>) -> Result<()> {
    runs_of("adversary", ["--runs", &runs.to_string()], seed)
}

fn healthy(hours: f64, seed: Option<u64>) -> Result<()> {
    runs_of("healthy", ["--hours", &hours.to_string()], seed)
}

/// Many runs of an example, or the one of a seed.
fn runs_of(name: &str, many: [&str; 2], seed: Option<u64>) -> Result<()> {
    let mut command = example(name);
    match seed {
        Some(seed) => command.args(["--seed", &seed.to_string()]),
        None => command.args(many),
    };
    run(&mut command)
}

fn trim(machines: u32, seed: u64) -> Result<()> {
    run(example("trim").args(["--machines", &machines.to_string(), "--seed", &seed.to_string()]))
}

fn reaction(seeds: u32, cause: Option<&str>, bless: bool) -> Result<()> {
    let mut command = example("reaction");
    command.args(["--seeds", &seeds.to_string()]);
    if let Some(cause) = cause {
        command.args(["--cause", cause]);
    }
    if bless {
        command.arg("--bless");
    }
    run(&mut command)
}

fn costs(bless: bool) -> Result<()> {
    let mut command = example("costs");
    if bless {
        command.arg("--bless");
    }
    run(&mut command)
}

/// One of the simulator's examples, in release.
fn example(name: &str) -> Command {
    let mut command = cargo("run");
    command.args(["--release", "--package", "bellcrank-sim", "--example", name, "--"]);
    command
}

/// The fuzzing of the ordinary tests, only longer and in release.
fn fuzz(frames: u64) -> Result<()> {
    run(cargo("test")
        .args([
            "--release",
            "--package",
            "bellcrank-tests",
            "link_fuzz::",
            "--",
            "--nocapture",
        ])
        .env("BELLCRANK_FUZZ_FRAMES", frames.to_string()))
}

fn alone(package: &str) -> Command {
    let mut command = cargo("build");
    command.args(["--package", package, "--no-default-features"]);
    command
}
