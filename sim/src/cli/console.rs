//! What a command says, and where: results on standard output, cautions and errors on standard error.

use std::io::{self, Write};
use std::path::PathBuf;

use miette::{Diagnostic, IntoDiagnostic, MietteHandlerOpts, WrapErr};
use serde::Serialize;

use super::out_folder::{OutFolder, OutFolderError};

/// Said once wherever a verdict, a pressure or a motion is shown.
const CAUTION: &str = "\
Caution: all of this is computed, nothing is measured. It makes no machine safe and certifies none:
a competent person does that, under the local rules. Oil under pressure goes through skin, and stays
under pressure when the engine stops; trapped oil can let a load drop. First motion: low flow, one
axis, nobody in reach.";

/// Widest line of an error's excerpt, characters.
const WIDTH: usize = 100;

/// Columns of the terminal: what is written to, or else `COLUMNS`, or else a width that prints well.
pub fn terminal_width() -> usize {
    let asked = || std::env::var("COLUMNS").ok()?.parse().ok();
    terminal_size::terminal_size()
        .map(|(width, _)| usize::from(width.0))
        .or_else(asked)
        .unwrap_or(WIDTH)
}

/// What every command is handed.
#[derive(Debug)]
pub struct Console {
    out: PathBuf,
    json: bool,
}

impl Console {
    /// Files go to `out`; `json` asks for one JSON document on standard output.
    pub fn new(out: PathBuf, json: bool) -> Console {
        Console { out, json }
    }

    /// One JSON document is wanted.
    pub fn is_json(&self) -> bool {
        self.json
    }

    /// Opens the folder for files. To be called before any work starts.
    ///
    /// # Errors
    /// It cannot be made, or nothing can be written to it.
    pub fn open_out(&self) -> Result<OutFolder, OutFolderError> {
        OutFolder::open(&self.out)
    }

    /// Prints a text.
    ///
    /// # Errors
    /// Standard output refuses it. That nobody reads on (`| head`) is no error.
    pub fn print(&self, text: &str) -> miette::Result<()> {
        let mut stdout = io::stdout().lock();
        let written = stdout.write_all(text.as_bytes()).and_then(|()| {
            let newline: &[u8] = if text.ends_with('\n') { b"" } else { b"\n" };
            stdout.write_all(newline)?;
            stdout.flush()
        });
        match written {
            Err(cause) if cause.kind() != io::ErrorKind::BrokenPipe => Err(cause)
                .into_diagnostic()
                .wrap_err("standard output cannot be written"),
            _ => Ok(()),
        }
    }

    /// Prints a result: as JSON if that is wanted, else what `text` makes of it.
    ///
    /// # Errors
    /// As [`Console::print`].
    pub fn show<T: Serialize>(&self, result: &T, text: impl FnOnce(&T) -> String) -> miette::Result<()> {
        if self.json {
            self.print(&serde_json::to_string_pretty(result).into_diagnostic()?)
        } else {
            self.print(&text(result))
        }
    }

    /// Repeats the cautions, for the commands that show a verdict, a pressure or a motion.
    pub fn caution(&self) {
        remark(&format!("\n{CAUTION}"));
    }

    /// Prints an error with the place it is at, without colour where the terminal or `NO_COLOR` says so.
    pub fn explain(&self, error: &dyn Diagnostic) {
        let handler = MietteHandlerOpts::new()
            .width(WIDTH)
            .wrap_lines(false)
            .break_words(false)
            .build();
        remark(&format!("{:?}", Explained { error, handler }));
    }
}

/// Says something beside the result. There is nobody left to tell if standard error refuses it.
fn remark(text: &str) {
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// An error as its handler prints it.
struct Explained<'e> {
    error: &'e dyn Diagnostic,
    handler: miette::MietteHandler,
}

impl std::fmt::Debug for Explained<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        miette::ReportHandler::debug(&self.handler, self.error, f)
    }
}
