//! The ledger of a campaign: one line a run, appended as runs end, never changed.
//!
//! The first line names the campaign and its columns; every line, that one too, ends in the CRC-32 (ISO-HDLC) of what stands before it, so
//! that a line cut off by a kill or changed by hand is noticed. Lines stand in the order of their runs: what has been written is always the
//! beginning of what an undisturbed campaign would have written, or of its shard's part of that.

use std::fs::{File, OpenOptions};
use std::io::{self, BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use crc::{CRC_32_ISO_HDLC, Crc};
use miette::Diagnostic;

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// A ledger that is being written.
#[derive(Debug)]
pub struct Ledger {
    path: PathBuf,
    file: File,
    /// Lines that are there, the first not counted.
    lines: u64,
}

/// What can be wrong with a ledger.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum LedgerError {
    /// The system refuses it.
    #[error("{}: found a file that cannot be used ({cause}), wanted one that can", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        #[source]
        cause: io::Error,
    },
    /// There is one already.
    #[error("{}: found a ledger, wanted none", path.display())]
    #[diagnostic(help("go on with it by --resume, or choose another folder with --out DIR"))]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// It is that of another campaign.
    #[error("{}:1: found the ledger of another campaign ({}), wanted {}", path.display(), differs(found, wanted), differs(wanted, found))]
    #[diagnostic(help("suite, machine files and this program must be what they were when it was begun"))]
    Other {
        /// The file.
        path: PathBuf,
        /// Its first line.
        found: String,
        /// The first line that it should have.
        wanted: String,
    },
    /// A line is damaged, and it is not the last.
    #[error("{}:{line}: found a line whose checksum is wrong, wanted it as it was written", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: u64,
    },
    /// Shards do not make up the whole.
    #[error("{}: found {found}, wanted {wanted}", path.display())]
    Parts {
        /// The file.
        path: PathBuf,
        /// What is there.
        found: String,
        /// What should be.
        wanted: String,
    },
}

impl Ledger {
    /// Begins a ledger that is not there yet.
    ///
    /// # Errors
    /// There is one already, or it cannot be written.
    pub fn begin(path: &Path, head: &str) -> Result<Self, LedgerError> {
        let file = OpenOptions::new().write(true).create_new(true).open(path);
        let file = file.map_err(|cause| match cause.kind() {
            io::ErrorKind::AlreadyExists => LedgerError::Exists {
                path: path.to_path_buf(),
            },
            _ => io_error(path)(cause),
        })?;
        let mut ledger = Self {
            path: path.to_path_buf(),
            file,
            lines: 0,
        };
        ledger.write(&sealed(head))?;
        Ok(ledger)
    }

    /// Goes on with a ledger, or begins it where there is none yet. A last line that was not finished is cut off.
    ///
    /// # Errors
    /// It is that of another campaign, a line before the last is damaged, or it cannot be written.
    pub fn resume(path: &Path, head: &str) -> Result<Self, LedgerError> {
        if !path.exists() {
            return Self::begin(path, head);
        }
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .open(path)
            .map_err(io_error(path))?;
        let mut reader = BufReader::new(file);
        let (mut whole, mut lines, mut line) = (0_u64, 0_u64, Vec::new());
        loop {
            line.clear();
            let read = reader.read_until(b'\n', &mut line).map_err(io_error(path))?;
            let content = std::str::from_utf8(&line).ok().and_then(opened);
            let Some(content) = content else {
                let last = read == 0 || reader.fill_buf().map_err(io_error(path))?.is_empty();
                if last {
                    break;
                }
                return Err(LedgerError::Damaged {
                    path: path.to_path_buf(),
                    line: lines + 1,
                });
            };
            if lines == 0 && content != head {
                return Err(LedgerError::Other {
                    path: path.to_path_buf(),
                    found: content.to_owned(),
                    wanted: head.to_owned(),
                });
            }
            lines += 1;
            whole += read as u64;
        }
        let mut file = reader.into_inner();
        file.set_len(whole)
            .and_then(|()| file.seek(SeekFrom::Start(whole)))
            .map_err(io_error(path))?;
        let mut ledger = Self {
            path: path.to_path_buf(),
            file,
            lines: lines.saturating_sub(1),
        };
        if lines == 0 {
            // Killed before the first line was whole.
            ledger.write(&sealed(head))?;
        }
        Ok(ledger)
    }

    /// Lines that are there, the first not counted.
    pub fn lines(&self) -> u64 {
        self.lines
    }

