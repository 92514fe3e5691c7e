//! What the core is tried on beside this computer: the firmware with the emulator that runs it, and the core as a program, built for
//! release here and for another kind of processor.

use std::process::Command;

use miette::Result;

use crate::bare_metal::{Compiler, add_target, use_debians, with_linker};
use crate::debian;
use crate::steps::{cargo, root, run};

/// The folder with the firmware's workspace: its settings count only for what is started there.
pub const FOLDER: &str = "crates/firmware";

/// What decodes the firmware's log, a workspace of its own for this computer.
pub const LOG: &str = "crates/firmware/log/Cargo.toml";

/// Another kind of processor.
const FOREIGN: &str = "aarch64-unknown-linux-musl";
/// The same as Debian's compiler has it.
const FOREIGN_OF_DEBIAN: &str = "aarch64-unknown-linux-gnu";

/// Builds all of it, and installs the emulators where they are missing.
///
/// # Errors
///
/// It does not build, or something is missing that may not be installed: says what.
pub fn build(compiler: &Compiler) -> Result<()> {
    compiler.build_in(&root().join(FOLDER), &root().join("target/firmware"))?;
    run(cargo("build").args(["--release", "--manifest-path", LOG, "--target-dir", "target/firmware"]))?;
    run(&mut served("build"))?;
    build_foreign()?;
    println!("built: target/firmware/thumbv7em-none-eabihf/release/{{pipe,serial,costs}} and served, a program, twice");
    for (program, package) in [
        ("qemu-system-arm", "qemu-system-arm"),
        ("qemu-aarch64-static", "qemu-user-static"),
    ] {
        if Command::new(program).arg("--version").output().is_err() {
            debian::install(
                &[package],
                &format!("missing: {program}, which runs what was built. Install it"),
            )?;
        }
    }
    Ok(())
}

/// The core as a program.
fn served(subcommand: &str) -> Command {
    let mut command = cargo(subcommand);
    command.args([
        "--release",
        "--package",
        "bellcrank-hal",
        "--features",
        "exchange",
        "--example",
        "served",
    ]);
    command
}

fn build_foreign() -> Result<()> {
    let mut command = served("build");
    command.args(["--target-dir", "target/foreign", "--target"]);
    if add_target(FOREIGN) {
        // Its libraries come with it; what is missing is a linker, which the compiler brings as well.
        command
            .arg(FOREIGN)
            .env("CARGO_TARGET_AARCH64_UNKNOWN_LINUX_MUSL_LINKER", "rust-lld");
        with_linker(&mut command)?;
    } else {
        let instead = format!("missing: {FOREIGN}. Run `rustup target add {FOREIGN}`");
        let packages = [
            "rustc-web",
            "rust-web-src",
            "gcc-aarch64-linux-gnu",
            "libc6-dev-arm64-cross",
        ];
        debian::install(&packages, &instead)?;
        command
            .args([FOREIGN_OF_DEBIAN, "-Zbuild-std=std,panic_abort"])
            .env("CARGO_TARGET_AARCH64_UNKNOWN_LINUX_GNU_LINKER", "aarch64-linux-gnu-gcc");
        use_debians(&mut command)?;
    }
    run(&mut command)
}
