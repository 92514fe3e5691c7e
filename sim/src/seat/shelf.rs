//! Where a seat's files go: recordings and tuned machines into the output folder, under names that were free; and, only where somebody says so, the
//! figures back into the machine file that was given on the command line.

use std::path::{Path, PathBuf};
use std::sync::Mutex;

use super::hub::Tape;
use crate::cli::{OutFolder, file_stem};
use crate::scenario;

/// Files of one kind that are looked past for a free name.
const NAMES: usize = 10_000;

/// The places that files may go to.
pub struct Shelf {
    out: OutFolder,
    machine: String,
    given: Option<Mutex<Given>>,
}

/// The machine file that was given, and what it held when it was last read or written.
struct Given {
    path: PathBuf,
    text: String,
}

impl Shelf {
    /// Files of the machine of that name go to `out`; `given` is its file, with the text that it had.
    pub fn new(out: OutFolder, machine: &str, given: Option<(PathBuf, String)>) -> Self {
        Self {
            out,
            machine: machine.to_string(),
            given: given.map(|(path, text)| Mutex::new(Given { path, text })),
        }
    }

    /// Writes a recording, and beside it the machine where that has figures that no file has. What to do with it then, in words.
    ///
    /// # Errors
    /// In words, too.
    pub fn save(&self, tape: &Tape) -> Result<String, String> {
        let stem = self.free("seat", ".toml")?;
        let mut recorded = tape.recording.scenario.clone();
        recorded.name.clone_from(&stem);
        let machine = if tape.tuned {
            let name = format!("{stem}-machine.toml");
            self.put(&name, &tape.text)?;
            name
        } else {
            recorded.machine_file.clone()
        };
        let path = self.put(&format!("{stem}.toml"), &scenario::toml(&recorded, &machine))?;
        Ok(format!(
            "written to {path}; `bellcrank rehearse {path} --seed {}` gives digest {:016x}",
            tape.seed, tape.recording.digest
        ))
    }

    /// Writes a machine file: into the one that was given, or a new one.
    ///
    /// # Errors
    /// In words: there is none that was given, somebody else has changed it since, or it cannot be written.
    pub fn write(&self, text: &str, given: bool) -> Result<String, String> {
        if !given {
            let stem = self.free(&file_stem(&self.machine), ".toml")?;
            let path = self.put(&format!("{stem}.toml"), text)?;
            return Ok(format!("written to {path}"));
        }
        let given = self
            .given
            .as_ref()
            .ok_or("this machine is built in: it has no file to write to")?;
        let mut given = given.lock().map_err(|why| why.to_string())?;
        let there = std::fs::read_to_string(&given.path).map_err(|why| why.to_string())?;
        if there != given.text {
            return Err(format!(
                "{}: changed by somebody else meanwhile: not written",
                given.path.display()
            ));
        }
        let folder = given.path.parent().filter(|folder| !folder.as_os_str().is_empty());
        let folder = OutFolder::open(folder.unwrap_or(Path::new("."))).map_err(|why| why.to_string())?;
        let name = given.path.file_name().map(|name| name.to_string_lossy().into_owned());
        let name = name.ok_or("the file has no name")?;
        folder.write(&name, text.as_bytes()).map_err(|why| why.to_string())?;
        given.text = text.to_string();
        Ok(format!("written to {}", given.path.display()))
    }

    fn put(&self, name: &str, text: &str) -> Result<String, String> {
        let path = self.out.write(name, text.as_bytes()).map_err(|why| why.to_string())?;
        Ok(path.display().to_string())
    }

    /// A stem and a number that no file has.
    fn free(&self, stem: &str, ending: &str) -> Result<String, String> {
        let names = (1..NAMES).map(|number| format!("{stem}-{number}"));
        let free = |name: &String| !self.out.path(&format!("{name}{ending}")).exists();
        names
            .into_iter()
            .find(free)
            .ok_or_else(|| format!("no free name for {stem}"))
    }
}
