//! Valve sections with their coils and electronics.

use super::{Entry, MOTION, PLAIN, Subsystem};
use crate::scenario::FaultKind;

const VALVE: Entry = Entry {
    subsystem: Subsystem::Valves,
    on: Some(|_| true),
    names: &MOTION,
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "valve stuck",
        about: "a spool sticks where it is",
        make: |at| (FaultKind::ValveStuck { axis: at.axis }, None),
        ..VALVE
    },
    Entry {
        name: "valve stuck open",
        about: "a spool goes to an opening and sticks there",
        amount: "30 to 100 % open, either way",
        mildest: 0.5,
        make: |at| {
            let opening = at.either_way(0.3, 1.0);
            (FaultKind::ValveStuckOpen { axis: at.axis, opening }, None)
        },
        ..VALVE
    },
    Entry {
        name: "valve dead",
        about: "no current reaches the coils of a valve",
        make: |at| (FaultKind::ValveDead { axis: at.axis }, None),
        ..VALVE
    },
    Entry {
        name: "valve weak",
        about: "a valve opens by only a share of what it is told",
        amount: "80 to 10 % left",
        make: |at| {
            let share = at.between(0.8, 0.1);
            (FaultKind::SpoolWeak { axis: at.axis, share }, None)
        },
        ..VALVE
    },
    Entry {
        name: "valve reversed",
        about: "hoses or wires of a valve are crossed: it goes the other way",
        make: |at| (FaultKind::ValveReversed { axis: at.axis }, None),
        ..VALVE
    },
    Entry {
        name: "valve slow",
        about: "a spool follows slowly: dirt, or cold and sticky oil in it",
        amount: "half to 3 % of its quickness left",
        make: |at| {
            let share = at.between(0.5, 0.03);
            (FaultKind::ValveSlow { axis: at.axis, share }, None)
        },
        ..VALVE
    },
    Entry {
        name: "overlap grown",
        about: "a spool goes further than it should before its lands open",
        amount: "3 to 30 % of full travel",
        make: |at| {
            let by = at.between(0.03, 0.3);
            (FaultKind::OverlapGrown { axis: at.axis, by }, None)
        },
        ..VALVE
    },
    Entry {
        name: "valve leaks",
        about: "the closed lands of a spool are worn and leak",
        amount: "0.02 to 1 cm³ a second and bar over each",
        make: |at| {
            let leak = at.between(0.02, 1.0) * 1e-11;
            (FaultKind::ValveLeaks { axis: at.axis, leak }, None)
        },
        ..VALVE
    },
];
