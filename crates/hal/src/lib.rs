//! Bellcrank on a board.

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

// What goes wrong, then the pieces, then what joins them.
mod trouble;

mod contact;
mod relay;

mod valve;

mod coils;
mod dac;
mod pwm;

mod analogue;
mod buses;
mod converter;

mod hands;
mod watchdog;

mod board;
mod cycle;

pub use analogue::{Analogue, CHANNELS_MAX, Reading};
pub use board::{Board, CONVERTERS_MAX, Panel, RelayPath, RelayPaths, Tap, Taps, Wired};
pub use buses::{I2cBus, SpiBus};
pub use coils::CoilPair;
pub use contact::{Contact, PinContact};
pub use converter::{ANSWER_MAX, Bus, Coding, Converter, Fixed, Input, Sampler, Unusable};
pub use cycle::{Cycle, Turn};
pub use dac::{Dac, DacValve};
pub use hands::{BYTES_A_TURN, Hands, LinkHands};
pub use pwm::PwmValve;
pub use relay::{PinRelay, Relay};
pub use trouble::{Fault, Misfit, Path, Place, TROUBLES_MAX, Trouble, Troubles};
pub use valve::ValveOut;
pub use watchdog::{PinWatchdog, Watchdog};
