//! Switches and doubts: a level that must hold to count, and two channels that must agree.

use crate::contact::Contact;
use crate::inputs::{Inputs, Station};
use crate::machine::Machine;
use crate::units::{Duration, Held, Volts};

/// What the switches say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Levels {
    /// A channel of the stop chain is open, for longer than a test pulse. Not debounced: a stop is taken at once.
    pub stop_demanded: bool,
    /// The channels of the stop chain have differed for too long.
    pub stop_discrepancy: bool,
    /// When the stop chain was last opened one of its channels stayed closed: it may be welded. Until both have opened in one go.
    pub stop_stuck: bool,
    /// What feeds the controller has been missing or outside its band for the debounce time.
    pub supply_bad: bool,
    /// The reset button, debounced.
    pub reset: bool,
    /// The enabling switch at the seat, debounced.
    pub seat_enable: bool,
    /// The enabling switch of the wireless station, debounced.
    pub remote_enable: bool,
}

impl Levels {
    /// The enabling switch of a station, debounced.
    pub fn enable(&self, station: Station) -> bool {
        match station {
            Station::Seat => self.seat_enable,
            Station::Remote => self.remote_enable,
        }
    }
}

/// What is remembered of the switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Switches {
    contacts: (Contact, Contact),
    stop: DualChannel,
    supply_bad: Debounced,
    reset: Debounced,
    seat_enable: Debounced,
    remote_enable: Debounced,
}

impl Switches {
    /// One tick of looking at the switches.
    pub fn step(&mut self, machine: &Machine, inputs: &Inputs, dt: Duration) -> Levels {
        let timing = machine.timing();
        let [first, second] = inputs.stop_chain;
        let open = [
            self.contacts.0.open(first, timing.stop_pulse, dt),
            self.contacts.1.open(second, timing.stop_pulse, dt),
        ];
        let (stop_discrepancy, stop_stuck) = self.stop.step(open, timing.stop_discrepancy, dt);
        let supply = inputs.supply.map_or(0.0, Volts::volts);
        let bad = |(low, high): (f32, f32)| supply < low || supply > high;
        let supply_bad = machine.control_supply().is_some_and(bad);
        Levels {
            stop_demanded: open.contains(&true),
            stop_discrepancy,
            stop_stuck,
            supply_bad: self.supply_bad.step(supply_bad, timing.debounce, dt),
            reset: self.reset.step(inputs.reset, timing.debounce, dt),
            seat_enable: self.seat_enable.step(inputs.seat.enable, timing.debounce, dt),
            remote_enable: self.remote_enable.step(inputs.remote.enable, timing.debounce, dt),
        }
    }
}

/// A switch, or a doubt, that counts only once it has held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Debounced {
    held: Held,
}

impl Debounced {
    /// Rising only after `time`; falling at once, since letting go must never be late.
    pub fn step(&mut self, raw: bool, time: Duration, dt: Duration) -> bool {
        self.held.reaches(time, raw, dt)
    }
}

/// Two channels that carry the same message: each opens with the other, or one of them is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct DualChannel {
    apart: Held,
    opened: [bool; 2],
    stuck: bool,
}

impl DualChannel {
    /// One tick. Gives whether the channels have differed for longer than `longest`, and whether one of them stayed closed the whole of the last
    /// time that they were opened. The second stands until both have opened in one go: that shows that the other is well again.
    pub fn step(&mut self, open: [bool; 2], longest: Duration, dt: Duration) -> (bool, bool) {
        let [first, second] = open;
        if first || second {
            let [one, other] = self.opened;
            self.opened = [one || first, other || second];
        } else if self.opened != [false; 2] {
            self.stuck = self.opened != [true; 2];
            self.opened = [false; 2];
        }
        let longer = Duration::from_ticks(longest.as_ticks().saturating_add(1));
        (self.apart.reaches(longer, first != second, dt), self.stuck)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OPEN: [bool; 2] = [true; 2];
    const CLOSED: [bool; 2] = [false; 2];

    /// What the last of these ticks of 1 ms shows, where 2 ms apart are well.
    fn last(channels: &[[bool; 2]]) -> (bool, bool) {
        let mut dual = DualChannel::default();
        let (longest, dt) = (Duration::from_ticks(2_000), Duration::from_ticks(1_000));
        channels
            .iter()
            .map(|open| dual.step(*open, longest, dt))
            .last()
            .unwrap()
    }

    #[test]
    fn channels_that_follow_each_other_soon_enough_are_well() {
        let one = [true, false];
        assert_eq!(last(&[one, one, OPEN, OPEN, one, one, CLOSED]), (false, false));
        assert_eq!(last(&[one, one, one]), (true, false));
    }

    #[test]
    fn a_channel_that_never_opened_is_stuck_until_both_open() {
        for one in [[true, false], [false, true]] {
            assert_eq!(last(&[one, CLOSED]), (false, true));
            assert_eq!(last(&[one, CLOSED, one, CLOSED, CLOSED]), (false, true));
            assert_eq!(last(&[one, CLOSED, OPEN]), (false, true));
            assert_eq!(last(&[one, CLOSED, one, OPEN, CLOSED]), (false, false));
        }
    }

    /// First one channel and then the other, never both at the same moment: still each of them has opened.
    #[test]
    fn it_is_enough_that_each_opened() {
        assert_eq!(last(&[[true, false], [false, true], CLOSED]), (false, false));
    }
}
