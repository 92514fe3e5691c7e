//! proof
pub mod valves;
pub mod truth;
