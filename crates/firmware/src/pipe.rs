//! Two named pipes of the computer that runs the emulator, as one port.

use core::convert::Infallible;

use embedded_io::{ErrorType, Read, ReadReady, Write};

use crate::chip::File;

/// Both pipes. Reading waits: the frames go in lockstep, and nobody notices when they cease.
pub struct Pipe {
    to_board: File,
    from_board: File,
    // Each call of the emulator is dear, so as much is fetched as there is.
    fetched: [u8; 1024],
    begin: usize,
    end: usize,
}

impl Pipe {
    /// Opens the pipes `to-board` and `from-board` in the folder that the emulator was started in; the other end opens them in the same
    /// order.
    pub fn open() -> Option<Self> {
        let (to_board, from_board) = (File::open(b"to-board\0", false)?, File::open(b"from-board\0", true)?);
        Some(Self {
            to_board,
            from_board,
            fetched: [0; 1024],
            begin: 0,
            end: 0,
        })
    }
}

impl ErrorType for Pipe {
    type Error = Infallible;
}

impl ReadReady for Pipe {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(true)
    }
}

impl Read for Pipe {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        if self.begin == self.end {
            (self.begin, self.end) = (0, self.to_board.read(&mut self.fetched));
        }
        let there = &self.fetched[self.begin..self.end];
        let count = there.len().min(into.len());
        into[..count].copy_from_slice(&there[..count]);
        self.begin += count;
        Ok(count)
    }
}

impl Write for Pipe {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        // What the other end no longer reads is lost with it; it is told by the end of what it writes.
        self.from_board.write(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}
