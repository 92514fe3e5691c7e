//! The simulated machine.

pub mod plant;
