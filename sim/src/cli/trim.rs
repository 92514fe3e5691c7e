//! `bellcrank trim`: what the valves really do, and what the machine file should say of them.

use std::io::{self, BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use bellcrank_machine::Description;
use miette::{IntoDiagnostic, miette};
use schemars::JsonSchema;
use serde::Serialize;

use super::{Console, MachineArg, OutFolder, Verdict, decimals, file_stem, table};
use crate::trim::compare::{self, Driven};
use crate::trim::estimate::{Identified, identify};
use crate::trim::fit::Estimate;
use crate::trim::log::{self, AxisLog};
use crate::trim::plan::{self, Limits};
use crate::trim::propose::{Proposal, Stability, computed_hz, propose};
use crate::trim::trial::{self, Logger, Setup, Trial};
use crate::trim::{picture, pose, terminals, write};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Find out what the valves really do, and what the machine file should say of them

Plans a test of each axis (--plan prints it and runs nothing), runs it on the simulated machine or on one at its \
terminals (--io), or reads what was recorded elsewhere (--log). From the log alone: deadband and gain curve each way, hysteresis, lag, noise, and how the \
load swings on its oil, each with a 95 % interval. Proposes valve curve, dither, lead and loop gain, drives the \
simulated machine before and after, and puts it into the machine file only with --write, or a typed yes. What stood \
there stays as a comment.

With --io the test is of a machine at its terminals, one axis at a time: somebody at the seat holds the enabling switch \
all the while, and lets the levers be; to let go of it, to move a lever, or Ctrl-C, ends it.

A log is CSV: t_s, axis, command (-1 to 1), and signal_v, stroke_mm or stroke_deg; rows may be uneven in time. Exit \
code 1 if a log is refused: nothing is written then.

Writes MACHINE-trim-plan.txt, MACHINE-trim-log.csv and a picture of each axis' curves to the output folder.";

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
    /// Each axis that was trimmed.
    pub axes: Vec<AxisReport>,
    /// Axes whose logs were refused, with the reason.
    pub refused: Vec<RefusedAxis>,
    /// Files that were written.
    pub files: Vec<String>,
    /// The machine file, if it was changed.
    pub machine_file: Option<String>,
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

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let machine = self.machine.load()?;
        let limits = self.limits()?;
        let axes = self.axes(&machine)?;
        let target = if self.write {
            Some(self.target()?)
        } else {
            self.machine.file()
        };
        let logs = self.log.as_deref().map(|path| log::read(path, &machine)).transpose()?;
        let out = console.open_out()?;
        let poses = axes
            .iter()
            .map(|&axis| start(&machine, axis, &limits))
            .collect::<miette::Result<Vec<_>>>()?;
        let stem = file_stem(&machine.name);
        let plan: Vec<String> = axes
            .iter()
            .zip(&poses)
            .map(|(&axis, pose)| plan::text(&machine, &[axis], pose, &limits))
            .collect();
        let plan = plan.join("\n");
        let mut files = vec![
            out.write(&format!("{stem}-trim-plan.txt"), plan.as_bytes())?
                .display()
                .to_string(),
        ];
        if self.plan {
            console.print(&format!("{plan}\nPlan: {}\n", files[0]))?;
            console.caution();
            return Ok(Verdict::Good);
        }
        let (logs, mut refused) = match logs {
            Some(logs) => (
                logs.into_iter().filter(|log| axes.contains(&log.axis)).collect(),
                Vec::new(),
            ),
            None if self.io.is_some() => self.at_terminals(console, &machine, &axes, &poses, limits, &plan)?,
            None => self.tested(&machine, &axes, &poses, limits)?,
        };
        if self.log.is_none() {
            let csv = log::csv(&machine, &logs);
            files.push(
                out.write(&format!("{stem}-trim-log.csv"), csv.as_bytes())?
                    .display()
                    .to_string(),
            );
        }
        let computed = computed_hz(&machine);
        let (mut reports, mut drives) = (Vec::new(), Vec::new());
        for log in &logs {
            let axis = &machine.axes[log.axis];
            let found = match identify(&machine, log) {
                Ok(found) => found,
                Err(reason) => {
                    refused.push(RefusedAxis {
                        axis: axis.name.clone(),
                        reason: reason.to_string(),
                    });
                    continue;
                }
            };
            let proposal = propose(&machine, axis, &found, computed[log.axis]);
            let pose = axes.iter().position(|tested| *tested == log.axis).map(|at| &poses[at]);
            let pose = pose.ok_or_else(|| miette!("axis {:?} of the log was not asked for", axis.name))?;
            reports.push(report(&machine, log.axis, pose, found, &proposal, self.seed)?);
            drives.push((log.axis, proposal.drive));
        }
        for report in &reports {
            let name = file_stem(&format!("{}-{}-trim", machine.name, report.found.axis));
            let picture = picture::curves(&report.found);
            files.push(
                out.write(&format!("{name}.svg"), picture.as_bytes())?
                    .display()
                    .to_string(),
            );
        }
        let mut report = TrimReport {
            machine: machine.name.clone(),
            axes: reports,
            refused,
            files,
            machine_file: None,
        };
        // Without the text the question would come before what it is about.
        if !console.json() {
            console.print(&text(&report))?;
        }
        if report.refused.is_empty()
            && !drives.is_empty()
            && let Some(path) = target
            && (self.write || !console.json() && consent(&path.display().to_string()))
        {
            put(path, &machine, &drives)?;
            report.machine_file = Some(path.display().to_string());
        }
        if console.json() {
            console.show(&report, text)?;
        } else if let Some(file) = &report.machine_file {
            console.print(&format!(
                "Written: {file}; what stood there is a comment above each drive.\n"
            ))?;
        } else {
            console.print("The machine file is as it was.\n")?;
        }
        console.caution();
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

    fn axes(&self, machine: &Description) -> miette::Result<Vec<usize>> {
        if self.axis.is_empty() {
            return Ok((0..machine.axes.len()).collect());
        }
        let known: Vec<&str> = machine.axes.iter().map(|axis| &*axis.name).collect();
        let number = |name: &String| {
            known
                .iter()
                .position(|known| known == name)
                .ok_or_else(|| miette!("--axis: found {name:?}, wanted one of {}", known.join(", ")))
        };
        self.axis.iter().map(number).collect()
    }

    /// The file that is to be written.
    fn target(&self) -> miette::Result<&std::path::Path> {
        self.machine.file().ok_or_else(|| {
            miette!("--write: found a built-in machine, wanted a machine file: save it under a name of its own first")
        })
    }

    /// The test of one axis on a machine at its terminals: its log, or why it was given up.
    fn at_terminals(
        &self,
        console: &Console,
        machine: &Description,
        axes: &[usize],
        poses: &[Vec<f64>],
        limits: Limits,
        plan: &str,
    ) -> miette::Result<(Vec<AxisLog>, Vec<RefusedAxis>)> {
        let &[axis] = axes else {
            return Err(miette!(
                "--io: found {} axes to test, wanted one at a time: --axis NAME",
                axes.len()
            ));
        };
        if !console.json() {
            console.print(&format!("{plan}\n"))?;
        }
        let setup = Setup {
            machine,
            axis,
            start: &poses[0],
            limits,
            logger: Logger::whole(),
            seed: self.seed,
            faults: Vec::new(),
        };
        let mapping = self.io.as_deref().unwrap_or_default();
        let trial = terminals::run(&setup, mapping, &mut |line| eprintln!("{line}"))?;
        Ok(sorted(machine, axis, trial))
    }

    /// The test of each axis on the simulated machine: logs, and what was given up.
    fn tested(
        &self,
        machine: &Description,
        axes: &[usize],
        poses: &[Vec<f64>],
        limits: Limits,
    ) -> miette::Result<(Vec<AxisLog>, Vec<RefusedAxis>)> {
        let (mut logs, mut refused) = (Vec::new(), Vec::new());
        for (&axis, start) in axes.iter().zip(poses) {
            let setup = Setup {
                machine,
                axis,
                start,
                limits,
                logger: Logger::default(),
                seed: self.seed,
                faults: Vec::new(),
            };
            let (log, why) = sorted(machine, axis, trial::run(&setup).into_diagnostic()?);
            logs.extend(log);
            refused.extend(why);
        }
        Ok((logs, refused))
    }
}

