//! Bellcrank's control core: it decides every valve command of a machine, and nothing else.
//!
//! [`Controller::tick`] takes one [`Inputs`] and gives one [`Outputs`], by way of six stages:
//!
//! ```text
//! Inputs -> sense -> supervise -> plan -> guard -> drive -> gate -> Outputs
//! ```
//!
//! The core does no I/O, reads no clock, allocates nothing, has no `unsafe`, and no panic can be reached in it. Its output is a
//! function of its state and of the inputs, the same to the bit on every target: all floating-point functions are those of
//! [`math`]. Inside it everything is `f32` in SI units; at its faces stand the types of [`units`].
//!
//! Nothing in this crate makes a machine safe or certifies it. A competent person does that, under the local rules, with the
//! machine's own risk assessment.

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

// In the order in which data goes through.
pub mod cause;
pub mod chain;
mod contact;
mod controller;
pub mod drive;
pub mod gate;
pub mod guard;
pub mod inputs;
pub mod keepout;
pub mod last_tick;
pub mod linkage;
pub mod machine;
pub mod math;
pub mod outputs;
pub mod plan;
pub mod sense;
pub mod stamp;
pub mod supervise;
pub mod units;
pub mod vec3;

pub use controller::Controller;
pub use inputs::Inputs;
pub use machine::Machine;
pub use outputs::Outputs;
