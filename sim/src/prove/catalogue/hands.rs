//! Whoever holds the levers.

use bellcrank_core::cause::Cause;

use super::{Entry, PLAIN, Subsystem};
use crate::scenario::FaultKind;

/// Hands that do the wrong thing are obeyed, within what the guard allows: no name is a true one for that.
const HANDS: Entry = Entry {
    subsystem: Subsystem::Hands,
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "wrong direction",
        about: "every lever is moved the wrong way round",
        make: |_| (FaultKind::LeversReversed, None),
        // Where it goes then there may be the ground.
        names: &[Cause::NoMotion, Cause::Following],
        ..HANDS
    },
    Entry {
        name: "levers stuck",
        about: "the levers stay where they are when they are let go",
        make: |_| (FaultKind::LeversStuck, None),
        ..HANDS
    },
    Entry {
        name: "enable tied down",
        about: "the enabling switch is tied down",
        make: |_| (FaultKind::EnableTied, None),
        ..HANDS
    },
];
