//! The modules that need core and link and nothing else, as tests of the link: what `cargo xtask mutants` holds against each mutant.
//! `main.rs` has them all as well, but cannot be built without the simulator.

#[allow(dead_code, reason = "other modules of `main.rs` use more of it")]
mod check;
#[allow(dead_code, reason = "other modules of `main.rs` use more of it")]
mod link;
mod link_fuzz;
mod link_loop;
