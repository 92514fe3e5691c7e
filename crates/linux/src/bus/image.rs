//! A process image: a file or a character device in which the terminals stand as bytes.
//!
//! Each image is read and written in one call, in the turn itself: that is how the driver of such a device gives one that belongs together.
//! A file in memory (`/dev/shm`) will do in its place on a laptop. It must not be on a disk or on the network: those may hang.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

use bellcrank_core::units::Instant;
use bellcrank_hal::Fault;

use super::Bus;

/// A process image.
#[derive(Debug)]
pub struct ImageFile {
    file: File,
    inputs_at: u64,
    outputs_at: u64,
}

impl ImageFile {
    /// Opens it for reading, and for writing unless it is only to be looked at.
    ///
    /// # Errors
    /// It is not there, or may not be opened.
    pub fn open(path: &Path, inputs_at: u64, outputs_at: u64, write: bool) -> io::Result<Self> {
        Ok(Self {
            file: OpenOptions::new().read(true).write(write).open(path)?,
            inputs_at,
            outputs_at,
        })
    }
}

impl Bus for ImageFile {
    fn take(&mut self, inputs: &mut [u8], now: Instant) -> Result<Instant, Fault> {
        match self.file.read_at(inputs, self.inputs_at) {
            Ok(count) if count == inputs.len() => Ok(now),
            // A device that has been cut short.
            Ok(_) => Err(Fault::Garbage),
            Err(_) => Err(Fault::Bus),
        }
    }

    fn give(&mut self, outputs: &[u8], _: Instant) -> Result<(), Fault> {
        match self.file.write_at(outputs, self.outputs_at) {
            Ok(count) if count == outputs.len() => Ok(()),
            _ => Err(Fault::Bus),
        }
    }

    fn finish(&mut self) {}
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn images_stand_where_they_are_said_to() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), [1, 2, 3, 4, 5, 6]).unwrap();
        let mut bus = ImageFile::open(file.path(), 1, 4, true).unwrap();
        let (mut inputs, now) = ([0; 2], Instant::from_ticks(7));
        assert_eq!((bus.take(&mut inputs, now), inputs), (Ok(now), [2, 3]));
        assert_eq!(bus.give(&[9, 8], now), Ok(()));
        assert_eq!(std::fs::read(file.path()).unwrap(), [1, 2, 3, 4, 9, 8]);
    }

    #[test]
    fn one_that_has_been_cut_short_is_not_read() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), [1, 2, 3]).unwrap();
        let mut bus = ImageFile::open(file.path(), 0, 2, true).unwrap();
        let now = Instant::from_ticks(7);
        assert_eq!(bus.take(&mut [0; 4], now), Err(Fault::Garbage));
    }

    #[test]
    fn what_is_only_looked_at_cannot_be_written() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), [0; 4]).unwrap();
        let mut bus = ImageFile::open(file.path(), 0, 2, false).unwrap();
        assert_eq!(bus.give(&[1], Instant::from_ticks(0)), Err(Fault::Bus));
        assert_eq!(std::fs::read(file.path()).unwrap(), [0; 4]);
    }
}
