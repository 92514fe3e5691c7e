//! The board at the end of a wire: a computer feeds it `Inputs`, and it answers with what the core made of them.
//!
//! This is for trying out a port before anything hangs on it: whether the core on this board, built by this compiler, gives the very
//! same bits as on a computer; how long a tick takes; and that everything is switched off when the frames cease. No machine is run this
//! way: what comes over the wire takes the place of sensors, switches and hands, and nothing in it proves who sent it.
//!
//! A board serves by [`serve`], from any port with the traits of `embedded-io`, be it a serial line or a pipe, and a [`Clock`]. The
//! other end asks, one [`Ask`] at a time, and waits for the [`Answer`]. `bellcrank port-check` is such an end.
//!
//! The image of the machine comes over the wire as well, in pieces, so that one firmware can be tried with every machine; a board with an
//! image in its memory has [`serve_machine`], which takes no other.

mod frame;
mod served;

use bellcrank_core::machine::image::{Fingerprint, Refused};
use bellcrank_core::supervise::RECORD_LEN;
use bellcrank_core::{Inputs, Outputs};

pub use frame::{FRAME_MAX, PAYLOAD_MAX, Receiver, framed};
pub use served::{Clock, Port, QUIET, serve, serve_machine};

/// The layout of what is asked and answered. Both ends must have the same.
pub const PROTOCOL: u16 = 1;

/// Most bytes of an image in one [`Ask::Image`].
pub const PIECE_MAX: usize = 512;

/// What the other end asks.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[allow(
    clippy::large_enum_variant,
    reason = "one at a time, and nearly always the large one"
)]
pub enum Ask<'a> {
    /// Who are you?
    Who,
    /// Here is a piece of an image, from this byte on; the first piece, at 0, begins a new image.
    Image {
        /// Where the piece begins.
        at: u32,
        /// The piece.
        #[serde(borrow)]
        bytes: &'a [u8],
        /// It was the last.
        last: bool,
    },
    /// Start the core anew, as after a loss of power, with what was kept through it, if anything was.
    Start(Option<[u8; RECORD_LEN]>),
    /// One turn with these inputs.
    Turn(Inputs),
}

/// What the board answers.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[allow(
    clippy::large_enum_variant,
    reason = "one at a time, and nearly always the large one"
)]
pub enum Answer {
    /// Who it is.
    Board {
        /// Its [`PROTOCOL`].
        protocol: u16,
        /// Fingerprint of the machine file, and CRC, of the image that it runs; none while it has none.
        image: Option<(Fingerprint, u32)>,
        /// Most of its stack that was ever in use, bytes; none where it does not know.
        stack: Option<u32>,
        /// How many counts of its [`Clock`] go into a second.
        counts_a_second: u32,
    },
    /// The piece is there; more is wanted.
    Piece,
    /// The image is not taken. There is nothing to run.
    Refused(Refused),
    /// The core has been started; it is in self-test.
    Started,
    /// One turn is done.
    Turned(Turned),
    /// No frame came for too long, so a turn was made without any: nothing was read, every stop channel is open.
    Silent(Turned),
    /// There is no machine to run yet.
    NoMachine,
    /// Something that is no [`Ask`] came in a whole frame, or a piece of an image that does not follow the one before it.
    NotUnderstood,
}

/// What came of a turn.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Turned {
    /// What the core commanded.
    pub outputs: Outputs,
    /// What the board was to keep by then.
    pub record: [u8; RECORD_LEN],
    /// The watchdog was fed.
    pub fed: bool,
    /// What the turn took, in counts of the board's clock.
    pub counts: u32,
}

#[cfg(test)]
mod tests;
