//! The currents of two coils, one for each direction: never both.

use bellcrank_core::machine::Channel;
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::units::Amps;
use embedded_hal::pwm::SetDutyCycle;

use crate::trouble::Fault;
use crate::valve::{ValveOut, off_for};

/// Two PWM channels, each with a coil.
///
/// The coil that is to have no current is switched off before the other gets any; where that fails, both are switched off. A current is
/// given as a share of what a coil gets while its channel is on for the whole period, rounded down to a step of the timer. What makes a
/// current out of a share is the driver's affair: one that regulates keeps to it; without, it is right for one temperature and voltage.
#[derive(Debug)]
pub struct CoilPair<P, Q> {
    out: P,
    inward: Q,
    full: Amps,
}

impl<P: SetDutyCycle, Q: SetDutyCycle> CoilPair<P, Q> {
    /// The coil that extends, the coil that retracts, and the current of either at full duty. None where that is 0.
    pub fn new(out: P, inward: Q, full: Amps) -> Option<Self> {
        (full.amps() > 0.0).then_some(Self { out, inward, full })
    }
}

impl<P: SetDutyCycle, Q: SetDutyCycle> ValveOut for CoilPair<P, Q> {
    fn set(&mut self, signal: ValveSignal) -> Result<(), Fault> {
        let ValveSignal::Currents { out, inward } = signal else {
            return off_for(self, Fault::Unsuitable);
        };
        let given = if out.amps() == 0.0 && inward.amps() == 0.0 {
            return self.off();
        } else if inward.amps() == 0.0 {
            give(&mut self.out, &mut self.inward, out.amps() / self.full.amps())
        } else if out.amps() == 0.0 {
            give(&mut self.inward, &mut self.out, inward.amps() / self.full.amps())
        } else {
            Err(Fault::Unsuitable)
        };
        match given {
            Ok(()) => Ok(()),
            Err(fault) => off_for(self, fault),
        }
    }

    /// Tries both, whatever comes of the first.
    fn off(&mut self) -> Result<(), Fault> {
        let out = self.out.set_duty_cycle_fully_off().is_ok();
        let inward = self.inward.set_duty_cycle_fully_off().is_ok();
        if out && inward { Ok(()) } else { Err(Fault::Pin) }
    }

    fn takes(&self, channel: &Channel) -> bool {
        let Channel::Coils(coils) = channel else {
            return false;
        };
        let reaches = coils.full.out <= self.full.amps() && coils.full.inward <= self.full.amps();
        reaches && self.out.max_duty_cycle() > 0 && self.inward.max_duty_cycle() > 0
    }
}

/// So much of full current to one coil, none to the other. More than full is full.
fn give(coil: &mut impl SetDutyCycle, other: &mut impl SetDutyCycle, share: f32) -> Result<(), Fault> {
    other.set_duty_cycle_fully_off().map_err(|_| Fault::Pin)?;
    let max = coil.max_duty_cycle();
    coil.set_duty_cycle(steps_below(share, max)).map_err(|_| Fault::Pin)
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "positive, and below the steps of the timer"
)]
fn steps_below(share: f32, max: u16) -> u16 {
    if share < 1.0 {
        (share * f32::from(max)) as u16
    } else {
        max
    }
}

#[cfg(test)]
mod tests {
    use core::fmt;

    use bellcrank_core::machine::{Coils, EachWay};
    use bellcrank_core::units::{Duty, Volts};
    use embedded_hal::pwm::{self, ErrorType};
    use embedded_hal_mock::eh1::pwm::{Mock, Transaction};
    use proptest::prelude::*;
    use std::cell::RefCell;
    use std::rc::Rc;

    use super::*;

    const FULL: f32 = 2.0;

    fn amps(amps: f32) -> Amps {
        Amps::new(amps).unwrap()
    }

    fn currents(out: f32, inward: f32) -> ValveSignal {
        ValveSignal::Currents {
            out: amps(out),
            inward: amps(inward),
        }
    }

    #[test]
    fn a_current_is_a_share_rounded_down() {
        for (signal, extends, retracts) in [
            (currents(1.0, 0.0), Some(50), 0),
            (currents(1.999, 0.0), Some(99), 0),
            (currents(2.000_002, 0.0), Some(100), 0),
            (currents(0.0, 0.0), None, 0),
        ] {
            let mut given: std::vec::Vec<_> = extends.map(|_| Transaction::max_duty_cycle(100)).into_iter().collect();
            given.push(Transaction::set_duty_cycle(extends.unwrap_or(0)));
            let mut out = Mock::new(&given);
            let mut inward = Mock::new(&[Transaction::set_duty_cycle(retracts)]);
            let mut pair = CoilPair::new(out.clone(), inward.clone(), amps(FULL)).unwrap();
            assert_eq!(pair.set(signal), Ok(()), "{signal:?}");
            out.done();
            inward.done();
        }
    }

