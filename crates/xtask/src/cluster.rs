//! The programs that the tests of campaigns over a cluster need: Slurm and GNU parallel.

use std::process::Command;

use miette::Result;

use crate::debian;

/// The programs, each with Debian's package of it.
const PROGRAMS: [(&str, &str); 5] = [
    ("slurmctld", "slurmctld"),
    ("slurmd", "slurmd"),
    ("sbatch", "slurm-client"),
    ("munged", "munge"),
    ("parallel", "parallel"),
];

/// Installs what is missing, if it may.
///
/// # Errors
///
/// A program is missing and cannot be installed; says which.
pub fn install() -> Result<()> {
    let missing = PROGRAMS.iter().filter(|(program, _)| !is_there(program));
    let (programs, packages): (Vec<&str>, Vec<&str>) = missing.copied().unzip();
    if packages.is_empty() {
        return Ok(());
    }
    debian::install(&packages, &format!("missing: {}. Install it", programs.join(", ")))
}

/// Daemons are not always in the path of who is not root.
fn is_there(program: &str) -> bool {
    let look = format!("PATH=\"$PATH:/usr/sbin\" command -v {program}");
    Command::new("sh")
        .args(["-c", &look])
        .output()
        .is_ok_and(|output| output.status.success())
}
