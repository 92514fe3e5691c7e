//! The way from a hand control to the core.

use bellcrank_core::cause::Cause;

use super::{Entry, PLAIN, Subsystem};
use crate::scenario::FaultKind;

const LINK: Entry = Entry {
    subsystem: Subsystem::Links,
    names: &[Cause::LinkLost],
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "link lost",
        about: "no frames come from the station in charge",
        make: |at| (FaultKind::LinkLost { station: at.station }, None),
        always: true,
        ..LINK
    },
    Entry {
        name: "link poor",
        about: "many frames from the station in charge are lost or unusable",
        amount: "50 to 98 % of them",
        make: |at| {
            let (station, share) = (at.station, at.between(0.5, 0.98));
            (FaultKind::LinkPoor { station, share }, None)
        },
        ..LINK
    },
    Entry {
        name: "link delayed",
        about: "all that goes between the station in charge and the core is held back",
        amount: "20 to 1000 ms either way",
        make: |at| {
            let (station, by) = (at.station, at.between(0.02, 1.0));
            (FaultKind::LinkDelayed { station, by }, None)
        },
        ..LINK
    },
    Entry {
        name: "link repeats",
        about: "an old frame of the station in charge is brought again and again, and no new one",
        make: |at| (FaultKind::LinkRepeats { station: at.station }, None),
        always: true,
        ..LINK
    },
    Entry {
        name: "link reorders",
        about: "frames of the station in charge come in another order",
        amount: "2 to 20 at a time, the newest first",
        make: |at| {
            #[allow(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "between 2 and 20"
            )]
            let among = at.between(2.0, 20.0).round() as usize;
            let station = at.station;
            (FaultKind::LinkReorders { station, among }, None)
        },
        ..LINK
    },
    Entry {
        name: "link corrupts",
        about: "bits of the frames of the station in charge are turned over",
        amount: "0.05 to 10 % of the bits",
        make: |at| {
            let (station, share) = (at.station, at.between(0.0005, 0.1));
            (FaultKind::LinkCorrupts { station, share }, None)
        },
        ..LINK
    },
    Entry {
        name: "link forged",
        about: "somebody without the key speaks in the place of the station in charge, every lever over",
        make: |at| (FaultKind::LinkForged { station: at.station }, None),
        always: true,
        ..LINK
    },
    Entry {
        name: "link jammed",
        about: "noise drowns all that goes between the station in charge and the core",
        make: |at| (FaultKind::LinkJammed { station: at.station }, None),
        always: true,
        ..LINK
    },
    Entry {
        name: "link half open",
        about: "the station in charge is heard, but hears nothing",
        // It is believed for as long as it is heard, and gives up by itself.
        make: |at| (FaultKind::LinkHalfOpen { station: at.station }, None),
        ..LINK
    },
];
