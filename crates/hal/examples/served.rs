//! A board that is a program: the core served over standard input and output, in lockstep.
//!
//! It is what golden runs are fed to on a computer, this one or another kind of one, and the shortest example of a port to
//! [`bellcrank_hal::exchange`]. It ends with its input.

use std::io::{self, Read as _, Write as _};
use std::time::Instant;

use bellcrank_core::machine::image::IMAGE_MAX;
use bellcrank_core::units::Duration;
use bellcrank_hal::exchange::{Clock, serve};
use embedded_io::{ErrorKind, ErrorType, Read, ReadReady, Write};

fn main() -> Result<(), ErrorKind> {
    let mut line = Line {
        input: io::stdin().lock(),
        output: io::stdout().lock(),
    };
    serve(&mut line, &SinceStart(Instant::now()), &mut [0; IMAGE_MAX])
}

/// Both streams as one port. Standard input has a buffer of its own.
struct Line {
    input: io::StdinLock<'static>,
    output: io::StdoutLock<'static>,
}

impl ErrorType for Line {
    type Error = ErrorKind;
}

impl ReadReady for Line {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        Ok(true)
    }
}

impl Read for Line {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, ErrorKind> {
        self.input.read(into).map_err(|why| why.kind().into())
    }
}

impl Write for Line {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, ErrorKind> {
        self.output.write(bytes).map_err(|why| why.kind().into())
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        self.output.flush().map_err(|why| why.kind().into())
    }
}

/// In microseconds.
struct SinceStart(Instant);

impl Clock for SinceStart {
    const COUNTS_A_SECOND: u32 = 1_000_000;

    fn count(&self) -> u32 {
        // From the greatest number on to 0, as it is meant to.
        (self.0.elapsed().as_micros() & u128::from(u32::MAX))
            .try_into()
            .unwrap_or(0)
    }

    fn quiet(&self) -> Option<Duration> {
        None
    }
}
