//! Campaigns over a cluster: the tests that need a Slurm and GNU parallel, and these programs.

use std::process::Command;

use miette::Result;

use crate::debian;
use crate::steps::{cargo, run};

/// The programs, each with Debian's package of it.
const PROGRAMS: [(&str, &str); 5] = [
    ("slurmctld", "slurmctld"),
    ("slurmd", "slurmd"),
    ("sbatch", "slurm-client"),
    ("munged", "munge"),
    ("parallel", "parallel"),
];

/// Installs what is missing, if it may, and runs the tests.
///
/// # Errors
///
/// A program is missing and cannot be installed, or a test fails.
pub fn check() -> Result<()> {
    let missing = PROGRAMS.iter().filter(|(program, _)| !is_there(program));
    let (programs, packages): (Vec<&str>, Vec<&str>) = missing.copied().unzip();
    if !packages.is_empty() {
        debian::install(&packages, &format!("missing: {}. Install it", programs.join(", ")))?;
    }
    run(cargo("test").args([
        "--package",
        "bellcrank-tests",
        "cluster::",
        "--",
        "--ignored",
        "--test-threads",
        "1",
    ]))
}

/// Daemons are not always in the path of who is not root.
fn is_there(program: &str) -> bool {
    let look = format!("PATH=\"$PATH:/usr/sbin\" command -v {program}");
    Command::new("sh")
        .args(["-c", &look])
        .output()
        .is_ok_and(|output| output.status.success())
}
