//! The record on disk: why the machine stood still, or that it did not, for the next start.
//!
//! It is written beside and put in place by a rename, so that what is found is the old one or the new one, whole. Its own checksum tells
//! the core whether that has worked.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use bellcrank_core::supervise::RECORD_LEN;
use tempfile::NamedTempFile;

/// The record that was kept. None where none was; one that is not whole comes as zeros, which the core takes for damaged.
///
/// # Errors
/// There is a file, and it cannot be read.
pub fn load(path: &Path) -> io::Result<Option<[u8; RECORD_LEN]>> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes.try_into().unwrap_or_default())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// Puts a file in the place of another, whole, and waits until the disk has it.
///
/// # Errors
/// The disk refuses it; the old one is then still there.
pub fn keep(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = folder(path);
    replaced(path, bytes, true)?;
    // The name is in the folder, which has to be on the disk too.
    File::open(folder)?.sync_all()
}

/// The same for what may be lost with the power.
///
/// # Errors
/// The disk refuses it.
pub fn show(path: &Path, bytes: &[u8]) -> io::Result<()> {
    replaced(path, bytes, false)
}

fn replaced(path: &Path, bytes: &[u8], sync: bool) -> io::Result<()> {
    let mut file = NamedTempFile::new_in(folder(path))?;
    file.write_all(bytes)?;
    if sync {
        file.as_file().sync_all()?;
    }
    file.persist(path)?;
    Ok(())
}

fn folder(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if folder != Path::new("") => folder,
        _ => Path::new("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_is_found_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("record");
        assert_eq!(load(&path).unwrap(), None);
        for number in 1..=3 {
            keep(&path, &[number; RECORD_LEN]).unwrap();
            assert_eq!(load(&path).unwrap(), Some([number; RECORD_LEN]));
        }
        assert_eq!(
            fs::read_dir(folder.path()).unwrap().count(),
            1,
            "nothing is left lying beside it"
        );
    }

    #[test]
    fn one_that_is_not_whole_is_damaged_and_not_none() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("record");
        fs::write(&path, [1, 2, 3]).unwrap();
        assert_eq!(load(&path).unwrap(), Some([0; RECORD_LEN]));
    }

    #[test]
    fn a_folder_that_is_not_there_is_an_error_and_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        assert!(keep(&folder.path().join("none/record"), &[0]).is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
