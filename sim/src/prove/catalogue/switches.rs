//! Stop chain and relays.

use bellcrank_core::cause::Cause;

use super::{Entry, PLAIN, Subsystem};
use crate::scenario::{FaultKind, Relay};

const SWITCH: Entry = Entry {
    subsystem: Subsystem::Switches,
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "hand's stop",
        about: "the stop button of the station in charge is pressed",
        make: |at| (FaultKind::HandStop { station: at.station }, None),
        names: &[Cause::HandStop],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop button",
        about: "a stop button on the machine is pressed",
        make: |_| (FaultKind::StopButton, None),
        names: &[Cause::StopButton],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop channel open",
        about: "one channel of the stop chain is open",
        make: |_| (FaultKind::StopChannelOpen { channel: 0 }, None),
        names: &[Cause::StopButton, Cause::StopDiscrepancy],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop channel flickers",
        about: "one channel of the stop chain opens for a moment",
        amount: "5 to 80 ms",
        make: |at| (FaultKind::StopChannelOpen { channel: 1 }, Some(at.between(0.005, 0.08))),
        names: &[Cause::StopButton, Cause::StopStuck],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "stop channel bounces",
        about: "the contact of one channel of the stop chain opens for a moment again and again",
        amount: "for 1 to 15 ms, every 37 ms",
        make: |at| {
            let (channel, open, every) = (0, at.between(0.001, 0.015), 0.037);
            (FaultKind::StopChannelBounces { channel, open, every }, None)
        },
        names: &[Cause::StopButton, Cause::StopStuck, Cause::StopDiscrepancy],
        ..SWITCH
    },
    Entry {
        name: "power relay welded",
        about: "the relay of the valves' power does not let go",
        make: |_| welded(Relay::ValvePower),
        names: &[Cause::PowerRelay],
        ..SWITCH
    },
    Entry {
        name: "dump relay welded",
        about: "the relay of the dump valve does not let go",
        make: |_| welded(Relay::Dump),
        names: &[Cause::DumpRelay],
        ..SWITCH
    },
    Entry {
        name: "power relay dead",
        about: "the relay of the valves' power lets go by itself",
        make: |_| dead(Relay::ValvePower),
        names: &[Cause::PowerRelay],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "dump relay dead",
        about: "the relay of the dump valve lets go by itself",
        make: |_| dead(Relay::Dump),
        names: &[Cause::DumpRelay, Cause::NoMotion],
        always: true,
        ..SWITCH
    },
    Entry {
        name: "engine relay dead",
        about: "the relay of the engine lets go by itself",
        make: |_| dead(Relay::Engine),
        names: &[Cause::EngineRelay],
        always: true,
        ..SWITCH
    },
];

fn welded(relay: Relay) -> (FaultKind, Option<f64>) {
    (FaultKind::RelayWelded { relay }, None)
}

fn dead(relay: Relay) -> (FaultKind, Option<f64>) {
    (FaultKind::RelayDead { relay }, None)
}
