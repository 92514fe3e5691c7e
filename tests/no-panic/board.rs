//! The pieces of a board, on hardware that does whatever it likes: all that it answers is unknown to the compiler.

use bellcrank_core::machine::Channel;
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::units::{Amps, Instant, Volts};
use bellcrank_core::{Machine, inputs::HandFrame};
use bellcrank_hal::{
    Analogue, CoilPair, Contact, Converter, Cycle, Dac, DacValve, Fault, Hands, I2cBus, LinkHands, Misfit, PinContact,
    PinRelay, PinWatchdog, PwmValve, Reading, Relay, Sampler, SpiBus, Turn, ValveOut, Watchdog, Wired, WiredHands,
};
use embedded_hal::digital::{self, InputPin, OutputPin};
use embedded_hal::i2c::{self, I2c};
use embedded_hal::pwm::{self, SetDutyCycle};
use embedded_hal::spi::{self, SpiDevice};
use embedded_io::{Read, ReadReady, Write, WriteReady};

/// One of everything, in any state, and what it is told.
pub struct Pieces<'b> {
    machine: &'b Machine,
    told: (ValveSignal, &'b Channel, Converter<'b>, Amps, u8, bool),
    contact: PinContact<Chip>,
    relay: PinRelay<Chip>,
    watchdog: PinWatchdog<Chip>,
    pwm: PwmValve<Chip>,
    coils: CoilPair<Chip, Chip>,
    dac: DacValve<Chip>,
    spi: Sampler<'b, SpiBus<Chip>>,
    i2c: Sampler<'b, I2cBus<Chip>>,
    link: LinkHands<Chip>,
    levers: WiredHands<'b>,
    cycle: Cycle<'b, Wired<'b>>,
    spare: Option<Wired<'b>>,
    chips: [Option<Chip>; 4],
    /// What they said.
    said: [Result<(), Fault>; 12],
    closed: Result<bool, Fault>,
    takes: [bool; 4],
    readings: [Option<Reading>; 2],
    frames: [HandFrame; 2],
    turn: Option<Turn>,
    misfit: Option<Misfit>,
}

impl Pieces<'_> {
    /// Each of them once.
    pub fn every_piece(&mut self, now: Instant) {
        let (signal, channel, converter, full, number, on) = self.told;
        self.closed = self.contact.closed();
        self.said = [
            self.relay.set(on),
            self.watchdog.feed(),
            self.pwm.set(signal),
            self.pwm.off(),
            self.coils.set(signal),
            self.coils.off(),
            self.dac.set(signal),
            self.dac.off(),
            self.spi.refresh(now),
            self.i2c.refresh(now),
            self.link.listen(now),
            self.levers.listen(now),
        ];
        self.readings = [self.spi.read(number, now), self.i2c.read(number, now)];
        self.frames = [self.link.frame(now), self.levers.frame(now)];
        self.turn = Some(self.cycle.turn(now));
        let cut = self.cycle.cut();
        self.takes = [
            self.pwm.takes(channel),
            self.coils.takes(channel),
            self.dac.takes(channel),
            cut,
        ];
        let [one, other, third, fourth] = &mut self.chips;
        if let (Some(one), Some(other)) = (one.take(), other.take())
            && let Some(coils) = CoilPair::new(one, other, full)
        {
            self.coils = coils;
        }
        if let Some(Ok(sampler)) = third.take().map(|chip| Sampler::new(SpiBus::new(chip), converter)) {
            self.spi = sampler;
        }
        if let Some(Ok(sampler)) = fourth
            .take()
            .map(|chip| Sampler::new(I2cBus::new(chip, number), converter))
        {
            self.i2c = sampler;
        }
        if let Some(board) = self.spare.take() {
            self.misfit = Cycle::new(self.machine, board, None).err();
        }
    }
}

/// Hardware.
pub struct Chip {
    fails: bool,
    level: bool,
    steps: u16,
    count: usize,
    byte: u8,
    range: (Volts, Volts),
}

impl Chip {
    fn done<T, E>(&self, value: T, error: E) -> Result<T, E> {
        if self.fails { Err(error) } else { Ok(value) }
    }
}

impl digital::ErrorType for Chip {
    type Error = digital::ErrorKind;
}

impl InputPin for Chip {
    fn is_high(&mut self) -> Result<bool, digital::ErrorKind> {
        self.done(self.level, digital::ErrorKind::Other)
    }

    fn is_low(&mut self) -> Result<bool, digital::ErrorKind> {
        self.is_high().map(|high| !high)
    }
}

impl OutputPin for Chip {
    fn set_low(&mut self) -> Result<(), digital::ErrorKind> {
        self.level = false;
        self.done((), digital::ErrorKind::Other)
    }

    fn set_high(&mut self) -> Result<(), digital::ErrorKind> {
        self.level = true;
        self.done((), digital::ErrorKind::Other)
    }
}

impl pwm::ErrorType for Chip {
    type Error = pwm::ErrorKind;
}

impl SetDutyCycle for Chip {
    fn max_duty_cycle(&self) -> u16 {
        self.steps
    }

    fn set_duty_cycle(&mut self, duty: u16) -> Result<(), pwm::ErrorKind> {
        self.steps = duty;
        self.done((), pwm::ErrorKind::Other)
    }
}

impl Dac for Chip {
    fn range(&self) -> (Volts, Volts) {
        self.range
    }

    fn set(&mut self, volts: Volts) -> Result<(), Fault> {
        self.range.0 = volts;
        self.done((), Fault::Bus)
    }
}

impl spi::ErrorType for Chip {
    type Error = spi::ErrorKind;
}

impl SpiDevice for Chip {
    fn transaction(&mut self, operations: &mut [spi::Operation<'_, u8>]) -> Result<(), spi::ErrorKind> {
        for operation in operations {
            if let spi::Operation::TransferInPlace(bytes) = operation {
                bytes.fill(self.byte);
            }
        }
        self.done((), spi::ErrorKind::Other)
    }
}

impl i2c::ErrorType for Chip {
    type Error = i2c::ErrorKind;
}

impl I2c for Chip {
    fn transaction(&mut self, _: u8, operations: &mut [i2c::Operation<'_>]) -> Result<(), i2c::ErrorKind> {
        for operation in operations {
            if let i2c::Operation::Read(bytes) = operation {
                bytes.fill(self.byte);
            }
        }
        self.done((), i2c::ErrorKind::Other)
    }
}

impl embedded_io::ErrorType for Chip {
    type Error = embedded_io::ErrorKind;
}

impl ReadReady for Chip {
    fn read_ready(&mut self) -> Result<bool, embedded_io::ErrorKind> {
        self.done(self.level, embedded_io::ErrorKind::Other)
    }
}

impl Read for Chip {
    fn read(&mut self, bytes: &mut [u8]) -> Result<usize, embedded_io::ErrorKind> {
        bytes.fill(self.byte);
        // More than there is room for, if it likes.
        self.done(self.count, embedded_io::ErrorKind::Other)
    }
}

impl WriteReady for Chip {
    fn write_ready(&mut self) -> Result<bool, embedded_io::ErrorKind> {
        self.done(self.level, embedded_io::ErrorKind::Other)
    }
}

impl Write for Chip {
    fn write(&mut self, _: &[u8]) -> Result<usize, embedded_io::ErrorKind> {
        self.done(self.count, embedded_io::ErrorKind::Other)
    }

    fn flush(&mut self) -> Result<(), embedded_io::ErrorKind> {
        Ok(())
    }
}
