//! `bellcrank trim`: what the valves really do, and what the machine file should say of them.

mod text;

use std::path::{Path, PathBuf};

use bellcrank_machine::Description;
use bellcrank_machine::description::Drive;
use indicatif::{ProgressBar, ProgressStyle};
use miette::{IntoDiagnostic, miette};
use schemars::JsonSchema;
use serde::Serialize;

use super::consent::settle;
use super::{Console, MachineArg, OutFolder, Verdict, file_stem, paragraph, terminal_width};
use crate::revise::{Change, Revised, Revision};
use crate::trim::compare::{self, Driven, Moment};
use crate::trim::estimate::{Identified, identify};
use crate::trim::log::{self, AxisLog};
use crate::trim::plan::{self, Limits};
use crate::trim::propose::{Stability, computed_hz, propose};
use crate::trim::trial::{self, Logger, Setup, Trial};
use crate::trim::{picture, pose, terminals, write};

/// Longest line of a plan that is kept as a file.
const PLAN_WIDTH: usize = 100;

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Find out what the valves really do, and what the machine file should say of them

Plans a test of each axis (--plan prints it and runs nothing), runs it on the simulated machine or on one at its \
terminals (--io), or reads what was recorded elsewhere (--log). From the log alone: deadband and gain curve each way, \
hysteresis, lag, noise, and how the load swings on its oil, each with a 95 % interval. Proposes valve curve, ramps, dither, lead \
and loop gain, drives the simulated machine before and after, and puts it into the machine file only with --write, or a \
typed yes. What stood there stays as a comment.

With --io the test is of a machine at its terminals, one axis at a time: somebody at the seat holds the enabling switch \
all the while, and lets the levers be; to let go of it, to move a lever, or Ctrl-C, ends it.

A log is CSV: t_s, axis, command (-1 to 1), and signal_v, stroke_mm or stroke_deg; rows may be uneven in time. Exit \
code 1 if a log is refused or a test given up: no machine file and no picture is written then.

Writes MACHINE-trim-plan.txt and MACHINE-trim-log.csv (not with --log) and two pictures of each axis to the output folder: \
MACHINE-AXIS-trim.svg, the curve of its valve, and MACHINE-AXIS-steps.svg, a step before and after. What was recorded at \
terminals is kept even if it is refused.";

/// `bellcrank trim MACHINE`
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    machine: MachineArg,
    /// Only this axis; may be given again for more
    #[arg(long, value_name = "NAME")]
    axis: Vec<String>,
    /// Print what the test would do, and stop
    #[arg(long, conflicts_with_all = ["log", "write"])]
    plan: bool,
    /// Identify from a log that was recorded elsewhere
    #[arg(long, value_name = "FILE.csv")]
    log: Option<PathBuf>,
    /// Test a machine at these terminals in place of the simulated one: a mapping of bellcrank-linux, file or built-in
    #[arg(long, value_name = "MAPPING", conflicts_with_all = ["log", "plan"])]
    io: Option<String>,
    /// Put what is proposed into the machine file
    #[arg(long)]
    write: bool,
    /// Greatest rate of the test, percent of the rate that the file has for full command
    #[arg(long, value_name = "PERCENT", default_value_t = 40.0)]
    speed_percent: f64,
    /// Travel of the test, percent of the stroke
    #[arg(long, value_name = "PERCENT", default_value_t = 35.0)]
    travel_percent: f64,
    /// Seed of the simulated noise
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// What `trim --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct TrimReport {
    /// The machine.
    pub machine: String,
    /// What it was found by: a log that was read, or a test, and of what.
    pub from: String,
    /// Each axis that was trimmed.
    pub axes: Vec<AxisReport>,
    /// Axes whose logs were refused or whose tests were given up, with the reason.
    pub refused: Vec<RefusedAxis>,
    /// Files that were written: if anything was refused, none but what was recorded at terminals.
    pub files: Vec<String>,
    /// What it comes to in the machine file, a drive each; none of a built-in machine, or if anything was refused.
    pub revisions: Vec<Revision>,
}

/// One axis.
#[derive(Debug, Serialize, JsonSchema)]
pub struct AxisReport {
    /// What was found.
    pub found: Identified,
    /// Loop gain that is proposed, 1/s.
    pub gain_per_s: f64,
    /// Time over which the lag is smoothed, s.
    pub smooth_s: f64,
    /// How stable that is.
    pub stability: Stability,
    /// What its `drive` should say, as it stands in a machine file.
    pub proposed: String,
    /// The simulated machine driven by what the file says, and by what is proposed.
    pub before: Driven,
    /// See there.
    pub after: Driven,
}

