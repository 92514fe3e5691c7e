//! Bellcrank's wireless link: frames between a hand control and the core, both ends.
//!
//! [`HandEnd`] goes into the hand control, [`MachineEnd`] beside the core. Each takes the bytes that come in one by one, and gives
//! packets to send; what carries them, over the air or a wire, may do with them as it likes. [`MachineEnd::hand_frame`] is what the
//! core's inputs want: the newest frame that is proven to come from the right hand control, and an age that it surely does not exceed.
//! Silence is for the core to notice: the age grows, and the core stops no later than its `frame_late` and one tick after the hands were
//! last read in a frame that came.
//!
//! Like the core, this crate does no I/O, reads no clock, makes no random numbers, allocates nothing, has no `unsafe`, and no panic can
//! be reached in it.
//!
//! # What the channel may do, and what stands against it
//!
//! The error kinds are those of IEC 61784-3 (functional-safety fieldbuses). A frame that is refused changes a counter of [`Tally`] and
//! nothing else.
//!
//! | error | measure | seen as |
//! |---|---|---|
//! | corruption | tag of 128 bits over all of the frame; borders (COBS) | [`Refused::Corrupt`], [`Refused::NotAuthentic`] |
//! | unintended repetition | sequence number; keys of the session | [`Refused::Repeated`], [`Refused::NotAuthentic`] |
//! | incorrect sequence | sequence number: none is taken after a newer one | [`Refused::OutOfOrder`] |
//! | loss | age, grown by the receiver's clock; sequence number | the frame's age; [`Tally::lost`] |
//! | unacceptable delay | age from the echo of the receiver's own time | the frame's age; [`Tally::late`] |
//! | insertion | tag; sequence number | [`Refused::NotAuthentic`], [`Refused::Repeated`] |
//! | masquerade | tag: HMAC-SHA-256 with a key that only the pair has | [`Refused::NotAuthentic`] |
//! | addressing | both ends' ids in each frame, and in what its key is made from | [`Refused::WrongAddress`], [`Refused::NotAuthentic`] |
//!
//! What nothing stands against: a channel that is jammed stops the machine, as it must. A hand control that lies, or whose key was
//! taken out of it, is believed. And while a frame is younger than `frame_late`, the hands may have done something else since.
//!
//! # A session
//!
//! ```text
//! hand control   -- hello: a nonce of mine -->             machine
//!                <- welcome: your nonce, one of mine, my time --
//!                -- hands: number, your time, how long I kept it, stop, enable, levers -->  again and again
//!                <- beat: my time --                       every 20 ms
//! ```
//!
//! The keys of a session are made of the pairing key and both nonces, so that neither end, however often it starts again, sees a key a
//! second time; numbers begin at 1 in each session. An end's nonces are its boot number, which the port gives and never gives twice
//! ([`Boot`]), and a count. The machine keeps to the session it is in until the first frame of another has proven that the hand
//! control is there, now: a `hello` that somebody kept and sends again does not get so far. The hand control leaves a session when it has
//! not heard the machine for [`QUIET`].
//!
//! # Sizes
//!
//! What the hands do takes 60 bytes with all levers at rest, an hour after both ends were switched on, and never more than 109, borders
//! and tag included; no packet has more than [`PACKET_MAX`]. To make a frame takes some 9 500 instructions and to take one 13 000
//! (x86-64 without its instructions for the hash, counted by callgrind), nearly all for the tag; to refuse one is no dearer than three
//! tags. The hand control's end has about 1 000 bytes, the machine's 1 500.
//!
//! ```
//! use bellcrank_core::inputs::HandFrame;
//! use bellcrank_core::units::{Duration, Instant};
//! use bellcrank_link::{HandEnd, Id, MachineEnd, Pair, PairingKey};
//!
//! # fn main() -> Result<(), bellcrank_link::BlankKey> {
//! let pair = Pair { hand: Id(17), machine: Id(4) };
//! let key = PairingKey::new(*b"32 bytes that only this pair has")?;
//! let late = Duration::from_ticks(150_000);
//! let mut hand = HandEnd::new(&key, pair, [1; 16]);
//! let mut machine = MachineEnd::new(&key, pair, [2; 16], late);
//!
//! let hands = HandFrame { age: Some(Duration::from_ticks(0)), stop_clear: true, ..HandFrame::default() };
//! for millisecond in 0..100 {
//!     let now = Instant::from_ticks(1_000 * millisecond);
//!     for byte in machine.send(now).unwrap_or_default() {
//!         hand.receive(byte, now);
//!     }
//!     for byte in hand.send(&hands, now).unwrap_or_default() {
//!         machine.receive(byte, now);
//!     }
//!     if millisecond > 2 {
//!         assert!(machine.hand_frame(now).fresh(late));
//!     }
//! }
//! # Ok(())
//! # }
//! ```

#![no_std]
#![forbid(unsafe_code)]
#![deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]
#![deny(
    clippy::arithmetic_side_effects,
    reason = "an integer that overflows panics in a debug build"
)]
#![cfg_attr(
    test,
    allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]
#![cfg_attr(test, allow(clippy::arithmetic_side_effects))]

#[cfg(test)]
extern crate std;

// From the bytes up.
mod framing;
mod key;
mod refused;
mod said;
mod wire;

mod age;
mod window;

mod hand_end;
mod machine_end;

#[cfg(test)]
mod both_ends;

pub use age::CLOCK_ERROR;
pub use framing::{PACKET_MAX, Packet};
pub use hand_end::{HandEnd, QUIET};
pub use key::{BlankKey, Boot, Id, KEY_BYTES, Pair, PairingKey, TAG_BYTES};
pub use machine_end::{BEAT_EVERY, MachineEnd};
pub use refused::{Refused, Tally};
pub use wire::{Kind, VERSION};
