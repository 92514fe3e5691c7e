//! Asking before a machine file is changed.

use std::io::{self, BufRead, IsTerminal, Write};
use std::path::PathBuf;

use super::Console;
use crate::revise::{ReviseError, Revised, Revision};

/// `--write`, `--axis` and `--yes`: which machine file is to be changed, where, and whether to ask.
#[derive(Debug, Clone, clap::Args)]
pub struct WriteArgs {
    /// Propose the block for an axis of this machine file, and write it there on consent
    #[arg(long, value_name = "MACHINE.toml", requires = "axis")]
    pub write: Option<PathBuf>,
    /// Write without asking
    #[arg(long, requires = "write")]
    pub yes: bool,
}

/// Writes a change if whoever is asked says yes, and tells what came of it. Nobody is asked where nobody could answer.
///
/// # Errors
/// It cannot be written.
pub fn settle(console: &Console, revised: Revised, yes: bool) -> Result<(Revision, String), ReviseError> {
    let revision = revised.revision().clone();
    if revised.is_idle() {
        return Ok((revision, "The machine file says so already.".to_owned()));
    }
    let can_ask = !console.json() && io::stdin().is_terminal() && io::stderr().is_terminal();
    if yes || (can_ask && agreed(&revision)) {
        let revision = revised.write()?;
        let told = format!(
            "Written to {}; what was there is kept beside it as a comment.",
            revision.file
        );
        return Ok((revision, told));
    }
    let told = if can_ask {
        "Nothing was written.".to_owned()
    } else {
        "Nothing was written: with --yes it would have been.".to_owned()
    };
    Ok((revision, told))
}

fn agreed(revision: &Revision) -> bool {
    let mut stderr = io::stderr().lock();
    let asked = write!(
        stderr,
        "\nChange {} of axis {:?} in {}? [y/N] ",
        revision.key, revision.axis, revision.file
    );
    let mut answer = String::new();
    let answered = asked
        .and_then(|()| stderr.flush())
        .and_then(|()| io::stdin().lock().read_line(&mut answer));
    answered.is_ok() && matches!(answer.trim(), "y" | "yes" | "Y" | "Yes")
}
