//! Trimming: what each valve really does, found from how its axis moves, and what the machine file should say of it.
//!
//! [`plan`] says what a test will do and [`pose`] from where; [`trial`] runs it on a [`stand`], the simulated
//! machine or one at its [`terminals`]; the [`log`] that it leaves, or one that
//! was recorded elsewhere, is all that [`estimate`] looks at. [`propose`] makes a `drive` of what was found, [`compare`] drives the machine before and
//! after, [`mod@write`] puts it into the machine file. [`proof`] judges all of this on many random valves.

pub mod answer;
pub mod check;
pub mod compare;
pub mod curve;
pub mod estimate;
pub mod fit;
pub mod holds;
pub mod log;
pub mod margins;
pub mod picture;
pub mod plan;
pub mod pose;
pub mod proof;
pub mod propose;
pub mod stand;
pub mod step;
pub mod terminals;
pub mod trial;
pub mod valve;
pub mod write;
