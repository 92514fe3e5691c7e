//! The simulated machine.

pub mod bench_rig;
pub mod clearance;
pub mod cli;
pub mod plant;
pub mod pose;
pub mod survey;
