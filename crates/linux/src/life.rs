//! Signs of life from the other end, and how old what it says is.
//!
//! The counter that goes out moves whenever the watchdog is fed; the other end repeats the newest that it has seen. What comes in with a
//! number is no older than that number, since it was put together after the number had been seen: so its age is known without a clock at
//! the other end, both ways included. A number that was not sent lately is no sign of life: neither one that a file has kept from
//! yesterday, nor one that somebody else counts, nor noise, but for the odd one that happens to be right. Zero is never sent: it is what a
//! file begins with, and what terminals without anybody show.

use bellcrank_core::units::{Duration, Instant};

/// How many numbers are remembered.
const KEPT: usize = 128;

/// The counter of this end.
#[derive(Debug, Clone)]
pub struct Life {
    /// The greatest number that it gets to; then it begins again at 1.
    mask: u32,
    /// The newest number, when each of the last ones was first sent, and how many of them have been.
    newest: u32,
    sent: [Instant; KEPT],
    count: usize,
}

impl Life {
    /// A counter of so many bytes that begins anywhere, so that one process is not taken for the one before, and has sent its first number.
    pub fn new(bytes: usize, anywhere: u32, now: Instant) -> Self {
        let mask = u32::MAX >> (32 - 8 * bytes.clamp(1, 4));
        Self {
            mask,
            newest: 1 + anywhere % mask,
            sent: [now; KEPT],
            count: 1,
        }
    }

    /// The number to send.
    pub fn number(&self) -> u32 {
        self.newest
    }

    /// Counts on.
    pub fn beat(&mut self, now: Instant) {
        self.newest = if self.newest == self.mask { 1 } else { self.newest + 1 };
        self.sent.rotate_right(1);
        self.sent[0] = now;
        self.count = (self.count + 1).min(KEPT);
    }

    /// When the number was sent that came back. None where it was not sent lately.
    pub fn answered(&self, echo: u32) -> Option<Instant> {
        if echo == 0 || echo > self.mask {
            return None;
        }
        let behind = match self.newest.checked_sub(echo) {
            Some(behind) => behind,
            None => self.mask - (echo - self.newest),
        };
        let behind = usize::try_from(behind).ok().filter(|behind| *behind < self.count)?;
        self.sent.get(behind).copied()
    }
}

/// The time since `at`. None where that is longer than can be told, or `at` has not come yet.
pub(crate) fn since(at: Instant, now: Instant) -> Option<Duration> {
    let micros = now.checked_duration_since(at)?.as_ticks();
    Some(Duration::from_ticks(u32::try_from(micros).ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ticks: u64) -> Instant {
        Instant::from_ticks(ticks)
    }

    #[test]
    fn what_comes_back_is_as_old_as_what_was_sent() {
        let mut life = Life::new(2, 0, at(0));
        assert_eq!((life.answered(1), life.answered(0)), (Some(at(0)), None));
        for beat in 1..=300 {
            life.beat(at(1000 * beat));
        }
        assert_eq!(life.number(), 301);
        assert_eq!(life.answered(301), Some(at(300_000)));
        assert_eq!(life.answered(298), Some(at(297_000)));
        assert_eq!(life.answered(174), Some(at(173_000)));
        assert_eq!(life.answered(173), None, "too long ago");
        assert_eq!(life.answered(302), None, "not sent yet");
    }

    /// Of all the numbers there are, noise has to hit one of the last.
    #[test]
    fn a_number_that_was_never_sent_is_no_sign_of_life() {
        let mut life = Life::new(2, 0xffff_ffff, at(0));
        let right = (0..=0x1_0000).filter(|echo| life.answered(*echo).is_some()).count();
        assert_eq!(right, 1);
        for beat in 1..=1000 {
            life.beat(at(beat));
        }
        let right = (0..=0x1_0000).filter(|echo| life.answered(*echo).is_some()).count();
        assert_eq!(right, KEPT);
    }

    #[test]
    fn it_begins_again_at_one_and_never_sends_a_zero() {
        let mut life = Life::new(1, 250, at(0));
        for beat in 1..=10 {
            life.beat(at(beat));
            assert_ne!(life.number(), 0);
            let sent = (251 + u32::try_from(beat).unwrap() - 1) % 255 + 1;
            assert_eq!((life.number(), life.answered(sent)), (sent, Some(at(beat))));
            assert_eq!(life.answered(251), Some(at(0)), "{beat}");
        }
    }

    #[test]
    fn a_counter_of_any_width_begins_somewhere() {
        for bytes in [1, 2, 4] {
            for anywhere in [0, 1, 255, 65_535, u32::MAX] {
                let mut life = Life::new(bytes, anywhere, at(0));
                let first = life.number();
                life.beat(at(1));
                assert_eq!(
                    (life.answered(first), life.answered(life.number())),
                    (Some(at(0)), Some(at(1)))
                );
            }
        }
    }
}
