//! Tests: one module a subject. `check` is what several of them stand on.

mod check;
mod closed_loop;
mod guard;
mod interlock;
mod kinematics;
mod linkage;
mod plant;
mod tidy;
