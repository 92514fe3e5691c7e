//! A file from disk into memory, with a clear word where that cannot be done.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use miette::Diagnostic;

/// Largest file that is read unless a limit is given, bytes. A machine file has some ten thousand.
pub const FILE_MAX: u64 = 1_000_000;

/// Why a file could not be read.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum FileError {
    /// There is nothing by that name.
    #[error("{}: no such file", .0.display())]
    #[diagnostic(help("check the name, and the folder it is looked for in"))]
    Missing(PathBuf),
    /// The name is that of a folder.
    #[error("{}: a folder, not a file", .0.display())]
    #[diagnostic(help("name a TOML file inside it"))]
    Folder(PathBuf),
    /// A device, a pipe or the like.
    #[error("{}: not a regular file", .0.display())]
    #[diagnostic(help("name a TOML file on disk"))]
    NotRegular(PathBuf),
    /// The system refuses to hand it over.
    #[error("{}: cannot be read ({cause})", path.display())]
    #[diagnostic(help("check that you may read it"))]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: io::Error,
    },
    /// Nothing in it but blanks.
    #[error("{}: empty", .0.display())]
    #[diagnostic(help("a TOML file with at least one key is wanted; was it saved?"))]
    Empty(PathBuf),
    /// Over the limit.
    #[error("{}: {size} bytes, over the limit of {limit}", path.display())]
    #[diagnostic(help("files read here are far smaller; is it the right one?"))]
    TooBig {
        /// The file.
        path: PathBuf,
        /// Its size, bytes.
        size: u64,
        /// What would have been read, bytes.
        limit: u64,
    },
    /// Not UTF-8.
    #[error("{}: not text: byte {at} is not UTF-8", path.display())]
    #[diagnostic(help("save it as UTF-8 text"))]
    NotText {
        /// The file.
        path: PathBuf,
        /// Offset of the first bad byte.
        at: usize,
    },
}

/// Reads a text file of up to [`FILE_MAX`] bytes: its name as given, and its text.
///
/// # Errors
/// As [`read_file_up_to`].
pub fn read_file(path: impl AsRef<Path>) -> Result<(String, String), FileError> {
    read_file_up_to(path, FILE_MAX)
}

/// Reads a text file whole: its name as given, and its text.
///
/// # Errors
/// [`FileError`]: the file is missing, a folder, not a regular file, unreadable, empty, over `limit` bytes or not UTF-8. The
/// size is looked at before anything is read.
pub fn read_file_up_to(path: impl AsRef<Path>, limit: u64) -> Result<(String, String), FileError> {
    let path = path.as_ref();
    let owned = || path.to_path_buf();
    let failed = |cause: io::Error| match cause.kind() {
        io::ErrorKind::NotFound => FileError::Missing(owned()),
        _ => FileError::Unreadable { path: owned(), cause },
    };

    let meta = fs::metadata(path).map_err(failed)?;
    if meta.is_dir() {
        return Err(FileError::Folder(owned()));
    }
    if !meta.is_file() {
        return Err(FileError::NotRegular(owned()));
    }
    if meta.len() > limit {
        return Err(FileError::TooBig {
            path: owned(),
            size: meta.len(),
            limit,
        });
    }

    // The file may grow between the look and the read: never take more than was allowed.
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(limit).read_to_end(&mut bytes))
        .map_err(failed)?;
    let text = String::from_utf8(bytes).map_err(|e| FileError::NotText {
        path: owned(),
        at: e.utf8_error().valid_up_to(),
    })?;
    if text.trim().is_empty() {
        return Err(FileError::Empty(owned()));
    }
    Ok((path.display().to_string(), text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(name: &str, content: Option<&[u8]>, expect: &str) {
        let folder = std::env::temp_dir().join(format!("bellcrank-load-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let path = folder.join(name);
        if let Some(content) = content {
            fs::write(&path, content).unwrap();
        }
        let said = match read_file(&path) {
            Ok((_, text)) => text,
            Err(e) => e.to_string().replace(&format!("{}/", folder.display()), ""),
        };
        assert_eq!(said, expect);
    }

    #[test]
    fn each_way_to_fail_says_what_is_wrong() {
        check("good.toml", Some(b"a = 1\n"), "a = 1\n");
        check("none.toml", None, "none.toml: no such file");
        check("blank.toml", Some(b" \n\n"), "blank.toml: empty");
        check(
            "latin.toml",
            Some(b"name = \"K\xfcbel\""),
            "latin.toml: not text: byte 9 is not UTF-8",
        );
        check(
            "big.toml",
            Some(&vec![b'#'; 1_000_001]),
            "big.toml: 1000001 bytes, over the limit of 1000000",
        );
    }

    #[test]
    fn a_folder_is_not_a_file() {
        let said = read_file(std::env::temp_dir()).unwrap_err().to_string();
        assert!(said.ends_with("a folder, not a file"), "{said}");
    }
}
