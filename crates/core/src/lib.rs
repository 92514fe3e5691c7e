//! Control core.
#![no_std]

pub mod math;
