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

/// Writes changes if whoever is asked says yes, or has said so by `flag`, and tells what came of it. Nobody is asked where nobody could answer.
///
/// # Errors
/// They cannot be written.
pub fn settle(
    console: &Console,
    revised: Revised,
    (flag, yes): (&str, bool),
) -> Result<(Vec<Revision>, String), ReviseError> {
    let revisions = revised.revisions().to_vec();
    if revised.is_idle() {
        return Ok((revisions, "The machine file says so already.".to_owned()));
    }
    let can_ask = !console.json() && io::stdin().is_terminal() && io::stderr().is_terminal();
    if yes || (can_ask && agreed(&revisions)) {
        let revisions = revised.write()?;
        let told = format!(
            "Written to {}; what was there is kept beside it as a comment.",
            revisions[0].file
        );
        return Ok((revisions, told));
    }
    let told = if can_ask {
        "Nothing was written.".to_owned()
    } else {
        format!("Nothing was written: with {flag} it would have been.")
    };
    Ok((revisions, told))
}

fn agreed(revisions: &[Revision]) -> bool {
    let Some(first) = revisions.first() else {
        return false;
    };
    let axes: Vec<String> = revisions
        .iter()
        .map(|revision| format!("{:?}", revision.axis))
        .collect();
    let mut stderr = io::stderr().lock();
    let asked = write!(
        stderr,
        "\nChange {} of {} {} in {}? [y/N] ",
        first.key,
        if axes.len() == 1 { "axis" } else { "axes" },
        axes.join(", "),
        first.file
    );
    let mut answer = String::new();
    let answered = asked
        .and_then(|()| stderr.flush())
        .and_then(|()| io::stdin().lock().read_line(&mut answer));
    answered.is_ok() && is_yes(&answer)
}

/// Only a plain yes is one: an empty line, the end of the input and anything else are none.
fn is_yes(answer: &str) -> bool {
    matches!(answer.trim(), "y" | "yes" | "Y" | "Yes")
}

#[cfg(test)]
mod tests {
    use super::is_yes;

    #[test]
    fn only_a_plain_yes_is_one() {
        assert!(["y\n", "yes\n", "Y\r\n", "  Yes \n"].into_iter().all(is_yes));
        assert!(
            !["", "\n", "n\n", "no\n", "yes please\n", "yy\n", "ye\n", "\u{4}"]
                .into_iter()
                .any(is_yes)
        );
    }
}