/// A test that came to its end has left a log; one that was given up has not, only the reason.
fn sorted(machine: &Description, axis: usize, trial: Trial) -> (Vec<AxisLog>, Vec<RefusedAxis>) {
    match trial.halt {
        None => (vec![trial.log], Vec::new()),
        Some(halt) => {
            let reason = format!("the test was given up: {halt}");
            let axis = machine.axes[axis].name.clone();
            (Vec::new(), vec![RefusedAxis { axis, reason }])
        }
    }
}

fn start(machine: &Description, axis: usize, limits: &Limits) -> miette::Result<Vec<f64>> {
    pose::free_pose(machine, &[axis], limits).ok_or_else(|| {
        miette!("axis {:?}: found no pose in which it can go its travel clear of everything, wanted one: a smaller --travel-percent", machine.axes[axis].name)
    })
}

fn report(
    machine: &Description,
    axis: usize,
    pose: &[f64],
    found: Identified,
    proposal: &Proposal,
    seed: u64,
) -> miette::Result<AxisReport> {
    let mut after = machine.clone();
    after.axes[axis].drive = proposal.drive.clone();
    let asked = [found.curves[0].full_rate, found.curves[1].full_rate];
    let drive = |machine: &Description| compare::drive(machine, axis, pose, asked, seed).into_diagnostic();
    Ok(AxisReport {
        gain_per_s: proposal.drive.gain,
        smooth_s: proposal.drive.smooth,
        stability: proposal.stability,
        before: drive(machine)?,
        after: drive(&after)?,
        found,
    })
}

