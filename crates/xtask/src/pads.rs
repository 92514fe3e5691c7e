//! The part of `bellcrank-linux` that is only built where it is asked for: pads, for which it needs libudev.

use std::process::Command;

use miette::Result;

use crate::debian;
use crate::steps::{cargo, run};

/// Builds, lints and tests it, and installs what that needs, if it may. No pad has to be there.
///
/// # Errors
///
/// Something is missing and cannot be installed, or it does not hold.
pub fn check() -> Result<()> {
    let there = Command::new("pkg-config").args(["--exists", "libudev"]).status();
    if !there.is_ok_and(|status| status.success()) {
        let instead = "missing: libudev for pkg-config. Install the development files of udev";
        debian::install(&["libudev-dev", "pkg-config"], instead)?;
    }
    let with_pads = ["--package", "bellcrank-linux", "--features", "pads"];
    run(cargo("clippy")
        .args(with_pads)
        .args(["--all-targets", "--", "--deny", "warnings"]))?;
    run(cargo("test").args(with_pads).arg("pads::"))
}
