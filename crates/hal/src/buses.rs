//! The two buses that converters hang on.

use embedded_hal::i2c::{self, I2c};
use embedded_hal::spi::SpiDevice;

use crate::converter::{ANSWER_MAX, Bus};
use crate::trouble::Fault;

/// A converter on SPI, with a chip select of its own. Clock, mode and select are set where the device is made.
#[derive(Debug)]
pub struct SpiBus<D> {
    device: D,
}

impl<D: SpiDevice> SpiBus<D> {
    /// A converter at this device.
    pub fn new(device: D) -> Self {
        Self { device }
    }
}

impl<D: SpiDevice> Bus for SpiBus<D> {
    fn send(&mut self, command: &[u8]) -> Result<(), Fault> {
        self.device.write(command).map_err(|_| Fault::Bus)
    }

    /// The command goes out followed by zeros, and what comes in from its first bit on is the answer.
    fn ask(&mut self, command: &[u8], answer: &mut [u8]) -> Result<(), Fault> {
        let mut bytes = [0; ANSWER_MAX];
        let bytes = bytes.get_mut(..answer.len()).ok_or(Fault::Unsuitable)?;
        for (place, byte) in bytes.iter_mut().zip(command) {
            *place = *byte;
        }
        self.device.transfer_in_place(bytes).map_err(|_| Fault::Bus)?;
        for (place, byte) in answer.iter_mut().zip(bytes) {
            *place = *byte;
        }
        Ok(())
    }

    fn answers_after(&self) -> bool {
        false
    }
}

/// A converter on I²C.
#[derive(Debug)]
pub struct I2cBus<D> {
    bus: D,
    address: u8,
}

impl<D: I2c> I2cBus<D> {
    /// A converter at this address, 7 bits without the one for the direction.
    pub fn new(bus: D, address: u8) -> Self {
        Self { bus, address }
    }
}

impl<D: I2c> Bus for I2cBus<D> {
    fn send(&mut self, command: &[u8]) -> Result<(), Fault> {
        self.bus.write(self.address, command).map_err(|error| fault(&error))
    }

    fn ask(&mut self, command: &[u8], answer: &mut [u8]) -> Result<(), Fault> {
        let read = if command.is_empty() {
            self.bus.read(self.address, answer)
        } else {
            self.bus.write_read(self.address, command, answer)
        };
        read.map_err(|error| fault(&error))
    }

    fn answers_after(&self) -> bool {
        true
    }
}

fn fault(error: &impl i2c::Error) -> Fault {
    match error.kind() {
        i2c::ErrorKind::NoAcknowledge(_) => Fault::NoAnswer,
        _ => Fault::Bus,
    }
}

#[cfg(test)]
mod tests {
    use core::fmt;

    use bellcrank_core::units::{Duration, Volts};
    use embedded_hal::i2c::{ErrorKind, NoAcknowledgeSource};
    use embedded_hal::spi::{self, ErrorType, Operation};
    use embedded_hal_mock::eh1::i2c::{Mock as I2cMock, Transaction as OnI2c};
    use embedded_hal_mock::eh1::spi::{Mock as SpiMock, Transaction as OnSpi};

    use super::*;
    use crate::converter::{Coding, Converter, Fixed, Input, Sampler, Unusable};

    #[test]
    fn over_spi_the_answer_comes_while_the_command_goes() {
        let mut device = SpiMock::new(&[
            OnSpi::transaction_start(),
            OnSpi::transfer_in_place([0x06, 0x40, 0].to_vec(), [0xff, 0x0a, 0xbc].to_vec()),
            OnSpi::transaction_end(),
            OnSpi::transaction_start(),
            OnSpi::write_vec([0x88].to_vec()),
            OnSpi::transaction_end(),
        ]);
        let mut bus = SpiBus::new(device.clone());
        let mut answer = [0; 3];
        assert_eq!(bus.ask(&[0x06, 0x40], &mut answer), Ok(()));
        assert_eq!(answer, [0xff, 0x0a, 0xbc]);
        assert_eq!(bus.send(&[0x88]), Ok(()));
        device.done();
    }

    #[derive(Debug)]
    struct Lost;

    impl fmt::Display for Lost {
        fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("lost")
        }
    }

    impl spi::Error for Lost {
        fn kind(&self) -> spi::ErrorKind {
            spi::ErrorKind::ModeFault
        }
    }

    /// A bus that writes into what it is given, and fails.
    struct Broken;

    impl ErrorType for Broken {
        type Error = Lost;
    }

    impl SpiDevice for Broken {
        fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Lost> {
            for operation in operations {
                if let Operation::TransferInPlace(bytes) = operation {
                    bytes.fill(0xaa);
                }
            }
            Err(Lost)
        }
    }

    #[test]
    fn an_spi_that_fails_gives_nothing() {
        let mut bus = SpiBus::new(Broken);
        let mut answer = [7; 2];
        assert_eq!(bus.ask(&[1], &mut answer), Err(Fault::Bus));
        assert_eq!((bus.send(&[1]), answer), (Err(Fault::Bus), [7; 2]));
    }

    #[test]
    fn over_i2c_the_answer_comes_after_the_command_or_without_one() {
        let mut device = I2cMock::new(&[
            OnI2c::write_read(0x48, [0x00].to_vec(), [0x12, 0x34].to_vec()),
            OnI2c::read(0x48, [0x56, 0x78].to_vec()),
            OnI2c::write(0x48, [0x01, 0xc3].to_vec()),
        ]);
        let mut bus = I2cBus::new(device.clone(), 0x48);
        let mut answer = [0; 2];
        assert_eq!(bus.ask(&[0x00], &mut answer), Ok(()));
        assert_eq!(answer, [0x12, 0x34]);
        assert_eq!(bus.ask(&[], &mut answer), Ok(()));
        assert_eq!(answer, [0x56, 0x78]);
        assert_eq!(bus.send(&[0x01, 0xc3]), Ok(()));
        device.done();
    }

    /// Over SPI the answer is there by the last bit of the command; over I2C it comes after.
    #[test]
    fn a_command_may_be_longer_than_the_answer_on_one_of_them() {
        let input = Input {
            command: &[1, 2, 3],
            scale: 1.0,
            fixed: Fixed::default(),
        };
        let converter = Converter {
            inputs: &[input],
            fetch: &[],
            answer: 2,
            bits: 12,
            below: 0,
            coding: Coding::Straight,
            reference: Volts::new(5.0).unwrap(),
            conversion: Duration::from_ticks(0),
        };
        let refused = Sampler::new(SpiBus::new(Broken), converter).err();
        assert_eq!(refused, Some(Unusable::Command));
        let mut device = I2cMock::new(&[]);
        assert!(Sampler::new(I2cBus::new(device.clone(), 0x48), converter).is_ok());
        device.done();
    }

    #[test]
    fn an_i2c_that_does_not_acknowledge_is_told_apart() {
        let nobody = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);
        let mut device = I2cMock::new(&[
            OnI2c::write(0x48, [1].to_vec()).with_error(nobody),
            OnI2c::read(0x48, [0].to_vec()).with_error(nobody),
            OnI2c::write_read(0x48, [1].to_vec(), [0].to_vec()).with_error(ErrorKind::ArbitrationLoss),
        ]);
        let mut bus = I2cBus::new(device.clone(), 0x48);
        assert_eq!(bus.send(&[1]), Err(Fault::NoAnswer));
        assert_eq!(bus.ask(&[], &mut [0]), Err(Fault::NoAnswer));
        assert_eq!(bus.ask(&[1], &mut [0]), Err(Fault::Bus));
        device.done();
    }
}
