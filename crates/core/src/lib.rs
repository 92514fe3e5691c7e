//! Control core.
#![no_std]
