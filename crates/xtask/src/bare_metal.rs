//! Core, link and hal for a Cortex-M4F: that they build, that they link without a panic handler, that they need no software `f64`.
//!
//! The target's `core` library comes from rustup. Where rustup has none (no toolchain of rustup's, or no way to its
//! server), Debian's `rustc-web` with `rust-web-src` builds it from source; that compiler is named in the environment of
//! these commands alone, so that a build for the host never sees it. Either way the results have a folder of their own.

use std::{
    env,
    ffi::OsString,
    fs,
    path::{Path, PathBuf},
    process::Command,
};

use miette::{IntoDiagnostic, Result, WrapErr, bail};

use crate::steps::{as_typed, cargo, root, run};
use crate::{debian, panic_path};

/// The manifest of the image that links only while nothing can panic.
pub const NO_PANIC: &str = "tests/no-panic/Cargo.toml";

/// Its feature with a panic on purpose.
const PLANTED: &str = "planted-panic";

const TARGET: &str = "thumbv7em-none-eabihf";
const TARGET_FOLDER: &str = "target/bare-metal";
const DEBIAN_PACKAGES: [&str; 2] = ["rustc-web", "rust-web-src"];
const DEBIAN_RUSTC: &str = "/usr/bin/rustc";

/// Who compiles for the microcontroller.
pub enum Compiler {
    /// The compiler at hand, for which rustup has the target.
    Rustup,
    /// Debian's compiler, the library's source, and the linker out of the compiler at hand.
    Debian { linker_folder: PathBuf },
}

impl Compiler {
    /// Installs what is missing, if it may.
    ///
    /// # Errors
    ///
    /// Neither way is open; says what to install.
    pub fn find() -> Result<Self> {
        if add_target(TARGET) {
            println!("{TARGET} from rustup");
            return Ok(Compiler::Rustup);
        }
        println!("no {TARGET} from rustup; trying Debian's compiler");
        if !debian_packages_are_installed() {
            let instead = format!("missing: {TARGET}. Run `rustup target add {TARGET}`");
            debian::install(&DEBIAN_PACKAGES, &instead)?;
        }
        Ok(Compiler::Debian {
            linker_folder: linker_folder()?,
        })
    }

    /// Builds core, link and hal as a microcontroller gets them.
    ///
    /// # Errors
    ///
    /// One does not build.
    pub fn build_core(&self) -> Result<()> {
        for package in ["bellcrank-core", "bellcrank-link", "bellcrank-hal"] {
            run(self.build().args(["--package", package, "--no-default-features"]))?;
        }
        Ok(())
    }

    /// Builds a workspace of its own, all of it, with the settings that stand in its folder.
    ///
    /// # Errors
    ///
    /// It does not build.
    pub fn build_in(&self, folder: &Path, target_folder: &Path) -> Result<()> {
        let mut command = self.cargo_to("build", target_folder);
        run(command.current_dir(folder))
    }

    /// Links core, link and hal without a panic handler, and sees to it that a panic would have been noticed.
    ///
    /// # Errors
    ///
    /// Something reachable can panic, or a planted panic goes unnoticed, or `f64` arithmetic is linked in.
    pub fn link_without_panic(&self) -> Result<()> {
        let mut planted = self.build();
        planted.args(["--manifest-path", NO_PANIC, "--features", PLANTED]);
        let output = planted.output().into_diagnostic()?;
        if output.status.success() {
            bail!("`{}` should have failed to link, for its panic", as_typed(&planted));
        }
        let who = self.who_can_panic(&[PLANTED])?;
        if !who.contains("planted, ") {
            bail!("a planted panic should have been found in `planted`; found was\n{who}");
        }
        println!("a planted panic does not link, as it should, and is found:\n{who}");

        let mut image = self.build();
        if run(image.args(["--manifest-path", NO_PANIC])).is_err() {
            let who = self
                .who_can_panic(&[])
                .wrap_err("it does not link, but for another reason than a panic")?;
            bail!("something that tests/no-panic/main.rs calls can panic:\n{who}");
        }

        let image = no_panic_image();
        let image = fs::read(&image)
            .into_diagnostic()
            .wrap_err_with(|| image.display().to_string())?;
        if let Some(name) = double_precision_helper(&image) {
            bail!("the core calls `{name}`: `f64` arithmetic, which a Cortex-M4F does in software");
        }
        Ok(())
    }

