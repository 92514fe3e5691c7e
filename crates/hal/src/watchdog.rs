//! The external watchdog: what takes the current of every relay when the loop no longer runs as it should.
//!
//! It has to stand outside of the processor, or have a clock of its own at the least, and to act on the relays without any software. It is
//! fed when the core has turned its `alive` over, which it does after a tick that went through every stage in order, and at no other time.

use bellcrank_core::units::Duration;
use embedded_hal::digital::OutputPin;

use crate::trouble::Fault;

/// A watchdog with a window.
pub trait Watchdog {
    /// Feeds it, once.
    ///
    /// # Errors
    /// It may not have been fed. Nothing is done about that: it bites, as it should.
    fn feed(&mut self) -> Result<(), Fault>;

    /// Least and greatest time between two feeds that it bears with. Least is 0 where it has no window.
    fn window(&self) -> (Duration, Duration);
}

/// A watchdog that is fed by each change of a level.
#[derive(Debug)]
pub struct PinWatchdog<P> {
    pin: P,
    high: bool,
    window: (Duration, Duration),
}

impl<P: OutputPin> PinWatchdog<P> {
    /// A watchdog at this pin, which is low, with the window that its parts set.
    pub fn new(pin: P, window: (Duration, Duration)) -> Self {
        Self {
            pin,
            high: false,
            window,
        }
    }
}

impl<P: OutputPin> Watchdog for PinWatchdog<P> {
    fn feed(&mut self) -> Result<(), Fault> {
        let next = !self.high;
        self.pin.set_state(next.into()).map_err(|_| Fault::Pin)?;
        self.high = next;
        Ok(())
    }

    fn window(&self) -> (Duration, Duration) {
        self.window
    }
}

/// The core's `alive`, when it was last looked at. It is false before the first tick.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Beat(bool);

impl Beat {
    /// It has turned over since.
    pub fn turned_over(&mut self, alive: bool) -> bool {
        core::mem::replace(&mut self.0, alive) != alive
    }
}

#[cfg(test)]
mod tests {
    use std::io;

    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

    use super::*;

    #[test]
    fn a_level_that_stays_feeds_nothing() {
        let mut beat = Beat::default();
        let seen = [false, true, true, false, false, true].map(|alive| beat.turned_over(alive));
        assert_eq!(seen, [false, true, false, true, false, true]);
    }

    #[test]
    fn each_feed_is_a_change_of_level() {
        let lost = MockError::Io(io::ErrorKind::NotConnected);
        let mut pin = Mock::new(&[
            Transaction::set(State::High),
            Transaction::set(State::Low).with_error(lost),
            Transaction::set(State::Low),
            Transaction::set(State::High),
        ]);
        let window = (Duration::from_ticks(1_000), Duration::from_ticks(5_000));
        let mut watchdog = PinWatchdog::new(pin.clone(), window);
        let fed = [(); 4].map(|()| watchdog.feed());
        assert_eq!(fed, [Ok(()), Err(Fault::Pin), Ok(()), Ok(())]);
        pin.done();
    }
}
