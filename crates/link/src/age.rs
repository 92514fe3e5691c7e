//! How old what the hands said is, at most, whatever the channel does.
//!
//! The machine sends its time, the hand control sends it back with how long it kept it. So all is told by the machine's clock, no clocks
//! have to agree, and what is not accounted for is the whole way there and back:
//!
//! ```text
//! machine   beat sent                                    frame came     now
//!              |---- way there ---|- held -|- way back -----|------------|
//! hand control                 heard     made
//!
//! age <= now - beat sent - (held - read) + (held + read) * CLOCK_ERROR
//! ```
//!
//! Formula: the true age of a frame is `now - made + read`, and `made` is no earlier than `beat sent + held`, with `held` measured by
//! a clock that runs fast by [`CLOCK_ERROR`] at most. A channel that holds frames back by T, on either way, adds T to the bound in full:
//! it cannot make a frame look young, for the beat could not be known before it was sent. What it costs is that the way there counts
//! as age, too.

use bellcrank_core::units::{Duration, Instant};

use crate::refused::Refused;
use crate::wire::Stamp;

/// The largest error of the hand control's clock against the machine's, as a share: one in this many. An oscillator without a
/// crystal keeps to it (*common practice, no source*).
pub const CLOCK_ERROR: u32 = 32;

/// What the frame that was taken last said, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Aged<T> {
    /// What it said.
    pub said: T,
    /// Its age when it came.
    age: Duration,
    came: Instant,
}

impl<T> Aged<T> {
    /// A frame that came now.
    pub fn new(said: T, stamp: Stamp, now: Instant) -> Result<Self, Refused> {
        let age = age(stamp, now)?;
        Ok(Self { said, age, came: now })
    }

    /// Its age now, no less than it is. The longest duration there is, if it is longer, or if the clock went backwards.
    pub fn age(&self, now: Instant) -> Duration {
        let since = now.as_ticks().checked_sub(self.came.as_ticks()).unwrap_or(u64::MAX);
        micros(since.saturating_add(u64::from(self.age.as_ticks())))
    }
}

/// The greatest age that a frame may have.
fn age(stamp: Stamp, now: Instant) -> Result<Duration, Refused> {
    let (held, read) = (u64::from(stamp.held), u64::from(stamp.read));
    // All of these are far from the ends of 64 bits, but for a time that nobody lives to see.
    let clock_error = held.saturating_add(read).div_ceil(u64::from(CLOCK_ERROR));
    let round_trip = now.as_ticks().checked_sub(stamp.echo).ok_or(Refused::FromTheFuture)?;
    let age = round_trip.saturating_add(clock_error).checked_sub(held);
    Ok(micros(age.ok_or(Refused::FromTheFuture)?.saturating_add(read)))
}

fn micros(ticks: u64) -> Duration {
    Duration::from_ticks(u32::try_from(ticks).unwrap_or(u32::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(us: u64) -> Instant {
        Instant::from_ticks(us)
    }

    #[test]
    fn the_bound_is_the_way_there_and_back() {
        let stamp = Stamp {
            echo: 1_000,
            held: 3_200,
            read: 320,
        };
        // 5 ms on the way there, 7 ms on the way back, and 1/32 of 3.52 ms.
        let aged = Aged::new((), stamp, at(1_000 + 5_000 + 3_200 + 7_000)).unwrap();
        assert_eq!(aged.age(at(16_200)).as_ticks(), 12_000 + 320 + 110);
        assert_eq!(aged.age(at(16_200 + 40)).as_ticks(), 12_000 + 320 + 110 + 40);
    }

    #[test]
    fn what_cannot_be_is_refused_or_old() {
        let stamp = |echo, held| Stamp { echo, held, read: 0 };
        let age = |stamp, now| age(stamp, at(now)).map(|age| age.as_ticks());
        assert_eq!(age(stamp(1_001, 0), 1_000), Err(Refused::FromTheFuture));
        assert_eq!(age(stamp(0, 3_200), 3_099), Err(Refused::FromTheFuture));
        assert_eq!(age(stamp(0, 3_200), 3_100), Ok(0));
        assert_eq!(age(stamp(0, 0), u64::MAX), Ok(u32::MAX));
        assert_eq!(age(stamp(0, u32::MAX), u64::MAX), Ok(u32::MAX));
        let aged = Aged::new((), stamp(0, 0), at(1_000)).unwrap();
        assert_eq!(aged.age(at(999)).as_ticks(), u32::MAX);
    }
}
