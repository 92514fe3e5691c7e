//! Sitting in the simulated machine: one local page with both levers in hand, and the real core under it.
//!
//! ```text
//! page ──hands, stop, orders──► server ──► desk: who has authority, what is fresh ──► machine's thread: session, tick by tick
//!  ▲                              │                                                        │
//!  └──── moments, log, answers ───┴──────────────── hub: the newest moment ◄───────────────┘
//! ```
//!
//! The machine's thread never waits for anybody, and the page decides nothing. A session *is* the rehearsal of the scenario that it becomes
//! ([`session`]), so a recording is a scenario file like any other.

pub mod clock;
pub mod desk;
pub mod doors;
pub mod hub;
pub mod replay;
pub mod server;
pub mod session;
pub mod shelf;
pub mod tune;
pub mod view;
pub mod why;
