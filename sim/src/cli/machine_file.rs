//! The machine that a command is about: a built-in one by its name, or a file.

use std::path::Path;

use bellcrank_machine::document::DocumentError;
use bellcrank_machine::{Description, find};

/// `MACHINE` on the command line.
#[derive(Debug, clap::Args)]
pub struct MachineArg {
    /// A machine file, or a built-in machine: "yard digger" or "drystone setter"
    #[arg(value_name = "MACHINE")]
    machine: String,
}

impl MachineArg {
    /// As it was typed.
    pub fn name(&self) -> &str {
        &self.machine
    }

    /// The file that was named, if it is one and no built-in machine.
    pub fn file(&self) -> Option<&Path> {
        let path = Path::new(&self.machine);
        path.is_file().then_some(path)
    }

    /// Reads the machine.
    ///
    /// # Errors
    /// No such machine, or all the mistakes in its file.
    pub fn load(&self) -> Result<Description, DocumentError> {
        find(&self.machine, Path::new(""))
    }
}
