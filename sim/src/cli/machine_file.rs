//! The machine that a command is about: a built-in one by its name, or a file.

use bellcrank_machine::{BUILTIN, Description, builtin, load, read};
use miette::Diagnostic;

/// `MACHINE` on the command line.
#[derive(Debug, clap::Args)]
pub struct MachineArg {
    /// A machine file, or a built-in machine: "yard digger" or "drystone setter"
    #[arg(value_name = "MACHINE")]
    machine: String,
}

/// There is neither a file nor a built-in machine by that name.
#[derive(Debug, thiserror::Error, Diagnostic)]
#[error("found {found:?}, wanted a machine file or one of the built-in machines: {}", BUILTIN.join(", "))]
#[diagnostic(help("check the name, and the folder it is looked for in"))]
struct UnknownMachine {
    found: String,
}

impl MachineArg {
    /// Reads the machine. A built-in name may be written with blanks or hyphens, whatever files there are.
    ///
    /// # Errors
    /// No such machine, or all the mistakes in its file.
    pub fn load(&self) -> miette::Result<Description> {
        let name = self.machine.to_lowercase().replace([' ', '_'], "-");
        if let Some(text) = builtin(&name) {
            return Ok(read(&format!("built-in {name}"), text)?);
        }
        let looks_like_a_name = !self.machine.contains(['.', '/', '\\']);
        if looks_like_a_name && !std::path::Path::new(&self.machine).exists() {
            return Err(UnknownMachine {
                found: self.machine.clone(),
            }
            .into());
        }
        Ok(load(&self.machine)?)
    }
}
