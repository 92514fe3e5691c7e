//! The command `bellcrank-linux`: what can be typed, and what comes of it.
//!
//! | exit code | means |
//! |---|---|
//! | 0 | done; the machine was stopped because that was asked for |
//! | 2 | bad input, or it could not be begun; nothing has been given any power |

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use bellcrank_core::Machine;
use bellcrank_core::machine::image;
use bellcrank_core::units::Instant;
use bellcrank_hal::Cycle;
use bellcrank_machine::{Packed, document, pack};
use clap::Parser;
use miette::{IntoDiagnostic, MietteHandlerOpts, ReportHandler, WrapErr, miette};
use signal_hook::consts::{SIGINT, SIGTERM, SIGUSR1};

use crate::board::Terminals;
use crate::bus;
use crate::clerk::{Clerk, Desk, Note};
use crate::jitter::Times;
use crate::mapping::{self, Mapping, StationPlaces, Wanted};
use crate::pace::{Pace, Time, ask_for_real_time};
use crate::pads::Pad;
use crate::{record, show};

/// Said before anything can move.
pub const CAUTION: &str = "\
Caution: from here on valves can be given current. This program makes no machine safe and certifies none: a
competent person does that, under the local rules. The stop chain must act without it. Oil under pressure
goes through skin, and stays under pressure when the engine stops; trapped oil can let a load drop. First
motion: low flow, one axis, nobody in reach.";
/// Said where voltages are looked at.
const POWERED: &str = "\
Caution: nothing is written, yet terminals keep what they were last told. Wire up with the engine stopped, the
pressure let off and valve power off.";

const LONG: &str = "\
The control core as a process on an industrial controller

Reads terminals by a process image or by Modbus TCP, lets the core decide, writes what it decided, every tick of the \
machine. What stands where says MAPPING: a TOML file, or the name of one that comes with the software. SIGTERM or \
SIGINT takes all power and ends it; SIGUSR1 prints how well the loop keeps its time.";

/// The whole command line.
#[derive(Debug, Parser)]
#[command(name = "bellcrank-linux", version, about = "The control core on an industrial controller", long_about = LONG, max_term_width = 100)]
pub struct Cli {
    /// Mapping of the terminals: a file, or the name of a built-in one
    #[arg(value_name = "MAPPING")]
    mapping: String,
    /// Machine file, or the name of a built-in machine, in place of the one that the mapping names
    #[arg(long, value_name = "MACHINE")]
    machine: Option<String>,
    /// Packed image (`bellcrank pack`) to run; it must be of that very machine file
    #[arg(long, value_name = "FILE")]
    image: Option<PathBuf>,
    /// Only check the mapping against the machine
    #[arg(long, conflicts_with = "show")]
    check: bool,
    /// Only print live readings, every second; nothing is written
    #[arg(long)]
    show: bool,
    /// Where the record is kept that tells the next start what stood
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    /// Where the status is written, twice a second, as JSON
    #[arg(long, value_name = "FILE")]
    status: Option<PathBuf>,
    /// End after so many seconds, as if by SIGTERM
    #[arg(long, value_name = "S")]
    for_s: Option<f64>,
    /// Wait no longer than so many seconds for the first sign of life from the terminals; then begin without it, into a stop
    #[arg(long, value_name = "S", default_value_t = 5.0)]
    wait_s: f64,
}

/// What was read and checked.
struct Plan {
    mapping: Mapping,
    machine: Machine,
    machine_name: String,
    axes: Vec<String>,
}

/// Reads the command line and does what it says.
pub fn main() -> ExitCode {
    match Cli::parse().run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(report) => {
            eprintln!("{:?}", Explained(&report));
            ExitCode::from(2)
        }
    }
}

impl Cli {
    fn run(&self) -> miette::Result<()> {
        let plan = self.plan()?;
        let wanted = Wanted {
            machine: &plan.machine,
            names: &plan.axes,
        };
        if self.check {
            println!("{}", told(&plan));
            return Ok(());
        }
        let over = Arc::new(AtomicBool::new(false));
        for signal in [SIGTERM, SIGINT] {
            signal_hook::flag::register(signal, Arc::clone(&over)).into_diagnostic()?;
        }
        if self.show {
            return self.show(&plan, wanted, &over);
        }
        self.turn(&plan, &over)
    }

