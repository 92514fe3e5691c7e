//! Analogue inputs: a voltage, and how long ago it was read.
//!
//! A reading that fails changes nothing but the age of the one before: it never looks like a new one. How old is too old is for the core
//! to say, which knows each sensor's `stale`.

use bellcrank_core::units::{Duration, Instant, Volts};

use crate::trouble::Fault;

/// A reading.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reading {
    /// The voltage at the terminal, V.
    pub volts: Volts,
    /// Time since it was taken.
    pub age: Duration,
}

/// What reads the voltages of some channels.
pub trait Analogue {
    /// Goes on with its work: takes up what has been converted, starts what is next. To be called once a turn, with the time of it. It
    /// never waits for a conversion; a transfer over the bus takes its time.
    ///
    /// # Errors
    /// Something was not read. What was read before stays, and ages.
    fn refresh(&mut self, now: Instant) -> Result<(), Fault>;

    /// The newest reading of a channel. None before the first, and for a channel that there is not.
    fn read(&self, channel: u8, now: Instant) -> Option<Reading>;

    /// How many channels there are.
    fn channels(&self) -> u8;
}

/// Most channels of a converter.
pub const CHANNELS_MAX: usize = 16;

/// The newest voltage of each channel, and when it was taken.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Newest([Option<(Volts, Instant)>; CHANNELS_MAX]);

impl Newest {
    /// A voltage that was taken at a time.
    pub fn put(&mut self, channel: u8, volts: Volts, at: Instant) {
        if let Some(place) = self.0.get_mut(usize::from(channel)) {
            *place = Some((volts, at));
        }
    }

    /// The reading, with its age now: the longest there is, if it is longer, or if the clock went backwards.
    pub fn read(&self, channel: u8, now: Instant) -> Option<Reading> {
        let (volts, at) = (*self.0.get(usize::from(channel))?)?;
        let age = since(at, now).unwrap_or(Duration::from_ticks(u32::MAX));
        Some(Reading { volts, age })
    }
}

/// The time that has gone by. None if the clock went backwards.
pub(crate) fn since(at: Instant, now: Instant) -> Option<Duration> {
    let micros = now.as_ticks().checked_sub(at.as_ticks())?;
    Some(Duration::from_ticks(u32::try_from(micros).unwrap_or(u32::MAX)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_ages_until_there_is_a_newer_one() {
        let at = Instant::from_ticks;
        let volts = |number| Volts::new(number).unwrap();
        let read = |newest: &Newest, now| {
            newest
                .read(3, at(now))
                .map(|reading| (reading.volts, reading.age.as_ticks()))
        };
        let mut newest = Newest::default();
        assert_eq!(read(&newest, 10), None);
        newest.put(3, volts(1.5), at(10));
        assert_eq!(read(&newest, 10), Some((volts(1.5), 0)));
        assert_eq!(read(&newest, 5_010), Some((volts(1.5), 5_000)));
        assert_eq!(read(&newest, 9), Some((volts(1.5), u32::MAX)));
        assert_eq!(read(&newest, u64::MAX), Some((volts(1.5), u32::MAX)));
        newest.put(3, volts(2.5), at(6_000));
        assert_eq!(read(&newest, 6_001), Some((volts(2.5), 1)));
        newest.put(200, volts(2.5), at(6_000));
        assert_eq!(newest.read(200, at(6_000)), None);
    }
}
