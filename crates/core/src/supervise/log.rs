//! The event log: what supervision noticed, in a ring.

use heapless::Deque;

use super::State;
use crate::cause::Cause;
use crate::inputs::Station;
use crate::last_tick::{Held, Refusal};
use crate::machine::AxisId;
use crate::units::Instant;

/// Events kept; older ones are dropped, but stay counted.
pub const EVENTS_KEPT: usize = 64;

/// Something worth keeping.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Event {
    /// When it was noticed.
    pub at: Instant,
    /// What.
    pub what: What,
    /// On which axis, where it is about one.
    pub axis: Option<AxisId>,
}

/// The kinds of event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum What {
    /// The interlock changed its state.
    State(State),
    /// A cause was latched.
    Cause(Cause),
    /// A station that had been heard, and is not in charge, fell silent.
    StationLost(Station),
    /// The controller started anew; when it last ran, the interlock was in this state.
    Restarted(State),
    /// The controller started anew, and what it was to find of its last run is damaged or was never written.
    RecordLost,
    /// The guard began to hold an axis back.
    Held(Held),
    /// A reset was refused: a cause still stands, or a lever is not at neutral.
    ResetRefused,
    /// An enable was refused: a lever is not at neutral, or the machine is not ready.
    EnableRefused,
    /// An order to bring a tip somewhere was refused, before anything moved.
    OrderRefused(Refusal),
}

/// The newest events, and how many there have been.
#[derive(Debug, Clone, Default)]
pub struct EventLog {
    ring: Deque<Event, EVENTS_KEPT>,
    count: u32,
}

#[cfg(feature = "defmt")]
impl defmt::Format for EventLog {
    fn format(&self, f: defmt::Formatter) {
        defmt::write!(f, "{=u32} events, the newest {}", self.count, self.ring.back());
    }
}

impl EventLog {
    /// Adds an event, dropping the oldest when full.
    pub(super) fn push(&mut self, event: Event) {
        if self.ring.is_full() {
            self.ring.pop_front();
        }
        // There is room now.
        let _ = self.ring.push_back(event);
        self.count = self.count.saturating_add(1);
    }

    /// How many events there have been, those dropped included.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// The events kept that came after the first `seen`, oldest first.
    pub fn since(&self, seen: u32) -> impl Iterator<Item = &Event> {
        let new = self.count.saturating_sub(seen) as usize;
        self.ring.iter().skip(self.ring.len().saturating_sub(new))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_are_kept_and_all_are_counted() {
        let mut log = EventLog::default();
        for number in 0..100 {
            let at = Instant::from_ticks(number);
            log.push(Event {
                at,
                what: What::ResetRefused,
                axis: None,
            });
        }
        assert_eq!(log.count(), 100);
        assert_eq!(
            log.since(97)
                .map(|event| event.at.as_ticks())
                .collect::<std::vec::Vec<_>>(),
            [97, 98, 99]
        );
        assert_eq!(log.since(0).count(), EVENTS_KEPT);
        assert_eq!(log.since(100).count(), 0);
    }
}
