//! How the two images come and go. Whatever the way, neither call waits for the other end.

mod image;
mod modbus;

use std::io;

use bellcrank_core::units::Instant;
use bellcrank_hal::Fault;

use crate::mapping::{Mapping, Terminals};
use crate::pace::Time;

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

/// There is no way to the terminals.
#[derive(Debug, thiserror::Error)]
#[error("the terminals of {mapping} cannot be opened: {place}")]
pub struct Unopened {
    mapping: String,
    place: String,
    #[source]
    why: io::Error,
}

/// The way to the terminals of a mapping; without `write` nothing can be told to them.
///
/// # Errors
/// The file cannot be opened, or there is no thread to be had.
pub fn open(mapping: &Mapping, time: Time, write: bool) -> Result<Box<dyn Bus>, Unopened> {
    let unopened = |place: String| {
        |why| Unopened {
            mapping: mapping.name.clone(),
            place,
            why,
        }
    };
    match &mapping.terminals {
        Terminals::Image {
            file,
            inputs_at,
            outputs_at,
        } => {
            let opened = ImageFile::open(file, *inputs_at, *outputs_at, write);
            Ok(Box::new(opened.map_err(unopened(file.display().to_string()))?))
        }
        Terminals::Modbus(places) => {
            let started = ModbusBus::start(places, time.begin, write);
            Ok(Box::new(started.map_err(unopened(places.address.to_string()))?))
        }
    }
}
