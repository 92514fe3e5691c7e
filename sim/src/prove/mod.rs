//! Prove: a campaign of many runs, each with something going wrong, and what came of it.
//!
//! A [`suite::Suite`] says what is run; [`campaign::work`] runs it on all cores, and appends what came of each run to a
//! [`ledger::Ledger`], in order. A campaign that was interrupted goes on where it stopped, and shards that were run apart are put together to
//! the same bytes ([`shard`]). What is put in stands in [`catalogue`], who holds the levers in [`operator`], how a run is judged in [`outcome`],
//! what the stops of all of them come to in [`stops`], how a failed one is made smaller in [`shrink`].
//! What people and other programs get of it is [`report`].

pub mod campaign;
pub mod catalogue;
pub mod ledger;
pub mod operator;
pub mod outcome;
pub mod report;
pub mod shard;
pub mod shrink;
pub mod stops;
pub mod suite;
