//! proof
pub mod valves;
