//! `bellcrank rehearse`: one closed-loop run of a scenario.

use std::path::PathBuf;

use bellcrank_machine::description::Description;
use clap::builder::NonEmptyStringValueParser;
use schemars::JsonSchema;
use serde::Serialize;

use super::{Console, OutFolder, OutFolderError, Verdict, file_stem};
use crate::board::{Checked, Emulator, INSTRUCTIONS_A_COUNT, find_firmware};
use crate::findings::{Findings, judge};
use crate::report::{self, Rehearsed};
use crate::run;
use crate::scenario::{self, Scenario};
use crate::table;
use crate::trace::{Trace, event_text};
use crate::tracking::Tracking;

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Rehearse a scenario: the control core on the simulated machine, things going wrong, and what the core did about it

Writes a page with pictures and charts to NAME.html and everything that was recorded to NAME.csv in the output folder, \
NAME being that of the scenario. The same scenario and seed give the same run to the bit; its digest tells. Exit code 1 \
if an expectation of the scenario does not hold.

Built-in scenarios: straight-lift, setting-a-stone, go-to, go-to-through-the-seat, carry-lift, wrong-lever, \
stuck-open-valve, lost-radio-link, broken-sensor-wire, stop-in-mid-swing, burst-hose, hot-oil-on-a-slope. A scenario file is TOML with the unit in each key; sim/scenarios/ has these as examples.";

/// `bellcrank rehearse SCENARIO`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Name of a built-in scenario, or path of a scenario file
    #[arg(value_name = "SCENARIO", value_parser = NonEmptyStringValueParser::new())]
    scenario: String,
    /// Seed of the sensors' noise
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Where the core runs
    #[arg(long, value_enum, default_value_t = Core::Here)]
    core: Core,
    /// The firmware for the emulated core, if it is not where `cargo xtask firmware` puts it
    #[arg(long, value_name = "FILE")]
    firmware: Option<PathBuf>,
}

/// Where the core runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Core {
    /// In this process
    Here,
    /// On a Cortex-M4F that QEMU emulates
    Emulated,
}

/// What `rehearse --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct RehearseReport {
    /// What was found.
    pub findings: Findings,
    /// What the core noticed, in order.
    pub events: Vec<EventRow>,
    /// The page that was written.
    pub page_file: String,
    /// The record that was written.
    pub csv_file: String,
    /// The core that decided.
    pub core: CoreReport,
}

/// Which core decided, and what it took.
#[derive(Debug, Serialize, JsonSchema)]
pub struct CoreReport {
    /// Where it ran.
    pub ran: &'static str,
    /// Ticks that it put out the very same as the core in this process; none where that is the one that decided.
    pub same_ticks: Option<u64>,
    /// Instructions of a turn of the emulated board, mean.
    pub instructions_mean: Option<f64>,
    /// The most that a turn took.
    pub instructions_most: Option<f64>,
    /// Most of its stack that was in use, bytes.
    pub stack_bytes: Option<u32>,
    /// What it logged.
    pub log: Vec<String>,
}

/// One event of the core's log.
#[derive(Debug, Serialize, JsonSchema)]
pub struct EventRow {
    /// When, s.
    pub at_s: f64,
    /// What.
    pub what: String,
    /// The axis it is about, if it is about one.
    pub axis: Option<String>,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let scenario = scenario::read(&self.scenario)?;
        let out = console.open_out()?;
        let board = match self.core {
            Core::Here => None,
            Core::Emulated => {
                let firmware = self.firmware.clone().unwrap_or_else(|| find_firmware("pipe"));
                Some(Emulator::start(&firmware)?)
            }
        };
        let (trace, board) = run::rehearse_on(&scenario, self.seed, run::SAMPLE_S, board)?;
        let findings = judge(&scenario, self.seed, &trace);
        let core = board.map_or_else(CoreReport::here, |mut board| CoreReport::emulated(&mut board));
        let report = RehearseReport::write(&out, &scenario, &trace, findings, core)?;
        console.show(&report, RehearseReport::text)?;
        console.caution();
        Ok(Verdict::from(report.findings.passed))
    }
}

