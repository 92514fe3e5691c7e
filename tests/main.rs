//! Tests: one module a subject. `check` is what several of them stand on.

mod bad_input;
mod check;
mod closed_loop;
mod command;
mod docs;
mod explore;
mod guard;
mod hostile;
mod hydraulic_faults;
mod interlock;
mod kinematics;
mod linkage;
mod plant;
mod rehearsals;
mod rig;
mod sense;
mod survey;
mod tidy;
