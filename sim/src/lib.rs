//! The simulated machine: plant, wiring, rehearsals, and what is made of them.
//!
//! The plant knows physics and nothing of control; the wiring joins it to the control core and is where things go wrong; a
//! rehearsal runs both tick by tick and judges what came of it. The core is reached through its public face alone and does not
//! know that it is simulated.

pub mod adversary;
pub mod bench_rig;
pub mod board;
pub mod clearance;
pub mod cli;
pub mod drawing;
pub mod findings;
pub mod gauge;
pub mod golden;
pub mod healthy;
pub mod live;
pub mod plant;
pub mod port_check;
pub mod pose;
pub mod prove;
pub mod reaction;
pub mod report;
pub mod revise;
pub mod run;
pub mod scenario;
pub mod scope;
pub mod seat;
pub mod signoff;
pub mod surroundings;
pub mod survey;
pub mod table;
pub mod terminals;
pub mod trace;
pub mod tracking;
pub mod trim;
pub mod wiring;
