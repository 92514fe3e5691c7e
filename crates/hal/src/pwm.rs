//! A pulse width for a valve that has electronics of its own.

use bellcrank_core::machine::Channel;
use bellcrank_core::outputs::ValveSignal;
use embedded_hal::pwm::SetDutyCycle;

use crate::trouble::Fault;
use crate::valve::{ValveOut, off_for};

/// One PWM channel. Its frequency is set where the timer is set up: it is the valve's affair.
///
/// A duty is given as the nearest step of the timer: wrong by no more than half a step, 0.5 / [`SetDutyCycle::max_duty_cycle`].
#[derive(Debug)]
pub struct PwmValve<P> {
    pwm: P,
}

impl<P: SetDutyCycle> PwmValve<P> {
    /// A valve at this channel.
    pub fn new(pwm: P) -> Self {
        Self { pwm }
    }
}

impl<P: SetDutyCycle> ValveOut for PwmValve<P> {
    fn set(&mut self, signal: ValveSignal) -> Result<(), Fault> {
        let ValveSignal::Duty(duty) = signal else {
            return off_for(self, Fault::Unsuitable);
        };
        let steps = nearest(duty.share() * f32::from(self.pwm.max_duty_cycle()));
        match self.pwm.set_duty_cycle(steps) {
            Ok(()) => Ok(()),
            Err(_) => off_for(self, Fault::Pin),
        }
    }

    fn off(&mut self) -> Result<(), Fault> {
        self.pwm.set_duty_cycle_fully_off().map_err(|_| Fault::Pin)
    }

    fn takes(&self, channel: &Channel) -> bool {
        matches!(channel, Channel::Pwm(_)) && self.pwm.max_duty_cycle() > 0
    }
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share of at most 1 of a u16; the cast saturates"
)]
fn nearest(steps: f32) -> u16 {
    (steps + 0.5) as u16
}

#[cfg(test)]
mod tests {
    use std::io;

    use bellcrank_core::machine::{Coils, EachWay, Pwm};
    use bellcrank_core::units::{Amps, Duty, Volts};
    use embedded_hal_mock::eh1::MockError;
    use embedded_hal_mock::eh1::pwm::{Mock, Transaction};
    use proptest::prelude::*;

    use super::*;

    fn duty(share: f32) -> ValveSignal {
        ValveSignal::Duty(Duty::new(share).unwrap())
    }

    #[test]
    fn a_duty_is_the_nearest_step() {
        for (share, max, steps) in [
            (0.0, 1_000, 0),
            (0.5, 1_000, 500),
            (0.5, 999, 500),
            (1.0, 1_000, 1_000),
            (1.0, u16::MAX, u16::MAX),
            (0.1, 20_000, 2_000),
        ] {
            let mut pwm = Mock::new(&[Transaction::max_duty_cycle(max), Transaction::set_duty_cycle(steps)]);
            assert_eq!(PwmValve::new(pwm.clone()).set(duty(share)), Ok(()), "{share} of {max}");
            pwm.done();
        }
    }

    /// A timer that cannot be set is at least tried to be switched off, and is told whether or not that works.
    #[test]
    fn what_cannot_be_given_is_switched_off() {
        let lost = MockError::Io(io::ErrorKind::NotConnected);
        let mut pwm = Mock::new(&[
            Transaction::max_duty_cycle(100),
            Transaction::set_duty_cycle(50).with_error(lost.clone()),
            Transaction::set_duty_cycle(0),
            Transaction::max_duty_cycle(100),
            Transaction::set_duty_cycle(50).with_error(lost.clone()),
            Transaction::set_duty_cycle(0).with_error(lost.clone()),
            Transaction::set_duty_cycle(0).with_error(lost),
        ]);
        let mut valve = PwmValve::new(pwm.clone());
        assert_eq!(valve.set(duty(0.5)), Err(Fault::Pin));
        assert_eq!(valve.set(duty(0.5)), Err(Fault::Pin));
        assert_eq!(valve.off(), Err(Fault::Pin));
        pwm.done();
    }

    #[test]
    fn a_signal_of_another_kind_switches_it_off() {
        let mut pwm = Mock::new(&[Transaction::set_duty_cycle(0), Transaction::set_duty_cycle(0)]);
        let mut valve = PwmValve::new(pwm.clone());
        let currents = ValveSignal::Currents {
            out: Amps::default(),
            inward: Amps::default(),
        };
        for other in [ValveSignal::Voltage(Volts::default()), currents] {
            assert_eq!(valve.set(other), Err(Fault::Unsuitable));
        }
        pwm.done();
    }

    #[test]
    fn it_takes_a_duty_where_the_timer_has_steps() {
        let channel = Channel::Pwm(Pwm {
            neutral: 0.5,
            low: 0.1,
            high: 0.9,
            reversed: false,
        });
        let coils = Channel::Coils(Coils {
            full: EachWay { out: 1.0, inward: 1.0 },
        });
        for (channel, asked, takes) in [
            (channel, Some(1), true),
            (channel, Some(0), false),
            (coils, None, false),
        ] {
            let asked: std::vec::Vec<_> = asked.into_iter().map(Transaction::max_duty_cycle).collect();
            let mut pwm = Mock::new(&asked);
            assert_eq!(PwmValve::new(pwm.clone()).takes(&channel), takes);
            pwm.done();
        }
    }

    proptest! {
        #[test]
        fn it_is_never_off_by_more_than_half_a_step(share in 0.0_f32..=1.0, max in 1_u16..) {
            let steps = nearest(share * f32::from(max));
            prop_assert!(steps <= max);
            // In f64, so that the test does not round as the code does; a step of 2^-16 has 2^-8 of room in f32.
            let wrong = f64::from(steps) - f64::from(share) * f64::from(max);
            prop_assert!(wrong.abs() <= 0.5 + 1.0 / 128.0);
        }
    }
}
