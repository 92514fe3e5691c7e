//! Trimming: what each valve really does, found from how its axis moves, and what the machine file should say of it.
pub mod fit;
pub mod log;
pub mod plan;
pub mod trial;
pub mod proof;