    fn plan(&self) -> miette::Result<Plan> {
        let (file, text) = document::find("mapping", &self.mapping, &mapping::BUILTIN, Path::new(""))?;
        let named = mapping::machine_of(&file, &text)?;
        let (name, folder) = match &self.machine {
            Some(name) => (name, Path::new("")),
            None => (&named, Path::new(&file).parent().unwrap_or(Path::new(""))),
        };
        let (machine_file, machine_text) = bellcrank_machine::source(name, folder)?;
        let description = bellcrank_machine::read(&machine_file, &machine_text)?;
        let mut machine = bellcrank_machine::build(&description).into_diagnostic()?;
        if let Some(path) = &self.image {
            machine = packed(path, &machine_file, pack(&description, &machine_text, &machine))?;
        }
        let axes: Vec<String> = description.axes.iter().map(|axis| axis.name.clone()).collect();
        let wanted = Wanted {
            machine: &machine,
            names: &axes,
        };
        let mapping = mapping::read(&file, &text, wanted)?;
        Ok(Plan {
            mapping,
            machine,
            machine_name: description.name,
            axes,
        })
    }

    fn seconds(&self, begin: Time) -> impl Fn() -> bool {
        let limit = self
            .for_s
            .map(|s| Duration::try_from_secs_f64(s).unwrap_or(Duration::MAX));
        move || limit.is_some_and(|limit| begin.begin.elapsed() >= limit)
    }

    fn show(&self, plan: &Plan, wanted: Wanted, over: &AtomicBool) -> miette::Result<()> {
        eprintln!("{POWERED}");
        let time = Time::begin();
        let mut bus = bus::open(&plan.mapping, time, false).into_diagnostic()?;
        let mut image = vec![0; plan.mapping.input_bytes];
        let through = self.seconds(time);
        while !over.load(Ordering::Acquire) {
            std::thread::sleep(Duration::from_millis(200));
            match bus.take(&mut image, time.now()) {
                Ok(_) => println!("\n{}", show::readings(&plan.mapping, wanted, &image)),
                Err(fault) => println!("\nnothing could be read: {fault:?}"),
            }
            if through() {
                break;
            }
            std::thread::sleep(Duration::from_millis(800));
        }
        Ok(())
    }

    /// Runs the machine until it is told to end.
    fn turn(&self, plan: &Plan, over: &AtomicBool) -> miette::Result<()> {
        eprintln!("{CAUTION}\n");
        let kept = match &self.record {
            Some(path) => record::load(path)
                .into_diagnostic()
                .wrap_err_with(|| format!("the record {} cannot be read", path.display()))?,
            None => None,
        };
        let asked = Arc::new(AtomicBool::new(false));
        signal_hook::flag::register(SIGUSR1, Arc::clone(&asked)).into_diagnostic()?;
        let desk = Desk {
            record: self.record.clone(),
            status: self.status.clone(),
            axes: plan.axes.clone(),
        };
        let tick = plan.machine.timing().tick.as_ticks().into();
        let time = Time::begin();
        let bus = bus::open(&plan.mapping, time, true).into_diagnostic()?;
        let pads = pads(&plan.mapping, time)?;
        let clerk = Clerk::start(desk, tick, asked).into_diagnostic()?;
        let mut board = Terminals::new(&plan.mapping, bus, pads, time.now());
        for refused in ask_for_real_time() {
            eprintln!("{refused}");
        }
        let wait = Duration::try_from_secs_f64(self.wait_s).unwrap_or_default();
        while !board.greet(time.now()) && time.begin.elapsed() < wait && !over.load(Ordering::Acquire) {
            std::thread::sleep(plan.mapping.life_within / 8);
        }
        let mut cycle = Cycle::new(&plan.machine, board, kept).into_diagnostic()?;
        let through = self.seconds(time);
        let mut pace = Pace::new(plan.machine.timing(), time.now());
        let (mut due, mut missed, mut last) = (time.now(), 0, None);
        while !over.load(Ordering::Acquire) && !through() {
            time.sleep_until(due);
            let started = time.now();
            let turn = cycle.turn(started);
            let times = Times {
                late: between(due, started),
                period: last.map(|last| between(last, started)),
                took: between(started, time.now()),
                missed,
            };
            clerk.note(Note {
                at: started,
                times,
                turn,
            });
            last = Some(started);
            (due, missed) = pace.next(started);
        }
        let obeyed = cycle.cut();
        cycle.into_board().finish();
        let jitter = clerk.finish();
        println!(
            "{:10.3} s  ended: everything is off{}",
            1e-6 * time.now().as_ticks() as f64,
            if obeyed { "" } else { ", if the terminals still listen" }
        );
        if let Some(jitter) = jitter {
            println!("{jitter}");
        }
        Ok(())
    }
}

