//! The machine file: TOML, read and checked with every mistake reported at once, and turned into the core's `Machine`.

pub mod description;
pub mod document;
pub mod geometry;
