//! `bellcrank pack`: a machine file as an image for a board.

use std::path::{Path, PathBuf};

use bellcrank_core::Machine;
use bellcrank_core::machine::{Axis, Channel, Signal};
use bellcrank_core::units::Duration;
use bellcrank_machine::{Packed, pack, read, source};
use miette::{IntoDiagnostic, miette};
use schemars::JsonSchema;
use serde::Serialize;

use super::{Console, MachineArg, OutFolder, Verdict};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Pack a machine file into the image that a board reads

The image has a version, a CRC, and the SHA-256 of the machine file, so that a board can be asked which file it has. \
A board takes it whole or not at all: other versions, changed bytes, missing bytes and numbers that no machine can have \
are refused, and then nothing moves. With --rust the same bytes come as a Rust source file with one constant.";

/// `bellcrank pack MACHINE --out FILE`
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    machine: MachineArg,
    /// File for the image
    #[arg(long, value_name = "FILE", required = true)]
    out: PathBuf,
    /// File for the image as Rust source
    #[arg(long, value_name = "FILE")]
    rust: Option<PathBuf>,
}

/// What was packed.
#[derive(Debug, Serialize, JsonSchema)]
pub struct PackReport {
    machine: String,
    axes: Vec<String>,
    /// What a board must have that runs it.
    board: Vec<String>,
    bytes: usize,
    /// CRC-32 (ISO-HDLC) that the image carries.
    crc32: String,
    /// SHA-256 of the image.
    image_sha256: String,
    /// SHA-256 of the machine file, which the image carries too.
    file_sha256: String,
    image: String,
    rust: Option<String>,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let (machine, packed) = packed(&self.machine)?;
        let image = place(&self.out)?;
        let rust = self.rust.as_deref().map(place).transpose()?;
        let image = image.0.write(&image.1, &packed.bytes)?;
        let rust = rust
            .map(|(folder, name)| folder.write(&name, packed.rust().as_bytes()))
            .transpose()?;
        console.show(&report(&packed, &machine, &image, rust.as_deref()), text_of)?;
        console.caution();
        Ok(Verdict::Good)
    }
}

/// A machine, and packed, for whoever sends it to a board.
pub(super) fn packed(machine: &MachineArg) -> miette::Result<(Machine, Packed)> {
    let (file, text) = source(machine.name(), Path::new(""))?;
    let description = read(&file, &text)?;
    let machine = bellcrank_machine::build(&description).into_diagnostic()?;
    let packed = pack(&description, &text, &machine).ok_or_else(|| miette!("{file}: no image can be made of it"))?;
    Ok((machine, packed))
}

/// The folder and the name of a file that is to be written; the folder is tried out.
fn place(path: &Path) -> miette::Result<(OutFolder, String)> {
    let name = path.file_name().filter(|_| !path.is_dir());
    let name = name.ok_or_else(|| miette!("{}: found a folder, wanted the name of a file", path.display()))?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = OutFolder::open(folder.unwrap_or(Path::new(".")))?;
    Ok((folder, name.to_string_lossy().into_owned()))
}

fn report(packed: &Packed, machine: &Machine, image: &Path, rust: Option<&Path>) -> PackReport {
    PackReport {
        machine: packed.name.clone(),
        axes: packed.axes.clone(),
        board: wanted(machine, &packed.axes),
        bytes: packed.bytes.len(),
        crc32: format!("{:08x}", packed.crc),
        image_sha256: packed.digest.to_string(),
        file_sha256: packed.file.to_string(),
        image: image.display().to_string(),
        rust: rust.map(|path| path.display().to_string()),
    }
}

/// What a board must have, by what the machine file asks for; `bellcrank-hal` refuses a board that has it not.
fn wanted(machine: &Machine, names: &[String]) -> Vec<String> {
    let timing = machine.timing();
    let axes = machine.axes().zip(names);
    let axes = axes.map(|((_, axis), name)| format!("{name}: {}", of_axis(axis)));
    let ratiometric = |(_, axis): (_, &Axis)| {
        let twin = axis.twin.as_ref().map(|twin| twin.sensor.signal);
        matches!(axis.sensor.signal, Signal::Ratiometric { .. }) || matches!(twin, Some(Signal::Ratiometric { .. }))
    };
    let fed = machine
        .axes()
        .any(ratiometric)
        .then(|| "what feeds ratiometric sensors, read".to_owned());
    let supply = machine
        .control_supply()
        .map(|(low, high)| format!("control voltage, read: {low} to {high} V"));
    let feedback = timing
        .relay
        .is_some()
        .then(|| "feedback contact of each of the three relays".to_owned());
    let remote = machine.remote().is_some().then(|| "wireless station".to_owned());
    let key = machine
        .commissioning_speed()
        .is_some()
        .then(|| "key for commissioning".to_owned());
    let turn = format!(
        "a turn every {} ms, and a watchdog with a window around it",
        ms(timing.tick)
    );
    let always = [turn, "stop chain of two channels, reset button".to_owned()];
    always
        .into_iter()
        .chain(axes)
        .chain(fed)
        .chain(supply)
        .chain(feedback)
        .chain(remote)
        .chain(key)
        .collect()
}

fn ms(duration: Duration) -> f64 {
    f64::from(duration.as_ticks()) / 1e3
}

fn of_axis(axis: &Axis) -> String {
    let valve = match axis.channel {
        Channel::Pwm(pwm) => format!("valve by duty, {} % is neutral", 100.0 * pwm.neutral),
        Channel::Coils(coils) => format!("valve with two coils, {} and {} A", coils.full.out, coils.full.inward),
        Channel::Voltage(voltage) => format!("valve by voltage, {} V either way", voltage.full),
    };
    let by = |signal| match signal {
        Signal::Voltage => "by voltage".to_owned(),
        Signal::Ratiometric { .. } => "ratiometric".to_owned(),
        Signal::Current { shunt } => format!("by current over {} ohm", shunt.ohms()),
    };
    let sensor = by(axis.sensor.signal);
    let twin = axis
        .twin
        .as_ref()
        .map(|twin| format!(", second {}", by(twin.sensor.signal)));
    format!("{valve}; sensor {sensor}{}", twin.unwrap_or_default())
}

fn text_of(report: &PackReport) -> String {
    let rows = [
        ("machine", report.machine.clone()),
        ("axes", report.axes.len().to_string()),
        ("bytes", report.bytes.to_string()),
        ("CRC-32", report.crc32.clone()),
        ("image, SHA-256", report.image_sha256.clone()),
        ("machine file, SHA-256", report.file_sha256.clone()),
        ("written", report.image.clone()),
    ];
    let rust = report.rust.iter().map(|path| ("written as Rust", path.clone()));
    let lines = rows.into_iter().chain(rust);
    let written = lines.fold(String::new(), |text, (what, value)| {
        text + &format!("{what:22} {value}\n")
    });
    format!("{written}\nThe board needs\n  {}\n", report.board.join("\n  "))
}
