//! The modules that need the core and nothing else, as tests of the core: what `cargo xtask mutants` holds against each mutant. `main.rs`
//! has them all as well, but cannot be built without the simulator.

mod board;
#[allow(dead_code, reason = "other modules of `main.rs` use more of it")]
mod check;
mod gate;
mod hostile;
mod interlock;
mod stages_sense;
mod supervised;
mod watch;
