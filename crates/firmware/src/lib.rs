//! The control core on a Cortex-M4F: the board that QEMU calls `mps2-an386`, joined to a computer by frames
//! ([`bellcrank_hal::exchange`]).
//!
//! | binary | what it is for |
//! |---|---|
//! | `pipe` | rehearsals and golden runs, in lockstep over two named pipes by semihosting |
//! | `serial` | the driver of a serial port, by the pieces of `bellcrank-hal`; a board that notices when frames cease |
//! | `costs` | what each stage of a tick costs, and each float function |
//!
//! The image of the machine comes over the line: one firmware serves every machine, and how a bad image is refused can be tried.
//! No machine is run this way. All `unsafe` of the firmware stands in `chip.rs`.

#![no_std]

mod chip;
mod pipe;
mod serial;

pub use chip::{Timer, paint_stack, stack_depth, stack_used};
pub use pipe::Pipe;
pub use serial::Serial;