    /// Appends lines, and gives them to the disk.
    ///
    /// # Errors
    /// They cannot be written.
    pub fn append<'l>(&mut self, lines: impl IntoIterator<Item = &'l str>) -> Result<(), LedgerError> {
        let mut text = String::new();
        for line in lines {
            text += &sealed(line);
            self.lines += 1;
        }
        self.write(&text)
    }

    fn write(&mut self, text: &str) -> Result<(), LedgerError> {
        self.file
            .write_all(text.as_bytes())
            .and_then(|()| self.file.sync_data())
            .map_err(io_error(&self.path))
    }
}

/// A ledger that is being read, line by line.
#[derive(Debug)]
pub struct Lines {
    path: PathBuf,
    reader: BufReader<File>,
    line: u64,
}

impl Lines {
    /// Opens a ledger to read it. The first line that comes is the one that names the campaign.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn open(path: &Path) -> Result<Self, LedgerError> {
        Ok(Self {
            path: path.to_path_buf(),
            reader: BufReader::new(File::open(path).map_err(io_error(path))?),
            line: 0,
        })
    }
}

impl Iterator for Lines {
    type Item = Result<String, LedgerError>;

    fn next(&mut self) -> Option<Self::Item> {
        let mut line = Vec::new();
        match self.reader.read_until(b'\n', &mut line) {
            Ok(0) => return None,
            Ok(_) => self.line += 1,
            Err(cause) => return Some(Err(io_error(&self.path)(cause))),
        }
        let content = std::str::from_utf8(&line).ok().and_then(opened);
        Some(content.map(ToOwned::to_owned).ok_or_else(|| LedgerError::Damaged {
            path: self.path.clone(),
            line: self.line,
        }))
    }
}

/// A line as it is written: with its checksum and its end.
pub fn sealed(content: &str) -> String {
    format!("{content},{:08x}\n", CRC.checksum(content.as_bytes()))
}

/// What a line says; none where it is not whole.
fn opened(line: &str) -> Option<&str> {
    let (content, _) = line.strip_suffix('\n')?.rsplit_once(',')?;
    (sealed(content) == line).then_some(content)
}

/// What tells two first lines apart: which campaign it is, which stands last, or else the columns.
fn differs<'l>(one: &'l str, two: &str) -> &'l str {
    let campaign = |line: &'l str| line.rsplit(',').next().unwrap_or_default();
    if two.ends_with(campaign(one)) {
        one
    } else {
        campaign(one)
    }
}

fn io_error(path: &Path) -> impl Fn(io::Error) -> LedgerError {
    let path = path.to_path_buf();
    move |cause| LedgerError::Io {
        path: path.clone(),
        cause,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "campaign of a test,run";

    fn folder(name: &str) -> PathBuf {
        let folder = std::env::temp_dir().join(format!("bellcrank-ledger-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        folder
    }

    /// Cut off anywhere, it goes on as if nothing had happened.
    #[test]
    fn it_resumes_from_any_byte() {
        let folder = folder("resume");
        let path = folder.join("ledger");
        let rows = ["0,good", "1,\"a, b\"", "2,bad"];
        let mut whole = Ledger::begin(&path, HEAD).unwrap();
        whole.append(rows).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        for cut in 0..=bytes.len() {
            std::fs::write(&path, &bytes[..cut]).unwrap();
            let mut ledger = Ledger::resume(&path, HEAD).unwrap();
            let there = usize::try_from(ledger.lines()).unwrap();
            ledger.append(rows[there..].iter().copied()).unwrap();
            assert_eq!(std::fs::read(&path).unwrap(), bytes, "cut at {cut}");
        }
        let read: Vec<String> = Lines::open(&path).unwrap().map(Result::unwrap).collect();
        assert_eq!(read, [HEAD, rows[0], rows[1], rows[2]]);
        std::fs::remove_dir_all(folder).unwrap();
    }

    #[test]
    fn a_ledger_that_is_there_another_and_a_changed_one_are_refused() {
        let folder = folder("refused");
        let path = folder.join("ledger");
        Ledger::begin(&path, HEAD)
            .unwrap()
            .append(["0,good", "1,good"])
            .unwrap();
        assert!(matches!(Ledger::begin(&path, HEAD), Err(LedgerError::Exists { .. })));
        assert!(matches!(
            Ledger::resume(&path, "another"),
            Err(LedgerError::Other { .. })
        ));
        let text = std::fs::read_to_string(&path).unwrap().replace("0,good", "0,best");
        std::fs::write(&path, text).unwrap();
        assert!(matches!(
            Ledger::resume(&path, HEAD),
            Err(LedgerError::Damaged { line: 2, .. })
        ));
        let second = Lines::open(&path).unwrap().nth(1).unwrap();
        assert!(matches!(second, Err(LedgerError::Damaged { line: 2, .. })));
        std::fs::remove_dir_all(folder).unwrap();
    }
}