/// An axis whose log was refused.
#[derive(Debug, Serialize, JsonSchema)]
pub struct RefusedAxis {
    /// The axis.
    pub axis: String,
    /// Why.
    pub reason: String,
}

/// An axis whose valve was identified.
struct Trimmed {
    axis: usize,
    log: AxisLog,
    report: AxisReport,
    drive: Drive,
    /// The steps before and after.
    courses: [Vec<Moment>; 2],
}

/// Logs of axes that were recorded, or why there is none.
type Recorded = Vec<(usize, Result<AxisLog, String>)>;

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let machine = self.machine.load()?;
        let limits = self.limits()?;
        let logs = self.log.as_deref().map(|path| log::read(path, &machine)).transpose()?;
        let axes = self.axes(&machine, logs.as_deref())?;
        let target = self.target(&machine, &axes)?;
        let out = console.open_out()?;
        let poses = axes
            .iter()
            .map(|&axis| start(&machine, axis, &limits))
            .collect::<miette::Result<Vec<_>>>()?;
        let asked: Vec<(usize, &[f64])> = axes.iter().copied().zip(poses.iter().map(Vec::as_slice)).collect();
        let plan = |width| plan::text(&machine, &asked, &limits, width);
        if self.plan {
            console.caution();
            let file = write_plan(&out, &machine, &plan(PLAN_WIDTH))?;
            let told = plan(terminal_width().clamp(40, PLAN_WIDTH));
            console.print(&format!("\n{told}\nThe same as a file: {file}\n"))?;
            return Ok(Verdict::Good);
        }
        let mut files = Vec::new();
        let mut recorded: Recorded = logs.into_iter().flatten().map(|log| (log.axis, Ok(log))).collect();
        if let Some(mapping) = &self.io {
            let log = self.at_terminals(console, &machine, &asked, limits, mapping, &plan)?;
            // Somebody held a switch for it: it is kept whatever is made of it.
            if let Ok(log) = &log {
                files.push(write_log(&out, &machine, std::slice::from_ref(log))?);
            }
            recorded.extend(axes.first().map(|axis| (*axis, log)));
        }
        let (trimmed, refused) = self.trimmed(&machine, &asked, limits, &recorded)?;
        if refused.is_empty() {
            if self.log.is_none() {
                files.push(write_plan(&out, &machine, &plan(PLAN_WIDTH))?);
            }
            if recorded.is_empty() {
                let logs: Vec<AxisLog> = trimmed.iter().map(|trimmed| trimmed.log.clone()).collect();
                files.push(write_log(&out, &machine, &logs)?);
            }
            files.extend(write_pictures(&out, &machine, &trimmed)?);
        }
        let revised = match target.filter(|_| refused.is_empty()) {
            Some(path) => Some(self.revised(path, &machine, &trimmed)?),
            None => None,
        };
        let mut report = TrimReport {
            machine: machine.name.clone(),
            from: self.from(),
            axes: trimmed.into_iter().map(|trimmed| trimmed.report).collect(),
            refused,
            files,
            revisions: revised
                .as_ref()
                .map_or_else(Vec::new, |revised| revised.revisions().to_vec()),
        };
        // Without the text, and what there is to be careful of, the question would come before what it is about.
        if !console.json() {
            console.print(&text::text(&report))?;
        }
        if self.log.is_some() || self.io.is_some() {
            console.caution_measured();
        } else {
            console.caution();
        }
        if let Some(revised) = revised {
            let (revisions, told) = settle(console, revised, ("--write", self.write))?;
            report.revisions = revisions;
            if !console.json() {
                console.print(&format!("\n{}", paragraph(&told, "")))?;
            }
        }
        if console.json() {
            console.show(&report, text::text)?;
        }
        Ok(report.refused.is_empty().into())
    }

    fn limits(&self) -> miette::Result<Limits> {
        let share = |name: &str, percent: f64, most: f64| {
            if (5.0..=most).contains(&percent) {
                Ok(percent / 100.0)
            } else {
                Err(miette!("{name}: found {percent}, wanted 5 to {most}"))
            }
        };
        Ok(Limits {
            speed: share("--speed-percent", self.speed_percent, 100.0)?,
            travel: share("--travel-percent", self.travel_percent, 70.0)?,
        })
    }

    /// The axes that were asked for, or all there are: of the log, if there is one.
    fn axes(&self, machine: &Description, logs: Option<&[AxisLog]>) -> miette::Result<Vec<usize>> {
        let there: Vec<usize> = match logs {
            Some(logs) => logs.iter().map(|log| log.axis).collect(),
            None => (0..machine.axes.len()).collect(),
        };
        if self.axis.is_empty() {
            return Ok(there);
        }
        let name = |axis: &usize| machine.axes[*axis].name.as_str();
        let number = |asked: &String| {
            there.iter().copied().find(|axis| name(axis) == asked).ok_or_else(|| {
                let known = there.iter().map(name).collect::<Vec<_>>().join(", ");
                let of = if logs.is_some() { "of those in the log, " } else { "of " };
                miette!("--axis: found {asked:?}, wanted one {of}{known}")
            })
        };
        let mut axes = Vec::new();
        for asked in &self.axis {
            let axis = number(asked)?;
            if !axes.contains(&axis) {
                axes.push(axis);
            }
        }
        Ok(axes)
    }

    /// The machine file that may be changed, looked at before any work is put into it. None of a built-in machine.
    fn target(&self, machine: &Description, axes: &[usize]) -> miette::Result<Option<&Path>> {
        let name = self.machine.name();
        if bellcrank_machine::builtin(name).is_some() {
            if self.write {
                return Err(miette!(
                    "--write: found the built-in machine {name:?}, wanted a machine file"
                ));
            }
            return Ok(None);
        }
        let path = Path::new(name);
        if self.write {
            let idle: Vec<Change> = axes.iter().map(|&axis| drive_of(machine, axis, Vec::new())).collect();
            Revised::new(path, &idle, "")?;
        }
        Ok(Some(path))
    }

    /// Each axis tested, or taken from its log, and identified; and those that were refused.
    fn trimmed(
        &self,
        machine: &Description,
        asked: &[(usize, &[f64])],
        limits: Limits,
        recorded: &Recorded,
    ) -> miette::Result<(Vec<Trimmed>, Vec<RefusedAxis>)> {
        let computed = computed_hz(machine);
        let (mut trimmed, mut refused) = (Vec::new(), Vec::new());
        let bar = progress(asked.len());
        for &(axis, pose) in asked {
            let name = &machine.axes[axis].name;
            bar.set_message(name.clone());
            let log = match recorded.iter().find(|(of, _)| *of == axis) {
                Some((_, log)) => log.clone(),
                None => self.tested(machine, axis, pose, limits)?,
            };
            let found = log.and_then(|log| match identify(machine, &log) {
                Ok(found) => Ok((log, found)),
                Err(reason) => Err(reason.to_string()),
            });
            match found {
                Ok((log, found)) => trimmed.push(self.compared(machine, log, pose, found, computed[axis])?),
                Err(reason) => refused.push(RefusedAxis {
                    axis: name.clone(),
                    reason,
                }),
            }
            bar.inc(1);
        }
        bar.finish_and_clear();
        Ok((trimmed, refused))
    }

    /// The test of an axis on the simulated machine: its log, or why the test was given up.
    fn tested(
        &self,
        machine: &Description,
        axis: usize,
        start: &[f64],
        limits: Limits,
    ) -> miette::Result<Result<AxisLog, String>> {
        let setup = Setup {
            machine,
            axis,
            start,
            limits,
            logger: Logger::default(),
            seed: self.seed,
            faults: Vec::new(),
        };
        Ok(log_of(trial::run(&setup).into_diagnostic()?))
    }

    /// The same on a machine at its terminals.
    fn at_terminals(
        &self,
        console: &Console,
        machine: &Description,
        asked: &[(usize, &[f64])],
        limits: Limits,
        mapping: &str,
        plan: &dyn Fn(usize) -> String,
    ) -> miette::Result<Result<AxisLog, String>> {
        let &[(axis, start)] = asked else {
            return Err(miette!(
                "--io: found {} axes to test, wanted one at a time: --axis NAME",
                asked.len()
            ));
        };
        if !console.json() {
            let told = plan(terminal_width().clamp(40, PLAN_WIDTH));
            console.print(&format!("{told}\n"))?;
        }
        let setup = Setup {
            machine,
            axis,
            start,
            limits,
            logger: Logger::whole(),
            seed: self.seed,
            faults: Vec::new(),
        };
        let mut tell = |line: &str| eprintln!("{line}");
        Ok(log_of(terminals::run(&setup, mapping, &mut tell)?))
    }

    /// What is proposed of what was found, and the simulated machine before and after.
    fn compared(
        &self,
        machine: &Description,
        log: AxisLog,
        pose: &[f64],
        found: Identified,
        computed: Option<(f64, f64)>,
    ) -> miette::Result<Trimmed> {
        let axis = log.axis;
        let proposal = propose(machine, &machine.axes[axis], &found, computed);
        let mut changed = machine.clone();
        changed.axes[axis].drive = proposal.drive.clone();
        let asked = [found.curves[0].full_rate, found.curves[1].full_rate];
        let drive = |machine: &Description| compare::course(machine, axis, pose, asked, self.seed).into_diagnostic();
        let ((before, course_before), (after, course_after)) = (drive(machine)?, drive(&changed)?);
        Ok(Trimmed {
            axis,
            log,
            report: AxisReport {
                gain_per_s: proposal.drive.gain,
                smooth_s: proposal.drive.smooth,
                stability: proposal.stability,
                proposed: write::told(&machine.axes[axis], &proposal.drive),
                before,
                after,
                found,
            },
            drive: proposal.drive,
            courses: [course_before, course_after],
        })
    }

    fn from(&self) -> String {
        match (&self.log, &self.io) {
            (Some(log), _) => format!("the log {}", log.display()),
            (None, Some(mapping)) => format!("a test at the terminals of {mapping}"),
            (None, None) => "a test on the simulated machine".to_owned(),
        }
    }

    /// The change of the machine file.
    fn revised(&self, path: &Path, machine: &Description, trimmed: &[Trimmed]) -> miette::Result<Revised> {
        let change = |trimmed: &Trimmed| {
            let values = write::values(&machine.axes[trimmed.axis], &trimmed.drive);
            drive_of(machine, trimmed.axis, values)
        };
        let changes: Vec<Change> = trimmed.iter().map(change).collect();
        let by = format!("bellcrank trim, by {}", self.from());
        Ok(Revised::new(path, &changes, &by)?)
    }
}

