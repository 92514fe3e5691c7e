//! Made-up pins, a timer and a converter, each of which can be made to fail.

use std::cell::{Cell, RefCell};
use std::rc::Rc;

use embedded_hal::digital::{self, ErrorKind as PinError, InputPin, OutputPin, PinState};
use embedded_hal::pwm::{self, ErrorKind as PwmError, SetDutyCycle};
use embedded_hal::spi::{self, ErrorKind as SpiError, Operation, SpiDevice};

/// Steps of the timer's period.
pub const STEPS: u16 = 10_000;

/// A pin of either direction: its level, and whether it fails.
#[derive(Clone, Default)]
pub struct Line {
    pub high: Rc<Cell<bool>>,
    pub fails: Rc<Cell<bool>>,
}

impl Line {
    pub fn at(high: bool) -> Self {
        let line = Self::default();
        line.high.set(high);
        line
    }
}

impl digital::ErrorType for Line {
    type Error = PinError;
}

impl InputPin for Line {
    fn is_high(&mut self) -> Result<bool, PinError> {
        if self.fails.get() {
            Err(PinError::Other)
        } else {
            Ok(self.high.get())
        }
    }

    fn is_low(&mut self) -> Result<bool, PinError> {
        self.is_high().map(|high| !high)
    }
}

impl OutputPin for Line {
    fn set_low(&mut self) -> Result<(), PinError> {
        self.set_state(PinState::Low)
    }

    fn set_high(&mut self) -> Result<(), PinError> {
        self.set_state(PinState::High)
    }

    fn set_state(&mut self, state: PinState) -> Result<(), PinError> {
        if self.fails.get() {
            return Err(PinError::Other);
        }
        self.high.set(state == PinState::High);
        Ok(())
    }
}

/// A timer channel.
#[derive(Clone, Default)]
pub struct Timer {
    pub steps: Rc<Cell<u16>>,
    pub fails: Rc<Cell<bool>>,
}

impl pwm::ErrorType for Timer {
    type Error = PwmError;
}

impl SetDutyCycle for Timer {
    fn max_duty_cycle(&self) -> u16 {
        STEPS
    }

    fn set_duty_cycle(&mut self, duty: u16) -> Result<(), PwmError> {
        if self.fails.get() {
            return Err(PwmError::Other);
        }
        self.steps.set(duty);
        Ok(())
    }
}

/// What the converter is up to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mood {
    #[default]
    Well,
    /// The bus fails.
    Fails,
    /// The line to the processor hangs at this.
    Garbage(u8),
}

/// A converter of 16 bits, 10 V: it answers a channel's number with that number and the count.
#[derive(Clone, Default)]
pub struct Adc {
    pub volts: Rc<RefCell<[f32; 2]>>,
    pub mood: Rc<Cell<Mood>>,
}

impl spi::ErrorType for Adc {
    type Error = SpiError;
}

impl SpiDevice for Adc {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), SpiError> {
        for operation in operations {
            let Operation::TransferInPlace(bytes) = operation else {
                panic!("the bench's converter knows no such transfer");
            };
            match self.mood.get() {
                Mood::Well => {
                    let count = self.volts.borrow()[usize::from(bytes[0])] / 10.0 * 65_536.0;
                    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 10 V")]
                    let [high, low] = (count as u16).to_be_bytes();
                    bytes[1..].copy_from_slice(&[high, low]);
                }
                Mood::Fails => return Err(SpiError::Other),
                Mood::Garbage(level) => bytes.fill(level),
            }
        }
        Ok(())
    }
}