/// Only a typed yes is one, and only where somebody can type.
fn consent(file: &str) -> bool {
    if !io::stdin().is_terminal() {
        return false;
    }
    let mut typed = String::new();
    let _ = write!(io::stderr().lock(), "Put this into {file}? Type yes: ");
    io::stdin().lock().read_line(&mut typed).is_ok() && typed.trim() == "yes"
}

/// Changes the machine file: whole, read and checked before it takes the old one's place.
fn put(
    path: &std::path::Path,
    machine: &Description,
    drives: &[(usize, bellcrank_machine::description::Drive)],
) -> miette::Result<()> {
    let text = std::fs::read_to_string(path).into_diagnostic()?;
    let file = path.display().to_string();
    let seconds = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| since.as_secs());
    let changed = write::changed(&file, &text, machine, drives, &write::day(seconds))?;
    let read = bellcrank_machine::read(&file, &changed)?;
    bellcrank_machine::build(&read).into_diagnostic()?;
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty())
        .unwrap_or(std::path::Path::new("."));
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    OutFolder::open(folder)?.write(&name, changed.as_bytes())?;
    Ok(())
}

/// For people: narrow tables, no wider than 60 columns, a table a subject.
pub fn text(report: &TrimReport) -> String {
    let axes = || report.axes.iter();
    let percent = |estimate: Estimate| {
        format!(
            "{} +-{}",
            decimals(100.0 * estimate.value, 2),
            decimals(100.0 * estimate.half(), 2)
        )
    };
    let scale = |found: &Identified| if found.unit == "deg" { 1_f64.to_degrees() } else { 1e3 };
    let mut text = format!("{}: what the valves do, 95 % intervals\n\n", report.machine);
    text += &table(
        ["% of command", "opens out", "opens in", "hysteresis"],
        axes().map(|axis| {
            vec![
                axis.found.axis.clone(),
                percent(axis.found.deadband[0]),
                percent(axis.found.deadband[1]),
                percent(axis.found.hysteresis),
            ]
        }),
    );
    text += "\n";
    let with = |estimate: Option<Estimate>, times: f64, digits: usize| {
        estimate.map_or("-".to_owned(), |estimate| {
            format!(
                "{} +-{}",
                decimals(times * estimate.value, digits),
                decimals(times * estimate.half(), digits)
            )
        })
    };
    text += &table(
        ["", "lag ms", "swing Hz", "damping"],
        axes().map(|axis| {
            let swing = axis.found.swing;
            vec![
                axis.found.axis.clone(),
                with(axis.found.lag_s, 1e3, 1),
                with(swing.map(|swing| swing.hz), 1.0, 1),
                with(swing.map(|swing| swing.zeta), 1.0, 2),
            ]
        }),
    );
    text += "\n";
    text += &table(
        ["per s", "full out", "full in", "measured to %", "noise"],
        axes().map(|axis| {
            let (found, times) = (&axis.found, scale(&axis.found));
            let [out, inward] = &found.curves;
            vec![
                format!("{}, {}", found.axis, found.unit),
                decimals(times * out.full_rate, 1),
                decimals(times * inward.full_rate, 1),
                format!(
                    "{} {}",
                    decimals(100.0 * out.measured_to, 0),
                    decimals(100.0 * inward.measured_to, 0)
                ),
                decimals(times * found.rate_noise.value, 2),
            ]
        }),
    );
    text += "full rates are carried on from what was measured; noise: rms\n\n";
    text += &table(
        ["proposed", "gain 1/s", "smooth ms", "margins", "swing"],
        axes().map(|axis| {
            let margins = axis.stability.margins;
            vec![
                axis.found.axis.clone(),
                decimals(axis.gain_per_s, 1),
                decimals(1e3 * axis.smooth_s, 0),
                format!("x{} {} deg", decimals(margins.gain, 1), decimals(margins.phase_deg, 0)),
                if axis.stability.seen { "seen" } else { "computed" }.to_owned(),
            ]
        }),
    );
    text += "\nSteps of 20 % and a creep of 2 %, simulated: before, after\n\n";
    let both = |axis: &AxisReport, of: fn(&Driven) -> f64, digits: usize| {
        format!(
            "{}, {}",
            decimals(of(&axis.before), digits),
            decimals(of(&axis.after), digits)
        )
    };
    text += &table(
        ["", "reached %", "beyond %", "late s", "bar", "creep %"],
        axes().map(|axis| {
            vec![
                axis.found.axis.clone(),
                both(axis, |driven| 100.0 * driven.reached, 0),
                both(axis, |driven| 100.0 * driven.overshoot, 1),
                both(axis, |driven| driven.late_s, 2),
                both(axis, |driven| driven.pressure_bar, 0),
                both(axis, |driven| 100.0 * driven.creep_least, 0),
            ]
        }),
    );
    for refused in &report.refused {
        text += &format!("\nRefused, {}: {}\n", refused.axis, refused.reason);
    }
    text += "\n";
    for file in &report.files {
        text += &format!("{file}\n");
    }
    text
}
