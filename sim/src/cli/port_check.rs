//! `bellcrank port-check`: a board at the end of a line, tried out before anything hangs on it.

use std::path::PathBuf;

use miette::miette;
use schemars::JsonSchema;
use serde::Serialize;

use super::pack::packed;
use super::{Console, MachineArg, Verdict};
use crate::board::{Board, Emulator, Wire, find_firmware};
use crate::golden::TICKS;
use crate::port_check::{self, Check, Setup};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Feed a board the golden run of a machine, and hold its outputs, times and stops to what they must be

The board serves by bellcrank-hal's `exchange`: what comes over the line takes the place of sensors, switches and hands. Nothing that moves \
may hang on the board. A serial device is used as it has been set up: raw, its speed, no echo (`stty -F /dev/ttyUSB0 raw 115200 -echo`). \
What cannot be judged is told, and is no pass. Exit code 1 if anything is not as it must be.";

/// `bellcrank port-check MACHINE`
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("board").required(true).args(["serial", "tcp", "program", "emulated"]))]
pub struct Args {
    #[command(flatten)]
    machine: MachineArg,
    /// The board is at this serial device, or this socket
    #[arg(long, value_name = "PATH")]
    serial: Option<String>,
    /// The board is at this address
    #[arg(long, value_name = "HOST:PORT")]
    tcp: Option<String>,
    /// The board is a program that serves on its standard input and output; its words, split at blanks
    #[arg(long, value_name = "COMMAND")]
    program: Option<String>,
    /// The board is emulated; `pipe` goes in lockstep, `serial` notices when frames cease
    #[arg(long, value_name = "pipe|serial", value_parser = ["pipe", "serial"])]
    emulated: Option<String>,
    /// The firmware for the emulated board, if it is not where `cargo xtask firmware` puts it
    #[arg(long, value_name = "FILE", requires = "emulated")]
    firmware: Option<PathBuf>,
    /// The line goes in lockstep: the board waits for each frame, and cannot notice when they cease
    #[arg(long)]
    lockstep: bool,
    /// Ticks of the golden run
    #[arg(long, value_name = "N", default_value_t = TICKS, value_parser = clap::value_parser!(u64).range(1..=TICKS))]
    ticks: u64,
}

/// What `port-check --json` prints.
#[derive(Debug, Serialize, JsonSchema)]
pub struct PortReport {
    /// Name of the machine.
    machine: String,
    /// SHA-256 of its file.
    file_sha256: String,
    /// What was looked at.
    checks: Vec<Check>,
    /// Nothing was found that is not as it must be.
    passed: bool,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let (machine, packed) = packed(&self.machine)?;
        let setup = Setup {
            ticks: self.ticks,
            lockstep: self.lockstep || self.emulated.as_deref() == Some("pipe"),
            timed: self.emulated.is_none(),
        };
        let checks = port_check::check(&mut self.board()?, &machine, packed.file, setup);
        let report = PortReport {
            machine: packed.name,
            file_sha256: packed.file.to_string(),
            passed: checks.iter().all(|check| check.passed != Some(false)),
            checks,
        };
        console.show(&report, text_of)?;
        console.caution();
        Ok(Verdict::from(report.passed))
    }

    fn board(&self) -> miette::Result<Board> {
        if let Some(which) = &self.emulated {
            let firmware = self.firmware.clone().unwrap_or_else(|| find_firmware(which));
            return Ok(match which.as_str() {
                "pipe" => Emulator::start(&firmware)?,
                _ => Emulator::start_serial(&firmware)?,
            });
        }
        let path = self.serial.clone().map(Wire::Path);
        let tcp = self.tcp.clone().map(Wire::Tcp);
        let words = |command: &String| Wire::Program(command.split_whitespace().map(str::to_owned).collect());
        let wire = path.or(tcp).or(self.program.as_ref().map(words));
        Ok(wire.ok_or_else(|| miette!("no board is named"))?.open()?)
    }
}

fn text_of(report: &PortReport) -> String {
    let line = |check: &Check| {
        let verdict = match check.passed {
            Some(true) => "pass",
            Some(false) => "FAIL",
            None => "  - ",
        };
        format!(
            "{verdict}  {}: {}\n      wanted: {}\n",
            check.what, check.found, check.wanted
        )
    };
    let head = format!("{}, file {}\n\n", report.machine, report.file_sha256);
    report.checks.iter().fold(head, |text, check| text + &line(check))
}