impl RehearseReport {
    /// Writes page and record of a rehearsal, by the name of its scenario.
    pub(super) fn write(
        out: &OutFolder,
        scenario: &Scenario,
        trace: &Trace,
        findings: Findings,
        core: CoreReport,
    ) -> Result<Self, OutFolderError> {
        let rehearsed = Rehearsed {
            scenario,
            trace,
            findings: &findings,
        };
        let stem = file_stem(&scenario.name);
        let page = report::html(&scenario.name, &[rehearsed], &[]);
        let page = out.write(&format!("{stem}.html"), page.as_bytes())?;
        let csv = out.write(&format!("{stem}.csv"), report::csv(scenario, trace).as_bytes())?;
        Ok(Self {
            events: event_rows(&scenario.machine, trace),
            findings,
            page_file: page.display().to_string(),
            csv_file: csv.display().to_string(),
            core,
        })
    }
}

impl CoreReport {
    /// The core in this process.
    pub(super) fn here() -> Self {
        Self {
            ran: "in this process",
            same_ticks: None,
            instructions_mean: None,
            instructions_most: None,
            stack_bytes: None,
            log: Vec::new(),
        }
    }

    fn emulated(board: &mut Checked) -> Self {
        let instructions = |counts: f64| Some((counts * INSTRUCTIONS_A_COUNT).round());
        Self {
            ran: "on an emulated Cortex-M4F",
            same_ticks: Some(board.turns),
            instructions_mean: instructions(board.counts as f64 / board.turns.max(1) as f64),
            instructions_most: instructions(f64::from(board.worst.0)),
            stack_bytes: board.who().ok().and_then(|who| who.stack),
            log: board.log(),
        }
    }

    fn text(&self) -> String {
        let mut text = format!("core: {}", self.ran);
        if let (Some(ticks), Some(mean), Some(most)) = (self.same_ticks, self.instructions_mean, self.instructions_most)
        {
            text += &format!(
                "; {ticks} ticks to the bit as in this process\n      {mean:.0} instructions a turn, {most:.0} at most; {} bytes of stack",
                self.stack_bytes.unwrap_or(0)
            );
        }
        self.log
            .iter()
            .fold(text, |text, line| text + &format!("\n      log: {line}"))
    }
}

fn event_rows(machine: &Description, trace: &Trace) -> Vec<EventRow> {
    let row = |event: &crate::trace::Noticed| EventRow {
        at_s: event.t,
        what: event_text(machine, &event.what),
        axis: event.axis.map(|axis| machine.axes[axis].name.clone()),
    };
    trace.events.iter().map(row).collect()
}

impl RehearseReport {
    /// What is printed.
    pub(super) fn text(&self) -> String {
        let found = &self.findings;
        let mut lines = vec![format!("{}: {}", found.machine, found.about), String::new()];
        for event in &self.events {
            let axis = event
                .axis
                .as_ref()
                .map_or_else(String::new, |axis| format!(" ({axis})"));
            lines.push(format!("{:8.3} s  {}{axis}", event.at_s, event.what));
        }
        lines.push(String::new());
        for check in &found.checks {
            let verdict = table::verdict(check.passed);
            lines.push(format!(
                "{verdict}  {}: {} (wanted: {})",
                check.what, check.found, check.wanted
            ));
        }
        lines.push(String::new());
        lines.push(table::console(std::slice::from_ref(found), super::terminal_width()));
        lines.extend(found.tracking.iter().map(Tracking::line));
        lines.push(self.core.text());
        lines.push(format!("digest {}; to repeat it: {}", found.digest, found.repeat));
        lines.push(format!("page: {}\nrecord: {}", self.page_file, self.csv_file));
        lines.join("\n")
    }
}
