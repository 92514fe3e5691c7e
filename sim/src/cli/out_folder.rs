//! The folder that results are written to. A file is there whole or not at all.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use miette::Diagnostic;

/// A folder that exists and can be written to.
#[derive(Debug)]
pub struct OutFolder(PathBuf);

/// A folder or a file in it cannot be written.
#[derive(Debug, thiserror::Error, Diagnostic)]
#[error("{}: found a place that cannot be written ({cause}), wanted one that can", path.display())]
#[diagnostic(help("choose another output folder with --out DIR"))]
pub struct OutFolderError {
    /// The folder or file.
    path: PathBuf,
    /// What the system said.
    #[source]
    cause: io::Error,
}

impl OutFolder {
    /// Makes the folder where it is not there, and tries it out with an empty file that is taken away again.
    ///
    /// # Errors
    /// It cannot be made, or nothing can be written to it.
    pub fn open(path: &Path) -> Result<OutFolder, OutFolderError> {
        let trial = path.join(part_of("trial"));
        fs::create_dir_all(path)
            .and_then(|()| File::create(&trial))
            .and_then(|_| fs::remove_file(&trial))
            .map_err(|cause| OutFolderError {
                path: path.to_path_buf(),
                cause,
            })?;
        Ok(OutFolder(path.to_path_buf()))
    }

    /// Where a file of that name is, or would be.
    pub fn path(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }

    /// Writes a file whole: under another name first, renamed when all of it is on disk.
    ///
    /// # Errors
    /// It cannot be written. What was there by that name before is still there then.
    pub fn write(&self, name: &str, contents: &[u8]) -> Result<PathBuf, OutFolderError> {
        self.stream(name, |file| file.write_all(contents).map_err(Streamed::Io))
    }

    /// The same for a file that is too long to be held in memory: `fill` writes it piece by piece.
    ///
    /// # Errors
    /// It cannot be written, or `fill` fails. What was there by that name before is still there then.
    pub fn stream<E: From<OutFolderError>>(
        &self,
        name: &str,
        fill: impl FnOnce(&mut BufWriter<File>) -> Result<(), Streamed<E>>,
    ) -> Result<PathBuf, E> {
        let (path, part) = (self.0.join(name), self.0.join(part_of(name)));
        let written = File::create(&part).map_err(Streamed::Io).and_then(|file| {
            let mut file = BufWriter::new(file);
            fill(&mut file)?;
            let file = file.into_inner().map_err(|error| Streamed::Io(error.into_error()))?;
            file.sync_all()
                .and_then(|()| fs::rename(&part, &path))
                .map_err(Streamed::Io)
        });
        let Err(failed) = written else { return Ok(path) };
        // Best effort: the first error is the one worth telling.
        let _ = fs::remove_file(&part);
        Err(match failed {
            Streamed::Io(cause) => OutFolderError { path, cause }.into(),
            Streamed::Other(error) => error,
        })
    }
}

/// Why a file that is written piece by piece is not finished.
#[derive(Debug)]
pub enum Streamed<E> {
    /// The system refuses it.
    Io(io::Error),
    /// There is something wrong with what was to be written.
    Other(E),
}

/// A name of a machine, arm or scenario as the name of a file.
pub fn file_stem(name: &str) -> String {
    name.chars()
        .map(|c| {
            if c.is_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .collect()
}

/// The name of a file while it is being written: hidden, and this process's own.
fn part_of(name: &str) -> String {
    format!(".{name}.{}.part", std::process::id())
}
