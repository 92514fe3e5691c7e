//! A document by its name: one that is built in, or a file.

use std::path::Path;

use miette::Diagnostic;

use super::{Complaints, FileError, read_file};

/// A document that comes with the software: its name, with dashes, and its text.
pub type BuiltIn = (&'static str, &'static str);

/// Why a document gave nothing.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum DocumentError {
    /// It could not be read from disk.
    #[error(transparent)]
    #[diagnostic(transparent)]
    File(#[from] FileError),
    /// It says something wrong.
    #[error(transparent)]
    #[diagnostic(transparent)]
    Content(#[from] Complaints),
    /// There is neither a file nor a built-in one by that name.
    #[error("found {found:?}, wanted a {kind} file or one of the built-in {kind}s: {known}")]
    #[diagnostic(help("check the name, and the folder it is looked for in"))]
    Unknown {
        /// What kind of document was looked for.
        kind: &'static str,
        /// The name.
        found: String,
        /// The names that would have done.
        known: String,
    },
}

/// The text of a built-in document; none for any other name. Blanks may stand for the dashes.
pub fn builtin(name: &str, among: &[BuiltIn]) -> Option<&'static str> {
    let dashed = name.to_lowercase().replace([' ', '_'], "-");
    among.iter().find(|(known, _)| *known == dashed).map(|(_, text)| *text)
}

/// The name to complain under, and the text, of a built-in document or of a file looked for from `folder` on. `kind` says what it is,
/// in one word.
///
/// # Errors
/// [`DocumentError::Unknown`] for what looks like a name and is none, [`DocumentError::File`] for a file that cannot be read.
pub fn find(
    kind: &'static str,
    name: &str,
    among: &[BuiltIn],
    folder: &Path,
) -> Result<(String, String), DocumentError> {
    if let Some(text) = builtin(name, among) {
        return Ok((name.to_string(), text.to_string()));
    }
    let path = folder.join(name);
    if !name.contains(['.', '/', '\\']) && !path.exists() {
        let known: Vec<&str> = among.iter().map(|(known, _)| *known).collect();
        return Err(DocumentError::Unknown {
            kind,
            found: name.to_string(),
            known: known.join(", "),
        });
    }
    Ok(read_file(path)?)
}
