//! A serial port by its registers, with the traits that `bellcrank-hal` asks for.

use core::convert::Infallible;

use embedded_io::{ErrorType, Read, ReadReady, Write};

use crate::chip::uart;

/// The board's first serial port.
pub struct Serial(());

impl Serial {
    /// Starts it.
    pub fn start() -> Self {
        uart::start();
        Self(())
    }
}

impl ErrorType for Serial {
    type Error = Infallible;
}

impl ReadReady for Serial {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(uart::has_byte())
    }
}

impl Read for Serial {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let Some((first, rest)) = into.split_first_mut() else {
            return Ok(0);
        };
        *first = loop {
            if let Some(byte) = uart::take() {
                break byte;
            }
        };
        let more = rest
            .iter_mut()
            .map_while(|place| uart::take().map(|byte| *place = byte));
        Ok(1 + more.count())
    }
}

impl Write for Serial {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        for byte in bytes {
            while !uart::put(*byte) {}
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        Ok(())
    }
}
