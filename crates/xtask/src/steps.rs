//! Commands run one after another, each named and timed, with a table of the times at the end.

use std::{
    env,
    path::{Path, PathBuf},
    process::Command,
    time::{Duration, Instant},
};

use miette::{IntoDiagnostic, Result, WrapErr, bail};

/// The steps that ran, with the time each took.
#[derive(Default)]
pub struct Steps {
    done: Vec<(String, Duration, &'static str)>,
}

impl Steps {
    /// Prints the name, does the work, notes the time.
    ///
    /// # Errors
    ///
    /// What the work failed with, under the name of the step.
    pub fn step(&mut self, name: &str, work: impl FnOnce() -> Result<()>) -> Result<()> {
        self.step_with(name, work)
    }

    /// The same for work that finds something out.
    ///
    /// # Errors
    ///
    /// What the work failed with, under the name of the step.
    pub fn step_with<T>(&mut self, name: &str, work: impl FnOnce() -> Result<T>) -> Result<T> {
        println!("\n== {name}");
        let start = Instant::now();
        let outcome = work().wrap_err_with(|| format!("step `{name}` failed"));
        let took = start.elapsed();
        println!("== {name}: {:.1} s", took.as_secs_f64());
        let verdict = if outcome.is_ok() { "" } else { "  failed" };
        self.done.push((name.to_owned(), took, verdict));
        outcome
    }

    /// Prints the steps that ran and their seconds.
    pub fn print_table(&self) {
        let width = self.done.iter().map(|(name, ..)| name.len()).max().unwrap_or(0);
        let total: Duration = self.done.iter().map(|(_, took, _)| *took).sum();
        println!("\n{:width$}  seconds", "step");
        for (name, took, verdict) in &self.done {
            println!("{name:width$}  {:7.1}{verdict}", took.as_secs_f64());
        }
        println!("{:width$}  {:7.1}", "all", total.as_secs_f64());
    }
}

/// The repository's root, wherever the command was given.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A cargo command at the root, with the cargo that runs this.
pub fn cargo(subcommand: &str) -> Command {
    let mut command = Command::new(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    command.arg(subcommand).current_dir(root());
    command
}

/// Runs a command to its end, its output going where ours goes.
///
/// # Errors
///
/// The program is not there, or it ended with anything but success.
pub fn run(command: &mut Command) -> Result<()> {
    let status = command
        .status()
        .into_diagnostic()
        .wrap_err_with(|| format!("cannot start `{}`: is it installed?", as_typed(command)))?;
    if !status.success() {
        bail!("`{}` ended with {status}", as_typed(command));
    }
    Ok(())
}

/// The command as one would type it, program by its bare name.
pub fn as_typed(command: &Command) -> String {
    let program = Path::new(command.get_program()).file_name().unwrap_or_default();
    let words = [program].into_iter().chain(command.get_args());
    words.map(|word| word.to_string_lossy()).collect::<Vec<_>>().join(" ")
}
