//! How the two images come and go. Whatever the way, neither call waits for the other end.

mod image;
mod modbus;

use bellcrank_core::units::Instant;
use bellcrank_hal::Fault;

pub use image::ImageFile;
pub use modbus::ModbusBus;

/// The way to the terminals.
pub trait Bus {
    /// Puts the newest image that was read into `inputs`, and says when it was begun to be read.
    ///
    /// # Errors
    /// There is none that could be read.
    fn take(&mut self, inputs: &mut [u8], now: Instant) -> Result<Instant, Fault>;

    /// Gives the image that is to be written.
    ///
    /// # Errors
    /// It may not get there.
    fn give(&mut self, outputs: &[u8], now: Instant) -> Result<(), Fault>;

    /// Waits until what was given last has got there, or for half a second. For the end of the process, not for the loop.
    fn finish(&mut self);
}