/// The machine of a packed image, which has to be that of the machine file: the names of its axes stand only there.
fn packed(path: &Path, file: &str, wanted: Option<Packed>) -> miette::Result<Machine> {
    let shown = path.display();
    let bytes = std::fs::read(path)
        .into_diagnostic()
        .wrap_err_with(|| format!("the image {shown} cannot be read"))?;
    let image = image::read(&bytes).map_err(|why| miette!("{shown}: no image that can be run: {why:?}"))?;
    if wanted.is_none_or(|wanted| wanted.bytes != bytes) {
        return Err(miette!(
            "{shown}: found the image of another machine file, wanted that of {file}: pack it again"
        ));
    }
    Ok(image.machine)
}

fn between(from: Instant, to: Instant) -> u64 {
    to.checked_duration_since(from).map_or(0, |time| time.as_ticks())
}

/// The pads of seat and remote.
fn pads(mapping: &Mapping, time: Time) -> miette::Result<[Option<Box<dyn Pad>>; 2]> {
    let mut pads = [None, None];
    for (pad, station) in pads.iter_mut().zip(mapping.stations()) {
        if let StationPlaces::Pad(places) = station {
            *pad = Some(pad_of(places.named.clone(), time)?);
        }
    }
    Ok(pads)
}

#[cfg(feature = "pads")]
fn pad_of(named: Option<String>, time: Time) -> miette::Result<Box<dyn Pad>> {
    let pad = crate::pads::start(named, time.begin).map_err(|why| miette!("there are no pads to be had: {why}"))?;
    Ok(Box::new(pad))
}

#[cfg(not(feature = "pads"))]
fn pad_of(_: Option<String>, _: Time) -> miette::Result<Box<dyn Pad>> {
    Err(miette!(
        "found a station that is a pad, wanted one at the terminals: this program was built without `--features pads`"
    ))
}

/// What was checked.
fn told(plan: &Plan) -> String {
    let Mapping {
        name,
        terminals,
        input_bytes,
        output_bytes,
        life_within,
        watchdog,
        ..
    } = &plan.mapping;
    let by = match terminals {
        mapping::Terminals::Image { file, .. } => format!("process image {}", file.display()),
        mapping::Terminals::Modbus(places) => format!("Modbus TCP at {}, unit {}", places.address, places.unit),
    };
    format!(
        "{name}: fits the {}
by {by}: {input_bytes} bytes read, {output_bytes} written
stop after {} ms without a sign of life; the terminals must put out zeros by themselves after {} ms
axes: {}
Checked are places and scales, not what is wired to them: compare each reading with a meter (--show).",
        plan.machine_name,
        life_within.as_millis(),
        watchdog.as_millis(),
        plan.axes.join(", ")
    )
}

/// An error with the place it is at, without colour where the terminal or `NO_COLOR` says so.
struct Explained<'e>(&'e miette::Report);

impl std::fmt::Debug for Explained<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let handler = MietteHandlerOpts::new()
            .width(100)
            .wrap_lines(false)
            .break_words(false)
            .build();
        handler.debug(self.0.as_ref(), f)
    }
}
