//! Tests: one module a subject. `check` is what several of them stand on.

mod check;
mod guard;
mod interlock;
mod linkage;
mod plant;
