//! `bellcrank pack`: a machine file as an image for a board.

use std::path::{Path, PathBuf};

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
        let (file, text) = source(self.machine.name(), Path::new(""))?;
        let description = read(&file, &text)?;
        let machine = bellcrank_machine::build(&description).into_diagnostic()?;
        let packed =
            pack(&description, &text, &machine).ok_or_else(|| miette!("{file}: no image can be made of it"))?;
        let image = place(&self.out)?;
        let rust = self.rust.as_deref().map(place).transpose()?;
        let image = image.0.write(&image.1, &packed.bytes)?;
        let rust = rust
            .map(|(folder, name)| folder.write(&name, packed.rust().as_bytes()))
            .transpose()?;
        console.show(&report(&packed, &image, rust.as_deref()), text_of)?;
        console.caution();
        Ok(Verdict::Good)
    }
}

/// The folder and the name of a file that is to be written; the folder is tried out.
fn place(path: &Path) -> miette::Result<(OutFolder, String)> {
    let name = path.file_name().filter(|_| !path.is_dir());
    let name = name.ok_or_else(|| miette!("{}: found a folder, wanted the name of a file", path.display()))?;
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = OutFolder::open(folder.unwrap_or(Path::new(".")))?;
    Ok((folder, name.to_string_lossy().into_owned()))
}

fn report(packed: &Packed, image: &Path, rust: Option<&Path>) -> PackReport {
    PackReport {
        machine: packed.name.clone(),
        axes: packed.axes.clone(),
        bytes: packed.bytes.len(),
        crc32: format!("{:08x}", packed.crc),
        image_sha256: packed.digest.to_string(),
        file_sha256: packed.file.to_string(),
        image: image.display().to_string(),
        rust: rust.map(|path| path.display().to_string()),
    }
}

fn text_of(report: &PackReport) -> String {
    let rows = [
        ("machine", report.machine.clone()),
        ("axes", format!("{}: {}", report.axes.len(), report.axes.join(", "))),
        ("bytes", report.bytes.to_string()),
        ("CRC-32", report.crc32.clone()),
        ("image, SHA-256", report.image_sha256.clone()),
        ("machine file, SHA-256", report.file_sha256.clone()),
        ("written", report.image.clone()),
    ];
    let rust = report.rust.iter().map(|path| ("written as Rust", path.clone()));
    let lines = rows.into_iter().chain(rust);
    lines.fold(String::new(), |text, (what, value)| {
        text + &format!("{what:22} {value}\n")
    })
}