fn drive_of<'m>(machine: &'m Description, axis: usize, values: Vec<(&'m str, Option<String>)>) -> Change<'m> {
    Change {
        axis: &machine.axes[axis].name,
        key: "drive",
        values,
    }
}

/// What a test left behind, or why it was given up.
fn log_of(trial: Trial) -> Result<AxisLog, String> {
    match trial.halt {
        None => Ok(trial.log),
        Some(halt) => Err(format!("the test was given up: {halt}")),
    }
}

fn write_log(out: &OutFolder, machine: &Description, logs: &[AxisLog]) -> miette::Result<String> {
    let name = format!("{}-trim-log.csv", file_stem(&machine.name));
    Ok(out
        .write(&name, log::csv(machine, logs).as_bytes())?
        .display()
        .to_string())
}

fn write_pictures(out: &OutFolder, machine: &Description, trimmed: &[Trimmed]) -> miette::Result<Vec<String>> {
    let mut files = Vec::new();
    for trimmed in trimmed {
        let found = &trimmed.report.found;
        let stem = file_stem(&format!("{}-{}", machine.name, found.axis));
        let curves = picture::curves(found, &machine.axes[trimmed.axis].drive);
        let [before, after] = &trimmed.courses;
        let steps = picture::steps(&found.axis, &found.unit, before, after);
        for (name, picture) in [("trim", curves), ("steps", steps)] {
            let file = out.write(&format!("{stem}-{name}.svg"), picture.as_bytes())?;
            files.push(file.display().to_string());
        }
    }
    Ok(files)
}

fn write_plan(out: &OutFolder, machine: &Description, plan: &str) -> miette::Result<String> {
    let name = format!("{}-trim-plan.txt", file_stem(&machine.name));
    Ok(out.write(&name, plan.as_bytes())?.display().to_string())
}

fn start(machine: &Description, axis: usize, limits: &Limits) -> miette::Result<Vec<f64>> {
    pose::free_pose(machine, &[axis], limits).ok_or_else(|| {
        miette!("axis {:?}: found no pose in which it can go its travel clear of everything, wanted one: a smaller --travel-percent", machine.axes[axis].name)
    })
}

/// Shown on a terminal alone, and gone when done.
fn progress(axes: usize) -> ProgressBar {
    let bar = ProgressBar::new(axes as u64);
    // A template that does not parse would be a mistake here; the plain bar then does as well.
    match ProgressStyle::with_template("trimming {bar:20} {pos}/{len} {msg}") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}
