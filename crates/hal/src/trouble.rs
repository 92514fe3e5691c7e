//! What can go wrong between the core and the terminals, where it did, and in which way a board does not suit a machine.
//!
//! A trouble is for whoever looks for the fault. It decides nothing: what a piece that failed counts as is said where that piece stands,
//! and is always the value that moves less.

use core::fmt;

use bellcrank_core::machine::AxisId;
use heapless::Vec;

/// What went wrong with one piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fault {
    /// A pin, a timer or a serial port gave an error instead of doing as it was told.
    Pin,
    /// A transfer over the bus failed.
    Bus,
    /// Nobody answered at that address of the bus.
    NoAnswer,
    /// An answer came that the converter cannot have given.
    Garbage,
    /// A signal of another kind than the output's, or one that no machine gives.
    Unsuitable,
}

/// Where it went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Place {
    /// A channel of the stop chain, 0 or 1.
    StopChain(u8),
    /// The reset button.
    Reset,
    /// The selector between seat and remote.
    Selector,
    /// The key for commissioning.
    Key,
    /// The station at the seat.
    Seat,
    /// The wireless station.
    Remote,
    /// The feedback contact of a relay.
    Feedback(Path),
    /// A converter, by its place among the board's.
    Converter(u8),
    /// The output to the valve of an axis.
    Valve(AxisId),
    /// What switches a relay.
    Relay(Path),
    /// The external watchdog.
    Watchdog,
}

/// One of the three paths by which motion ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Path {
    /// Power to the valves' electronics.
    ValvePower,
    /// Current to the dump valve.
    Dump,
    /// The engine.
    Engine,
}

/// What went wrong, and where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Trouble {
    /// Where.
    pub at: Place,
    /// What.
    pub what: Fault,
}

/// Most places that can be in trouble in one turn of a [`Wired`](crate::Wired) board: two stop channels, three contacts on the panel, two
/// stations, three relays with their contacts, four converters, fourteen valves and the watchdog.
pub const TROUBLES_MAX: usize = 32;

/// What went wrong in one turn: for each place the first.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Troubles(Vec<Trouble, TROUBLES_MAX>);

impl Troubles {
    /// Notes what went wrong at a place, unless something has in this turn. Gives what there is, if it went well. A board of another
    /// kind with more places than [`TROUBLES_MAX`] loses the last of them here, and nothing else.
    pub fn note<T>(&mut self, at: Place, result: Result<T, Fault>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(what) => {
                if !self.iter().any(|trouble| trouble.at == at) {
                    let _ = self.0.push(Trouble { at, what });
                }
                None
            }
        }
    }

    /// All of them, in the order in which they came.
    pub fn iter(&self) -> impl Iterator<Item = &Trouble> {
        self.0.iter()
    }

    /// Everything went well.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// Why a board does not suit a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Misfit {
    /// No output for the valve of this axis, one of another kind, or one that does not reach as far; or an output for an axis that the
    /// machine has not.
    Valve(AxisId),
    /// A sensor of this axis, or what feeds it, is read nowhere.
    Sensor(AxisId),
    /// The machine says what its control voltage must be, and it is read nowhere.
    Supply,
    /// The machine has feedback contacts, and this one is read nowhere.
    Feedback(Path),
    /// The machine has a wireless station, and the board has none.
    Remote,
    /// The machine is slower in commissioning, and the board has no key for that.
    Key,
    /// The machine's tick is not within the window of the watchdog.
    Watchdog,
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Valve(id) => write!(
                f,
                "axis {}: the output is not what the machine's valve is told by",
                id.index()
            ),
            Self::Sensor(id) => write!(f, "axis {}: a sensor, or its supply, is read nowhere", id.index()),
            Self::Supply => f.write_str("the control voltage is read nowhere"),
            Self::Feedback(path) => write!(f, "{path:?}: the feedback contact is read nowhere"),
            Self::Remote => f.write_str("no wireless station"),
            Self::Key => f.write_str("no key for commissioning"),
            Self::Watchdog => f.write_str("the tick is not within the watchdog's window"),
        }
    }
}

impl core::error::Error for Misfit {}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use super::*;

    #[test]
    fn of_each_place_the_first() {
        let mut troubles = Troubles::default();
        assert!(troubles.is_empty());
        assert_eq!(troubles.note(Place::Reset, Ok(7)), Some(7));
        assert!(troubles.is_empty());
        for (at, what) in [
            (Place::Seat, Fault::Pin),
            (Place::Remote, Fault::Bus),
            (Place::Seat, Fault::Garbage),
        ] {
            assert_eq!(troubles.note::<()>(at, Err(what)), None);
        }
        let noted: Vec<_> = troubles.iter().map(|trouble| (trouble.at, trouble.what)).collect();
        assert_eq!(noted, [(Place::Seat, Fault::Pin), (Place::Remote, Fault::Bus)]);
        assert!(!troubles.is_empty());
    }

    #[test]
    fn more_than_there_is_room_for_is_left_out() {
        let mut troubles = Troubles::default();
        for number in 0..=u8::MAX {
            assert_eq!(troubles.note::<()>(Place::Converter(number), Err(Fault::Bus)), None);
        }
        assert_eq!(troubles.iter().count(), TROUBLES_MAX);
    }
}
