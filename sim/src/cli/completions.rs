//! `bellcrank completions`: what a shell needs to complete this command.

use clap::CommandFactory;
use clap_complete::Shell;

use super::{Cli, Console, Verdict};

/// `bellcrank completions SHELL`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The shell
    shell: Shell,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let mut script = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "bellcrank", &mut script);
        console.print(&String::from_utf8_lossy(&script))?;
        Ok(Verdict::Good)
    }
}
