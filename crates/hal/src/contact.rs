//! Contacts: what a pin says about a switch, as it is now.
//!
//! Levels are given raw. Debouncing, test pulses and the comparison of two channels are the core's, which does them with the machine's
//! own times; to do them here as well would only make a stop later.

use embedded_hal::digital::{InputPin, PinState};

use crate::trouble::Fault;

/// A contact that is open or closed.
pub trait Contact {
    /// It is closed.
    ///
    /// # Errors
    /// It could not be read. Whoever asked takes it for what moves less: open, but for a feedback contact, which then contradicts its
    /// relay.
    fn closed(&mut self) -> Result<bool, Fault>;
}

/// A contact between a pin and one of its two levels. The other level is what a resistor holds the pin at while the contact is open, so a
/// broken wire reads as open.
#[derive(Debug)]
pub struct PinContact<P> {
    pin: P,
    closed: PinState,
}

impl<P: InputPin> PinContact<P> {
    /// Closed is this level.
    pub fn new(pin: P, closed: PinState) -> Self {
        Self { pin, closed }
    }
}

impl<P: InputPin> Contact for PinContact<P> {
    fn closed(&mut self) -> Result<bool, Fault> {
        let high = self.pin.is_high().map_err(|_| Fault::Pin)?;
        Ok(high == (self.closed == PinState::High))
    }
}

#[cfg(test)]
mod tests {
    use std::io;

    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

    use super::*;

    #[test]
    fn the_level_that_means_closed_is_the_wirings() {
        for (closed, level, says) in [
            (PinState::High, State::High, true),
            (PinState::High, State::Low, false),
            (PinState::Low, State::High, false),
            (PinState::Low, State::Low, true),
        ] {
            let mut pin = Mock::new(&[Transaction::get(level)]);
            assert_eq!(PinContact::new(pin.clone(), closed).closed(), Ok(says));
            pin.done();
        }
    }

    #[test]
    fn a_pin_that_cannot_be_read_is_no_closed_contact() {
        let failed = Transaction::get(State::High).with_error(MockError::Io(io::ErrorKind::NotConnected));
        let mut pin = Mock::new(&[failed]);
        assert_eq!(PinContact::new(pin.clone(), PinState::High).closed(), Err(Fault::Pin));
        pin.done();
    }
}
