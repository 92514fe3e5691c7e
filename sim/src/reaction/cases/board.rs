//! Cases of the machine as a whole: stops, hands, ticks, relays, supply.

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::Station;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::{PLAIN, demand};
use crate::reaction::case::{Case, Made, Shows};
use crate::reaction::trial::Trial;
use crate::scenario::{FaultKind, Relay};
use crate::wiring::relays::DROP_OUT_S;
use crate::wiring::{REMOTE_FRAME_S, SEAT_FRAME_S};

pub const CASES: &[Case] = &[
    Case {
        fault: "stop button pressed",
        budget: "stop_pulse_ms, a tick",
        ..PLAIN
    },
    Case {
        cause: Cause::HandStop,
        fault: "stop button of a hand control pressed, in charge or not",
        budget: "a frame (10 ms by wire, 20 ms by radio), a tick",
        make: |_, rng| {
            let station = either_station(rng);
            vec![(FaultKind::HandStop { station }, None)]
        },
        within: |trial| {
            let frame = match trial.fault().kind {
                FaultKind::HandStop { station: Station::Seat } => SEAT_FRAME_S,
                _ => REMOTE_FRAME_S,
            };
            frame + trial.timing().tick
        },
        ..PLAIN
    },
    Case {
        cause: Cause::StopDiscrepancy,
        fault: "one channel of the stop chain opens",
        budget: "stop_pulse_ms, stop_discrepancy_ms, a tick",
        make: |_, rng| {
            let channel = rng.random_range(0..2);
            vec![(FaultKind::StopChannelOpen { channel }, None)]
        },
        within: |trial| demand(trial) + trial.timing().stop_discrepancy,
        ..PLAIN
    },
    Case {
        cause: Cause::StopStuck,
        fault: "stop button pressed for a moment, one channel stays closed",
        from: "the button is let go",
        budget: "stop_pulse_ms, a tick",
        hidden_at_most: 0.1,
        make: |trial, rng| {
            let channel = rng.random_range(0..2);
            let moment = rng.random_range(0.2..0.9) * trial.timing().stop_discrepancy;
            vec![
                (FaultKind::StopButton, Some(moment)),
                (FaultKind::StopChannelStuck { channel }, None),
            ]
        },
        shows: AFTER_IT,
        ..PLAIN
    },
    Case {
        cause: Cause::LinkLost,
        fault: "no more frames from the station in charge",
        budget: "frame_late_ms, a tick",
        make: |trial, _| {
            let station = trial.scenario.station;
            vec![(FaultKind::LinkLost { station }, None)]
        },
        within: |trial| trial.station().frame_late + trial.timing().tick,
        ..PLAIN
    },
    Case {
        cause: Cause::TickLate,
        fault: "the loop stands still for 1.2 to 5 times tick_late_ms",
        from: "the loop runs again",
        budget: "a tick",
        runs: true,
        hidden_at_most: 0.1,
        make: |trial, rng| {
            let gap = rng.random_range(1.2..5.0) * trial.timing().tick_late;
            vec![(FaultKind::LoopHangs, Some(gap))]
        },
        shows: AFTER_IT,
        within: |trial| trial.timing().tick,
        ..PLAIN
    },
    Case {
        cause: Cause::TickEarly,
        fault: "the loop runs twice in a row",
        budget: "a tick, tick_early_ms",
        make: |_, _| vec![(FaultKind::TickEarly, None)],
        within: |trial| trial.timing().tick + trial.timing().tick_early,
        ..PLAIN
    },
    Case {
        cause: Cause::Supply,
        fault: "control voltage sags or surges",
        budget: "debounce_ms, a tick",
        make: |trial, rng| {
            let (low, high) = trial.scenario.machine.control.supply.unwrap_or_default();
            let to = if rng.random_bool(0.5) {
                rng.random_range(0.0..0.98) * low
            } else {
                rng.random_range(1.02..1.5) * high
            };
            vec![(FaultKind::SupplySag { to }, None)]
        },
        within: |trial| trial.timing().debounce + trial.timing().tick,
        ..PLAIN
    },
    lets_go(Cause::PowerRelay, |_, _| {
        vec![(
            FaultKind::RelayDead {
                relay: Relay::ValvePower,
            },
            None,
        )]
    }),
    is_welded(Cause::PowerRelay, |_, _| welded(Relay::ValvePower)),
    lets_go(Cause::DumpRelay, |_, _| {
        vec![(FaultKind::RelayDead { relay: Relay::Dump }, None)]
    }),
    is_welded(Cause::DumpRelay, |_, _| welded(Relay::Dump)),
    lets_go(Cause::EngineRelay, |_, _| {
        vec![(FaultKind::RelayDead { relay: Relay::Engine }, None)]
    }),
    is_welded(Cause::EngineRelay, |_, _| welded(Relay::Engine)),
];

/// It can show once the fault is over.
const AFTER_IT: Shows = Shows::At(|trial| trial.fault().lasts.map(|lasts| trial.fault_at + lasts));

/// A relay that lets go by itself.
const fn lets_go(cause: Cause, make: fn(&Trial, &mut ChaCha8Rng) -> Made) -> Case {
    Case {
        cause,
        fault: "lets go by itself",
        from: "its contact has opened, 10 ms later",
        budget: "relay_ms, a tick",
        make,
        hidden_at_most: DROP_OUT_S,
        shows: Shows::At(|trial| Some(trial.fault_at + DROP_OUT_S)),
        within: |trial| trial.scenario.machine.control.relay.unwrap_or(0.0) + trial.timing().tick,
        ..PLAIN
    }
}

/// A relay that no longer lets go, which shows once it is told to.
const fn is_welded(cause: Cause, make: fn(&Trial, &mut ChaCha8Rng) -> Made) -> Case {
    Case {
        cause,
        fault: "does not let go when a stop button is pressed",
        budget: "stop_pulse_ms, relay_ms, two ticks",
        make,
        // What is told in one tick is looked at in the next.
        within: |trial| demand(trial) + trial.scenario.machine.control.relay.unwrap_or(0.0) + trial.timing().tick,
        ..PLAIN
    }
}

fn welded(relay: Relay) -> Made {
    vec![(FaultKind::StopButton, None), (FaultKind::RelayWelded { relay }, None)]
}

fn either_station(rng: &mut ChaCha8Rng) -> Station {
    if rng.random_bool(0.5) {
        Station::Seat
    } else {
        Station::Remote
    }
}
