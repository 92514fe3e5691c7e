//! Relays: what switches the three paths, each without current at rest.

use embedded_hal::digital::{OutputPin, PinState};

use crate::trouble::Fault;

/// Something that pulls in with current and lets go without.
pub trait Relay {
    /// Gives it current, or takes it.
    ///
    /// # Errors
    /// It may not be where it was told to be. The board then takes the current of all three, and where that fails too the watchdog is no
    /// longer fed.
    fn set(&mut self, on: bool) -> Result<(), Fault>;
}

/// A relay, or its driver, at a pin.
#[derive(Debug)]
pub struct PinRelay<P> {
    pin: P,
    on: PinState,
}

impl<P: OutputPin> PinRelay<P> {
    /// It has current at this level. The other must be what the pin is at while the controller is in reset: a resistor sees to that, and
    /// no software can.
    pub fn new(pin: P, on: PinState) -> Self {
        Self { pin, on }
    }
}

impl<P: OutputPin> Relay for PinRelay<P> {
    fn set(&mut self, on: bool) -> Result<(), Fault> {
        let level = if on { self.on } else { !self.on };
        self.pin.set_state(level).map_err(|_| Fault::Pin)
    }
}

#[cfg(test)]
mod tests {
    use std::io;

    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::digital::{Mock, State, Transaction};

    use super::*;

    #[test]
    fn the_level_that_means_on_is_the_wirings() {
        for (on, levels) in [
            (PinState::High, [State::High, State::Low]),
            (PinState::Low, [State::Low, State::High]),
        ] {
            let mut pin = Mock::new(&levels.map(Transaction::set));
            let mut relay = PinRelay::new(pin.clone(), on);
            assert_eq!((relay.set(true), relay.set(false)), (Ok(()), Ok(())));
            pin.done();
        }
    }

    #[test]
    fn a_pin_that_does_not_obey_is_told() {
        let failed = Transaction::set(State::Low).with_error(MockError::Io(io::ErrorKind::NotConnected));
        let mut pin = Mock::new(&[failed]);
        assert_eq!(PinRelay::new(pin.clone(), PinState::High).set(false), Err(Fault::Pin));
        pin.done();
    }
}
