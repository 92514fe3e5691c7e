//! A voltage for a valve that has electronics of its own, out of a digital-to-analogue converter.

use bellcrank_core::machine::Channel;
use bellcrank_core::math;
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::units::Volts;

use crate::trouble::Fault;
use crate::valve::{ValveOut, off_for};

/// A digital-to-analogue converter with all that stands between it and the terminal.
pub trait Dac {
    /// Least and greatest voltage of the terminal, V.
    fn range(&self) -> (Volts, Volts);

    /// Puts a voltage on the terminal, within [`Self::range`].
    ///
    /// # Errors
    /// The voltage may not be there.
    fn set(&mut self, volts: Volts) -> Result<(), Fault>;
}

/// A valve at such a converter.
///
/// The core tells a voltage of either sign, and 0 V closes the valve. A card for 0-10 V has its middle for that: then `closed` is 5 V, and
/// is added to what the core tells. Beyond the ends of the range it gives the end.
///
/// To switch it off is to give `closed`, for without a voltage such a card may be all the way open. So the valve's electronics must get their
/// power through the valve power relay. The converter must not: it is told in every turn, and one that does not answer keeps the machine
/// stopped.
#[derive(Debug)]
pub struct DacValve<D> {
    dac: D,
    closed: Volts,
}

impl<D: Dac> DacValve<D> {
    /// A valve at this converter, closed at so many volts of the terminal.
    pub fn new(dac: D, closed: Volts) -> Self {
        Self { dac, closed }
    }
}

impl<D: Dac> ValveOut for DacValve<D> {
    fn set(&mut self, signal: ValveSignal) -> Result<(), Fault> {
        let ValveSignal::Voltage(told) = signal else {
            return off_for(self, Fault::Unsuitable);
        };
        let (low, high) = self.dac.range();
        let terminal = math::clamp(self.closed.volts() + told.volts(), low.volts(), high.volts());
        let given = Volts::new(terminal)
            .map_err(|_| Fault::Unsuitable)
            .and_then(|volts| self.dac.set(volts));
        match given {
            Ok(()) => Ok(()),
            Err(fault) => off_for(self, fault),
        }
    }

    fn off(&mut self) -> Result<(), Fault> {
        self.dac.set(self.closed)
    }

    fn takes(&self, channel: &Channel) -> bool {
        let Channel::Voltage(voltage) = channel else {
            return false;
        };
        let (low, high) = self.dac.range();
        let closed = self.closed.volts();
        closed - voltage.full >= low.volts() && closed + voltage.full <= high.volts()
    }
}

#[cfg(test)]
mod tests {
    use bellcrank_core::machine::Voltage;
    use bellcrank_core::units::{Amps, Duty};
    use std::vec::Vec;

    use super::*;

    fn volts(number: f32) -> Volts {
        Volts::new(number).unwrap()
    }

    /// 0-10 V. What it was told, and whether each of that fails.
    #[derive(Default)]
    struct Card {
        told: Vec<f32>,
        fails: Vec<bool>,
    }

    impl Dac for &mut Card {
        fn range(&self) -> (Volts, Volts) {
            (volts(0.0), volts(10.0))
        }

        fn set(&mut self, volts: Volts) -> Result<(), Fault> {
            self.told.push(volts.volts());
            if self.fails.pop().unwrap_or(false) {
                Err(Fault::Bus)
            } else {
                Ok(())
            }
        }
    }

    #[test]
    fn zero_is_where_the_valve_is_closed() {
        let mut card = Card::default();
        let mut valve = DacValve::new(&mut card, volts(5.0));
        for told in [0.0, 5.0, -5.0, 2.5, 5.1, -7.0] {
            assert_eq!(valve.set(ValveSignal::Voltage(volts(told))), Ok(()));
        }
        assert_eq!(valve.off(), Ok(()));
        assert_eq!(card.told, [5.0, 10.0, 0.0, 7.5, 10.0, 0.0, 5.0]);
    }

    #[test]
    fn what_cannot_be_given_closes_the_valve() {
        let mut card = Card {
            fails: [false, true].to_vec(),
            ..Card::default()
        };
        let mut valve = DacValve::new(&mut card, volts(5.0));
        assert_eq!(valve.set(ValveSignal::Voltage(volts(3.0))), Err(Fault::Bus));
        let currents = ValveSignal::Currents {
            out: Amps::default(),
            inward: Amps::default(),
        };
        for other in [ValveSignal::Duty(Duty::default()), currents] {
            assert_eq!(valve.set(other), Err(Fault::Unsuitable));
        }
        assert_eq!(card.told, [8.0, 5.0, 5.0, 5.0]);
    }

    #[test]
    fn it_takes_what_is_within_its_range() {
        let channel = |full| Channel::Voltage(Voltage { full, reversed: false });
        for (closed, full, takes) in [
            (5.0, 5.0, true),
            (5.0, 5.1, false),
            (0.0, 1.0, false),
            (9.5, 1.0, false),
        ] {
            let mut card = Card::default();
            assert_eq!(DacValve::new(&mut card, volts(closed)).takes(&channel(full)), takes);
        }
    }
}