    /// Where the image that may panic can.
    ///
    /// # Errors
    ///
    /// It does not link either, or cannot panic.
    fn who_can_panic(&self, features: &[&str]) -> Result<String> {
        let mut allowed = self.cargo("rustc");
        allowed
            .args(["--manifest-path", NO_PANIC, "--features", "panics-allowed"])
            .args(features.iter().flat_map(|feature| ["--features", feature]))
            .args(["--", "-C", "link-arg=--emit-relocs", "-C", "strip=none"]);
        run(&mut allowed)?;
        panic_path::told(&no_panic_image())
    }

    /// `cargo build` for the target, in release: only optimised code shows that it cannot panic.
    fn build(&self) -> Command {
        self.cargo("build")
    }

    fn cargo(&self, subcommand: &str) -> Command {
        self.cargo_to(subcommand, Path::new(TARGET_FOLDER))
    }

    fn cargo_to(&self, subcommand: &str, target_folder: &Path) -> Command {
        let mut command = cargo(subcommand);
        command
            .args(["--release", "--target", TARGET, "--target-dir"])
            .arg(target_folder);
        if let Compiler::Debian { linker_folder } = self {
            command.arg("-Zbuild-std=core");
            debians(&mut command, linker_folder);
        }
        command
    }
}

/// Has rustup add a target. One try: without a way to its server, that is known soon.
pub fn add_target(target: &str) -> bool {
    let mut add = Command::new("rustup");
    add.args(["target", "add", target]).env("RUSTUP_MAX_RETRIES", "0");
    run(&mut add).is_ok()
}

/// Has a cargo command use Debian's compiler.
///
/// # Errors
///
/// There is no `rust-lld` in the compiler at hand.
pub fn use_debians(command: &mut Command) -> Result<()> {
    debians(command, &linker_folder()?);
    Ok(())
}

/// Has a cargo command find `rust-lld`.
///
/// # Errors
///
/// There is none in the compiler at hand.
pub fn with_linker(command: &mut Command) -> Result<()> {
    command.env("PATH", path_with(&linker_folder()?));
    Ok(())
}

fn debians(command: &mut Command, linker_folder: &Path) {
    command
        .env("RUSTC", DEBIAN_RUSTC)
        .env("RUSTC_BOOTSTRAP", "1")
        .env("PATH", path_with(linker_folder));
}

fn path_with(folder: &Path) -> OsString {
    let path = env::var_os("PATH").unwrap_or_default();
    let folders = env::split_paths(&path).chain([folder.to_path_buf()]);
    env::join_paths(folders).expect("what was split can be joined")
}

fn no_panic_image() -> PathBuf {
    root().join(TARGET_FOLDER).join(TARGET).join("release/no-panic")
}

fn debian_packages_are_installed() -> bool {
    let mut query = Command::new("dpkg");
    query.arg("--status").args(DEBIAN_PACKAGES);
    query.output().is_ok_and(|output| output.status.success())
}

/// Where the compiler at hand keeps `rust-lld`, which Debian's lacks.
fn linker_folder() -> Result<PathBuf> {
    let output = Command::new("rustc")
        .args(["--print", "target-libdir"])
        .output()
        .into_diagnostic()?;
    let library = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    let folder = Path::new(&library).with_file_name("bin");
    if !folder.join("rust-lld").exists() {
        bail!("missing: `rust-lld`, expected in {}", folder.display());
    }
    Ok(folder)
}

/// The name of a function that does `f64` arithmetic in software, if one is among the image's symbols.
fn double_precision_helper(image: &[u8]) -> Option<&'static str> {
    const HELPERS: [&str; 6] = [
        "__aeabi_dadd",
        "__aeabi_dsub",
        "__aeabi_dmul",
        "__aeabi_ddiv",
        "__aeabi_d2f",
        "__aeabi_f2d",
    ];
    HELPERS
        .into_iter()
        .find(|name| image.windows(name.len()).any(|window| window == name.as_bytes()))
}
