//! Sitting in the simulated machine.

pub mod desk;
pub mod session;