    /// A timer channel that keeps the duty that it was last given, and fails when it is told to.
    #[derive(Debug, Clone)]
    struct Timer {
        max: u16,
        duty: Rc<RefCell<u16>>,
        fails: Rc<RefCell<std::vec::Vec<bool>>>,
    }

    impl Default for Timer {
        fn default() -> Self {
            Self {
                max: 1_000,
                duty: Rc::default(),
                fails: Rc::default(),
            }
        }
    }

    #[derive(Debug)]
    struct Lost;

    impl fmt::Display for Lost {
        fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("lost")
        }
    }

    impl pwm::Error for Lost {
        fn kind(&self) -> pwm::ErrorKind {
            pwm::ErrorKind::Other
        }
    }

    impl ErrorType for Timer {
        type Error = Lost;
    }

    impl SetDutyCycle for Timer {
        fn max_duty_cycle(&self) -> u16 {
            self.max
        }

        fn set_duty_cycle(&mut self, duty: u16) -> Result<(), Lost> {
            if self.fails.borrow_mut().pop().unwrap_or(false) {
                return Err(Lost);
            }
            *self.duty.borrow_mut() = duty;
            Ok(())
        }
    }

    fn pair() -> (CoilPair<Timer, Timer>, [Timer; 2]) {
        let timers = [Timer::default(), Timer::default()];
        let [out, inward] = timers.clone();
        (CoilPair::new(out, inward, amps(FULL)).unwrap(), timers)
    }

    #[test]
    fn no_output_without_current() {
        assert!(CoilPair::new(Timer::default(), Timer::default(), Amps::default()).is_none());
    }

    #[test]
    fn what_no_machine_gives_switches_both_off() {
        for wrong in [
            currents(1.0, 1.0),
            ValveSignal::Duty(Duty::new(0.5).unwrap()),
            ValveSignal::Voltage(Volts::new(5.0).unwrap()),
        ] {
            let (mut pair, timers) = pair();
            pair.set(currents(1.0, 0.0)).unwrap();
            assert_eq!(pair.set(wrong), Err(Fault::Unsuitable));
            assert_eq!(timers.map(|timer| *timer.duty.borrow()), [0, 0]);
        }
    }

    /// One that fails keeps the other from nothing, and is told.
    #[test]
    fn both_are_switched_off_or_it_is_told() {
        for failing in 0..2 {
            let (mut pair, timers) = pair();
            for timer in &timers {
                *timer.duty.borrow_mut() = 7;
            }
            timers[failing].fails.borrow_mut().push(true);
            assert_eq!(pair.off(), Err(Fault::Pin));
            assert_eq!(*timers[1 - failing].duty.borrow(), 0);
            assert_eq!(pair.off(), Ok(()));
            assert_eq!(timers.map(|timer| *timer.duty.borrow()), [0, 0]);
        }
    }

    #[test]
    fn it_takes_coils_that_need_no_more_than_it_gives() {
        let (pair, _) = pair();
        let channel = |out, inward| {
            Channel::Coils(Coils {
                full: EachWay { out, inward },
            })
        };
        for (out, inward, takes) in [(2.0, 0.5, true), (2.1, 0.5, false), (0.5, 2.1, false)] {
            assert_eq!(pair.takes(&channel(out, inward)), takes);
        }
        let without_steps = || Timer {
            max: 0,
            ..Timer::default()
        };
        for (out, inward) in [(without_steps(), Timer::default()), (Timer::default(), without_steps())] {
            let pair = CoilPair::new(out, inward, amps(FULL)).unwrap();
            assert!(!pair.takes(&channel(1.0, 1.0)));
        }
    }

    proptest! {
        /// Whatever is asked for, in whatever order, and whichever timer fails when: never current in both coils, and what was told to
        /// have gone well did.
        #[test]
        fn never_both(
            asked in prop::collection::vec((any::<bool>(), 0.0_f32..3.0), 1..20),
            fails in prop::array::uniform2(prop::collection::vec(any::<bool>(), 0..40)),
        ) {
            let (mut pair, timers) = pair();
            for (timer, fails) in timers.iter().zip(fails) {
                *timer.fails.borrow_mut() = fails;
            }
            for (extend, share) in asked {
                let (out, inward) = if extend { (share, 0.0) } else { (0.0, share) };
                let given = pair.set(currents(out, inward));
                let duties = timers.each_ref().map(|timer| *timer.duty.borrow());
                prop_assert!(duties.contains(&0), "{duties:?}");
                if given.is_ok() {
                    let [a, b] = [out, inward].map(|amps| f32::from(1_000_u16) * amps / FULL);
                    for (duty, wanted) in duties.into_iter().zip([a, b]) {
                        prop_assert!(f32::from(duty) <= wanted + 0.01 && (f32::from(duty) > wanted - 1.01 || duty == 1_000));
                    }
                }
            }
        }
    }
}
