//! The command `bellcrank`: what can be typed, and what comes of it.
//!
//! A subcommand is one file beside this one: an `Args` struct that clap fills, with `fn run(&self, console: &Console) -> miette::Result<Verdict>`,
//! and a line in [`Command`] and in its `run`. It reads and checks its input, opens the output folder if it writes files, works, writes and
//! prints, in this order, so that whatever is wrong is found before anything has been written.
//!
//! | exit code | means |
//! |---|---|
//! | 0 | done, and what was judged is good |
//! | 1 | done, and what was judged has failed |
//! | 2 | bad input, or it could not be done; nothing half-written is left |

mod completions;
mod consent;
mod console;
mod evidence;
mod gauge;
mod machine_file;
mod main_job;
mod out_folder;
mod pack;
mod plant;
mod port_check;
mod pose;
mod prove;
mod rehearse;
mod rig;
mod schema;
mod scope;
mod seat;
mod signoff;
mod survey;
mod table;
mod trim;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use console::{Console, terminal_width};
pub use machine_file::MachineArg;
pub use out_folder::{OutFolder, OutFolderError, Streamed, file_stem};
pub use table::{decimals, listed, paragraph, table};

/// The whole command line.
#[derive(Debug, Parser)]
#[command(name = "bellcrank", version, about = ABOUT, max_term_width = 100, after_help = EXIT_CODES, long_about = LONG)]
pub struct Cli {
    /// Folder for the files that a command writes; made if it is not there
    #[arg(long, global = true, value_name = "DIR", default_value = "out", display_order = 100)]
    pub out: PathBuf,
    /// Print one JSON document instead of text (`bellcrank schema` tells its form)
    #[arg(long, global = true, display_order = 100)]
    pub json: bool,
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,
}

const ABOUT: &str = "Rehearses one-off hydraulic machines before anybody sits in them";
const LONG: &str = "\
Rehearses one-off hydraulic machines before anybody sits in them

Without a command: surveys the built-in machines, rehearses the built-in scenarios on them, prints what came of it and \
writes one page with pictures and charts to report.html in the output folder.";
const EXIT_CODES: &str = "Exit codes: 0 good, 1 what was judged has failed, 2 bad input.";

/// What can be asked for.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Tell what a machine's geometry, hydraulics and sensing allow
    #[command(long_about = survey::LONG)]
    Survey(survey::Args),
    /// Turn joint angles, strokes or a tip position into the other two, and into torques, forces and pressures
    #[command(long_about = pose::LONG)]
    Pose(Box<pose::Args>),
    /// Run a scenario: the control core on the simulated machine, and what goes wrong
    #[command(long_about = rehearse::LONG)]
    Rehearse(rehearse::Args),
    /// Run a campaign of rehearsals in which something goes wrong, and judge each
    #[command(long_about = prove::LONG)]
    Prove(prove::Args),
    /// Drive one cylinder on a test bench through a programme
    #[command(long_about = rig::LONG)]
    Rig(rig::Args),
    /// The simulated machine at the terminals of an industrial controller, in real time
    #[command(long_about = plant::LONG)]
    Plant(plant::Args),
    /// Pack a machine file into the image that a board reads
    #[command(long_about = pack::LONG)]
    Pack(pack::Args),
    /// Feed a board the golden run of a machine, and hold what it does to what it must do
    #[command(long_about = port_check::LONG)]
    PortCheck(port_check::Args),
    /// Read a captured duty signal: what it is, what is wrong with it, what the lever behind it does
    #[command(long_about = scope::LONG)]
    Scope(scope::Args),
    /// Fit the calibration of a length or angle sensor to measured lengths
    #[command(long_about = gauge::LONG)]
    Gauge(gauge::Args),
    /// Keep the record of a machine's commissioning: checks in order, answers that cannot be changed unnoticed
    #[command(long_about = signoff::LONG)]
    Signoff(Box<signoff::Args>),
    /// Sit in the simulated machine: a page with both levers in hand and the real core under it
    #[command(long_about = seat::LONG)]
    Seat(seat::Args),
    /// Print the completions of this command for a shell
    Completions(completions::Args),
    /// Print the JSON schema of what a command prints with --json
    Schema(schema::Args),
    /// Find out what the valves really do, and what the machine file should say of them
    #[command(long_about = trim::LONG)]
    Trim(trim::Args),
}

impl Command {
    fn run(&self, console: &Console) -> miette::Result<Verdict> {
        match self {
            Command::Survey(args) => args.run(console),
            Command::Pose(args) => args.run(console),
            Command::Rehearse(args) => args.run(console),
            Command::Prove(args) => args.run(console),
            Command::Rig(args) => args.run(console),
            Command::Plant(args) => args.run(console),
            Command::Pack(args) => args.run(console),
            Command::PortCheck(args) => args.run(console),
            Command::Scope(args) => args.run(console),
            Command::Gauge(args) => args.run(console),
            Command::Signoff(args) => args.run(console),
            Command::Seat(args) => args.run(console),
            Command::Completions(args) => args.run(console),
            Command::Schema(args) => args.run(console),
            Command::Trim(args) => args.run(console),
        }
    }
}

/// What was judged, if anything was, is good or has failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Good, or nothing to judge.
    Good,
    /// Failed.
    Failed,
}

impl From<bool> for Verdict {
    fn from(good: bool) -> Verdict {
        if good { Verdict::Good } else { Verdict::Failed }
    }
}

/// Reads the command line and does what it says.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let console = Console::new(cli.out, cli.json);
    let done = match &cli.command {
        Some(command) => command.run(&console),
        None => main_job::run(&console),
    };
    match done {
        Ok(Verdict::Good) => ExitCode::SUCCESS,
        Ok(Verdict::Failed) => ExitCode::from(1),
        Err(report) => {
            console.explain(report.as_ref());
            ExitCode::from(2)
        }
    }
}
