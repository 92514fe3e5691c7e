//! Tests: one module a subject. `check` is what several of them stand on.

mod bad_input;
mod check;
mod closed_loop;
mod command;
mod docs;
mod explore;
mod guard;
mod guard_keepout;
mod hostile;
mod hydraulic_faults;
mod interlock;
mod inverse;
mod kinematics;
mod link;
mod link_fuzz;
mod link_loop;
mod linkage;
mod plant;
mod rehearsals;
mod rig;
mod sense;
mod stages_sense;
mod survey;
mod tidy;
