//! Tests: one module a subject. `check` is what several of them stand on.

mod bad_input;
mod carry;
mod check;
mod closed_loop;
mod command;
mod docs;
mod go_to;
mod guard;
mod guard_keepout;
mod hostile;
mod hydraulic_faults;
mod ideal;
mod interlock;
mod kinematics;
mod linkage;
mod plan;
mod plant;
mod rehearsals;
mod rig;
mod sense;
mod survey;
mod tidy;
