//! Pump, engine, relief and dump valve.

use bellcrank_core::cause::Cause;

use super::{Entry, PLAIN, Subsystem};
use crate::scenario::FaultKind;

const SUPPLY: Entry = Entry {
    subsystem: Subsystem::Supply,
    names: &[Cause::NoMotion, Cause::Following],
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "engine stall",
        about: "the engine dies",
        make: |_| (FaultKind::EngineStall, None),
        ..SUPPLY
    },
    Entry {
        name: "pump worn",
        about: "the pumps give only a share of their flow",
        amount: "70 % to none left",
        make: |at| {
            let share = at.between(0.7, 0.0);
            (FaultKind::PumpWorn { share }, None)
        },
        ..SUPPLY
    },
    Entry {
        name: "relief stuck open",
        about: "the main reliefs are held off their seats by dirt",
        amount: "20 to 300 % of the pump's flow through each at its setting",
        make: |at| {
            let share = at.between(0.2, 3.0);
            (FaultKind::ReliefStuckOpen { share }, None)
        },
        ..SUPPLY
    },
    Entry {
        name: "dump valve stuck",
        about: "the dump valves stay closed when their current goes",
        make: |_| (FaultKind::DumpStuck, None),
        // Nobody looks where the valve is: its relay lets go as it should.
        names: &[],
        ..SUPPLY
    },
];
