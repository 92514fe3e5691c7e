//! The controller itself, and what feeds it.

use bellcrank_core::cause::Cause;
use bellcrank_core::supervise::RECORD_LEN;

use super::{Entry, PLAIN, Subsystem};
use crate::scenario::FaultKind;

const CONTROLLER: Entry = Entry {
    subsystem: Subsystem::Controller,
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "supply sag",
        about: "the voltage that feeds the controller falls",
        amount: "to 19 down to 9 V",
        make: |at| {
            let to = at.between(19.0, 9.0);
            (FaultKind::SupplySag { to }, None)
        },
        names: &[Cause::Supply],
        always: true,
        ..CONTROLLER
    },
    Entry {
        name: "tick early",
        about: "the loop runs twice in a row",
        make: |_| (FaultKind::TickEarly, None),
        names: &[Cause::TickEarly, Cause::PowerRelay],
        always: true,
        ..CONTROLLER
    },
    Entry {
        name: "loop hangs",
        about: "the loop stands still, its outputs staying what they were",
        amount: "for 5 to 500 ms",
        make: |at| (FaultKind::LoopHangs, Some(at.between(0.005, 0.5))),
        names: &[Cause::TickLate],
        ..CONTROLLER
    },
    Entry {
        name: "restart",
        about: "the controller restarts in motion",
        amount: "after 50 to 500 ms",
        make: |at| (FaultKind::Restart, Some(at.between(0.05, 0.5))),
        // The external watchdog starves meanwhile, and keeps the relays.
        names: &[Cause::EngineRelay],
        ..CONTROLLER
    },
    Entry {
        name: "brown-out",
        about: "the supply breaks down until the controller starts anew",
        amount: "to 7 down to 0 V, for 30 to 300 ms",
        make: |at| {
            let to = at.between(7.0, 0.0);
            (FaultKind::BrownOut { to }, Some(at.between(0.03, 0.3)))
        },
        names: &[Cause::Supply],
        ..CONTROLLER
    },
    Entry {
        name: "record flipped",
        about: "the controller restarts in motion, and a bit of what it kept is turned over",
        amount: "the first bit to the last, after 100 ms",
        make: |at| {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "one of 64")]
            let bit = at.between(0.0, 8.0 * RECORD_LEN as f64 - 1.0).round() as usize;
            (FaultKind::RecordFlipped { bit }, Some(0.1))
        },
        names: &[Cause::EngineRelay],
        ..CONTROLLER
    },
    Entry {
        name: "machine image damaged",
        about: "the controller restarts in motion, and a bit of its machine image is turned over",
        amount: "the first bit to the last",
        make: |at| (FaultKind::ImageDamaged { place: at.amount }, None),
        silent: true,
        ..CONTROLLER
    },
];
