//! A board at the end of a line of this computer: a serial device, a network address, a socket, or a program that is started.

use std::fs::OpenOptions;
use std::io;
use std::net::TcpStream;
use std::os::unix::fs::FileTypeExt;
use std::os::unix::net::UnixStream;
use std::process::{Command, Stdio};

use super::Board;

/// What leads to a board.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wire {
    /// A character device or a socket, by its path. A serial port has been set up before: raw, its speed, no echo.
    Path(String),
    /// An address of the network, `HOST:PORT`.
    Tcp(String),
    /// A program with its arguments, spoken to over its standard input and output.
    Program(Vec<String>),
}

/// A line cannot be opened.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
#[error("{wire}: cannot be opened ({cause})")]
#[diagnostic(help("check the name, that the board is there, and that you may use it"))]
pub struct WireError {
    wire: String,
    #[source]
    cause: io::Error,
}

impl Wire {
    /// Opens it.
    ///
    /// # Errors
    /// It is not there, or refuses.
    pub fn open(&self) -> Result<Board, WireError> {
        let opened = match self {
            Self::Path(path) => of_path(path),
            Self::Tcp(address) => TcpStream::connect(address).and_then(|stream| {
                stream.set_nodelay(true)?;
                Ok(Board::new(stream.try_clone()?, stream))
            }),
            Self::Program(words) => of_program(words),
        };
        opened.map_err(|cause| WireError {
            wire: match self {
                Self::Path(name) | Self::Tcp(name) => name.clone(),
                Self::Program(words) => words.join(" "),
            },
            cause,
        })
    }
}

fn of_path(path: &str) -> io::Result<Board> {
    if std::fs::metadata(path)?.file_type().is_socket() {
        let stream = UnixStream::connect(path)?;
        return Ok(Board::new(stream.try_clone()?, stream));
    }
    let device = OpenOptions::new().read(true).write(true).open(path)?;
    Ok(Board::new(device.try_clone()?, device))
}

fn of_program(words: &[String]) -> io::Result<Board> {
    let (program, arguments) = words
        .split_first()
        .ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, "no program is named"))?;
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let missing = || io::Error::other("it has no standard input and output");
    let (stdout, stdin) = (
        child.stdout.take().ok_or_else(missing)?,
        child.stdin.take().ok_or_else(missing)?,
    );
    // It ends when its input does; waited for, so that nothing is left of it.
    std::thread::spawn(move || child.wait());
    Ok(Board::new(stdout, stdin))
}
