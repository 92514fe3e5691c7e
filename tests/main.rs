//! Tests: one module a subject. `check` is what several of them stand on.

mod bad_input;
mod check;
mod command;
mod guard;
mod interlock;
mod linkage;
mod plant;
mod tidy;
