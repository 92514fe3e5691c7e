//! Packages of Debian's that a check needs, installed if that may be done.

use std::process::Command;

use miette::{Result, bail};

use crate::steps::{as_typed, run};

/// Installs packages, as root only.
///
/// # Errors
///
/// Not root, or it did not work. `instead` says what to do by hand.
pub fn install(packages: &[&str], instead: &str) -> Result<()> {
    let mut install = Command::new("apt-get");
    install
        .args(["install", "-qq", "-y", "--no-install-recommends"])
        .args(packages);
    let as_root = Command::new("id")
        .arg("-u")
        .output()
        .is_ok_and(|output| output.stdout == b"0\n");
    if !as_root {
        bail!("{instead}, or as root on Debian `{}`", as_typed(&install));
    }
    run(Command::new("apt-get").args(["update", "-qq"]))?;
    run(install.env("DEBIAN_FRONTEND", "noninteractive"))
}
