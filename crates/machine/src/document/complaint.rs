//! One mistake in a file, and all the mistakes of a file as one error.

use std::fmt;
use std::ops::Range;

use miette::{Diagnostic, LabeledSpan, NamedSource, SourceCode};

/// One mistake: where it is, what was found there, and what would be right.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}: {}found {found}, wanted {wanted}", lead(.path))]
pub struct Complaint {
    /// The file, as it was named when it was read.
    pub file: String,
    /// Line in the file, counted from 1.
    pub line: usize,
    /// The bytes of the file that are meant: a value, an unknown key, or the head of the table that lacks something.
    pub span: Range<usize>,
    /// The way to the key, for example `axis "boom" / cylinder / bore_mm`. Empty for a mistake in the TOML itself.
    pub path: String,
    /// What the file says.
    pub found: String,
    /// What it could say instead.
    pub wanted: String,
}

/// All mistakes of one file, sorted by line. Never empty.
///
/// `Display` lists them one a line, so a plain print tells everything; as a [`Diagnostic`] it also shows the places in
/// the file.
#[derive(Debug)]
pub struct Complaints {
    source: Box<NamedSource<String>>,
    list: Vec<Complaint>,
}

impl Complaints {
    /// The mistakes, sorted by line.
    pub fn list(&self) -> &[Complaint] {
        &self.list
    }
}

impl fmt::Display for Complaints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let count = self.list.len();
        let noun = if count == 1 { "mistake" } else { "mistakes" };
        write!(f, "{count} {noun} in {}", self.source.name())?;
        for c in &self.list {
            write!(
                f,
                "\nline {}: {}found {}, wanted {}",
                c.line,
                lead(&c.path),
                c.found,
                c.wanted
            )?;
        }
        Ok(())
    }
}

impl std::error::Error for Complaints {}

impl Diagnostic for Complaints {
    fn source_code(&self) -> Option<&dyn SourceCode> {
        Some(&*self.source)
    }

    fn labels(&self) -> Option<Box<dyn Iterator<Item = LabeledSpan> + '_>> {
        Some(Box::new(self.list.iter().map(|c| {
            LabeledSpan::at(c.span.clone(), format!("wanted {}", c.wanted))
        })))
    }
}

/// The path with its colon, or nothing where there is no path.
fn lead(path: &str) -> String {
    if path.is_empty() {
        String::new()
    } else {
        format!("{path}: ")
    }
}

/// Where complaints gather while a file is read.
#[derive(Debug)]
pub(super) struct Ledger<'t> {
    file: &'t str,
    text: &'t str,
    list: std::cell::RefCell<Vec<Complaint>>,
}

impl<'t> Ledger<'t> {
    pub(super) fn new(file: &'t str, text: &'t str) -> Self {
        Ledger {
            file,
            text,
            list: std::cell::RefCell::default(),
        }
    }

    /// Number of complaints so far.
    pub(super) fn len(&self) -> usize {
        self.list.borrow().len()
    }

    pub(super) fn add(&self, span: Range<usize>, path: String, found: impl Into<String>, wanted: impl Into<String>) {
        let line = 1 + self.text.bytes().take(span.start).filter(|&b| b == b'\n').count();
        let complaint = Complaint {
            file: self.file.to_owned(),
            line,
            span,
            path,
            found: found.into(),
            wanted: wanted.into(),
        };
        self.list.borrow_mut().push(complaint);
    }

    /// `value` if nothing was wrong, else everything that was.
    pub(super) fn close<T>(self, value: T) -> Result<T, Complaints> {
        if self.len() == 0 { Ok(value) } else { Err(self.fail()) }
    }

    /// Everything that was wrong.
    pub(super) fn fail(self) -> Complaints {
        let mut list = self.list.into_inner();
        list.sort_by_key(|c| (c.line, c.span.start));
        let source = Box::new(NamedSource::new(self.file, self.text.to_owned()).with_language("toml"));
        Complaints { source, list }
    }
}
