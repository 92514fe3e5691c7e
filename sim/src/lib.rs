//! The simulated machine.
