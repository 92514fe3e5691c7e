//! Analogue-to-digital converters, described by data: what is sent to them, and what their answer means.
//!
//! Out of the converter's data sheet into a [`Converter`]; over SPI or I²C by [`SpiBus`](crate::SpiBus) or [`I2cBus`](crate::I2cBus); and
//! [`Sampler`] is the [`Analogue`] of it. Two ways of working are known:
//!
//! - `conversion` is 0: the answer to a command is the voltage. All channels are read in each turn.
//! - otherwise the command starts a conversion, and after that time `fetch` gets the answer. One channel is under way at a time, and is
//!   fetched in the first turn that finds it done, which starts the next. So with n channels and a tick no shorter than `conversion`, each
//!   channel is n ticks old at the most when it is replaced. Its age counts from the start of its conversion.

use bellcrank_core::units::{Duration, Instant, Volts};

use crate::analogue::{Analogue, CHANNELS_MAX, Newest, Reading, since};
use crate::trouble::Fault;

/// The longest answer, bytes.
pub const ANSWER_MAX: usize = 8;

/// A converter, as its data sheet has it.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Converter<'d> {
    /// Its channels.
    pub inputs: &'d [Input<'d>],
    /// What is sent to get the answer where a conversion takes time. Over I²C it may be empty: then nothing is sent before the answer is
    /// read. Over SPI it is followed by zeros until the answer is complete.
    pub fetch: &'d [u8],
    /// Length of the answer in bytes, most significant first, 1 to [`ANSWER_MAX`]. Over SPI the bytes that come in while the command goes
    /// out count.
    pub answer: u8,
    /// Bits of the result, 1 to 24.
    pub bits: u8,
    /// Bits of the answer below the result: 0 where it is aligned to the right.
    pub below: u8,
    /// How the result is written.
    pub coding: Coding,
    /// What the result is a share of: the voltage of a count of 2^bits, or of 2^(bits - 1) where it has a sign, V at the converter.
    pub reference: Volts,
    /// Longest time that a conversion takes, by the data sheet and its worst clock. 0 where the answer to a command is its result.
    pub conversion: Duration,
}

/// One channel of a converter.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Input<'d> {
    /// What is sent to have it converted.
    pub command: &'d [u8],
    /// Volts at the terminal for a volt at the converter: above 1 where a divider stands between. Finite, not 0.
    pub scale: f32,
    /// What does not change in its answer.
    pub fixed: Fixed,
}

/// Bits of an answer that are always the same: a leading zero, the channel's number, a done flag. An answer in which they are not is
/// garbage. By default there are none; then a line that hangs open reads as one end of the range or the other, which should be outside the
/// band that the machine file gives the sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fixed {
    /// Which bits of the answer.
    pub mask: u64,
    /// What they are.
    pub value: u64,
}

/// How a result is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Coding {
    /// From 0 up.
    Straight,
    /// With a sign.
    TwosComplement,
}

/// What of a [`Converter`] cannot be worked with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Unusable {
    /// No channels, or more than [`CHANNELS_MAX`].
    Inputs,
    /// A command that is empty, or that is longer than the answer over SPI.
    Command,
    /// A length of the answer that is not 1 to [`ANSWER_MAX`] bytes.
    Answer,
    /// Bits that are not 1 to 24, or do not fit in the answer; fixed bits that nothing can fulfil.
    Bits,
    /// A reference that is not above 0, or a scale that is 0 or not finite.
    Scale,
}

impl core::fmt::Display for Unusable {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Inputs => "a converter has 1 to 16 channels",
            Self::Command => "a command is empty, or longer than the answer",
            Self::Answer => "an answer has 1 to 8 bytes",
            Self::Bits => "a result has 1 to 24 bits, within the answer",
            Self::Scale => "the reference must be above 0, a scale finite and not 0",
        })
    }
}

impl core::error::Error for Unusable {}

/// What carries commands to a converter, and answers back.
pub trait Bus {
    /// Sends.
    ///
    /// # Errors
    /// The transfer failed.
    fn send(&mut self, command: &[u8]) -> Result<(), Fault>;

    /// Sends, and gets an answer, which fills all of `answer`.
    ///
    /// # Errors
    /// The transfer failed; then nothing of the answer is used.
    fn ask(&mut self, command: &[u8], answer: &mut [u8]) -> Result<(), Fault>;

    /// A command of so many bytes may be longer than the answer to it.
    fn answers_after(&self) -> bool;
}

/// A converter at work.
#[derive(Debug)]
pub struct Sampler<'d, B> {
    bus: B,
    converter: Converter<'d>,
    newest: Newest,
    /// The channel that is next, or under way.
    channel: u8,
    started: Option<Instant>,
}

impl<'d, B: Bus> Sampler<'d, B> {
    /// A converter that nobody has read yet.
    ///
    /// # Errors
    /// [`Unusable`] where the data make no sense.
    pub fn new(bus: B, converter: Converter<'d>) -> Result<Self, Unusable> {
        converter.check(bus.answers_after())?;
        Ok(Self {
            bus,
            converter,
            newest: Newest::default(),
            channel: 0,
            started: None,
        })
    }

    /// All channels, each by one transfer. The first that the bus fails at ends it, for the next would too, and take its time; an answer
    /// that is garbage does not.
    fn read_all(&mut self, now: Instant) -> Result<(), Fault> {
        let mut garbage = Ok(());
        for (channel, input) in (0..).zip(self.converter.inputs) {
            match self.ask(input.command, input) {
                Ok(volts) => self.newest.put(channel, volts, now),
                Err(Fault::Garbage) => garbage = Err(Fault::Garbage),
                Err(fault) => return Err(fault),
            }
        }
        garbage
    }

    /// Fetches what is done, and starts the next.
    fn take_turns(&mut self, now: Instant) -> Result<(), Fault> {
        let mut fetched = Ok(());
        if let Some(started) = self.started {
            if since(started, now).is_some_and(|since| since < self.converter.conversion) {
                return Ok(());
            }
            self.started = None;
            let channel = self.channel;
            fetched = self.input().map_or(Ok(()), |input| {
                let volts = self.ask(self.converter.fetch, input)?;
                self.newest.put(channel, volts, started);
                Ok(())
            });
            let next = self.channel.saturating_add(1);
            self.channel = if next < self.channels() { next } else { 0 };
        }
        if let Some(input) = self.input() {
            self.bus.send(input.command)?;
            self.started = Some(now);
        }
        fetched
    }

    fn input(&self) -> Option<&'d Input<'d>> {
        self.converter.inputs.get(usize::from(self.channel))
    }

    fn ask(&mut self, command: &[u8], input: &Input) -> Result<Volts, Fault> {
        let mut answer = [0; ANSWER_MAX];
        // Never none: checked with the converter.
        let answer = answer
            .get_mut(..usize::from(self.converter.answer))
            .ok_or(Fault::Unsuitable)?;
        self.bus.ask(command, answer)?;
        self.converter.volts(answer, input)
    }
}

impl<B: Bus> Analogue for Sampler<'_, B> {
    fn refresh(&mut self, now: Instant) -> Result<(), Fault> {
        if self.converter.conversion.is_zero() {
            self.read_all(now)
        } else {
            self.take_turns(now)
        }
    }

    fn read(&self, channel: u8, now: Instant) -> Option<Reading> {
        self.newest.read(channel, now)
    }

    fn channels(&self) -> u8 {
        // Never more than `CHANNELS_MAX`.
        u8::try_from(self.converter.inputs.len()).unwrap_or(0)
    }
}

impl Converter<'_> {
    fn check(&self, answers_after: bool) -> Result<(), Unusable> {
        let holds = |holds, unusable| if holds { Ok(()) } else { Err(unusable) };
        let length = usize::from(self.answer);
        holds((1..=CHANNELS_MAX).contains(&self.inputs.len()), Unusable::Inputs)?;
        holds((1..=ANSWER_MAX).contains(&length), Unusable::Answer)?;
        let all = 64_u8.checked_sub(self.answer.saturating_mul(8)).map(u32::from);
        let all = all.and_then(|unused| u64::MAX.checked_shr(unused)).unwrap_or(0);
        let fits = self.bits.saturating_add(self.below) <= self.answer.saturating_mul(8);
        holds((1..=24).contains(&self.bits) && fits, Unusable::Bits)?;
        holds(self.reference.volts() > 0.0, Unusable::Scale)?;
        let short = |command: &[u8]| answers_after || command.len() <= length;
        holds(short(self.fetch), Unusable::Command)?;
        for input in self.inputs {
            let command = input.command;
            holds(!command.is_empty() && short(command), Unusable::Command)?;
            let Fixed { mask, value } = input.fixed;
            holds(mask & all == mask && value & mask == value, Unusable::Bits)?;
            holds(input.scale.is_finite() && input.scale != 0.0, Unusable::Scale)?;
        }
        Ok(())
    }

    /// The voltage at the terminal. Counts have 24 bits at the most, and so are exact.
    fn volts(&self, answer: &[u8], input: &Input) -> Result<Volts, Fault> {
        let word = answer
            .iter()
            .fold(0_u64, |word, byte| word.wrapping_shl(8) | u64::from(*byte));
        if word & input.fixed.mask != input.fixed.value {
            return Err(Fault::Garbage);
        }
        let bits = u32::from(self.bits);
        let whole = 1_u32.wrapping_shl(bits);
        let result = word.checked_shr(u32::from(self.below)).unwrap_or(0) & u64::from(whole.wrapping_sub(1));
        // It has no more than 24 bits.
        let result = u32::try_from(result).map_err(|_| Fault::Garbage)?;
        let (count, full) = match self.coding {
            Coding::Straight => (result as f32, whole as f32),
            Coding::TwosComplement => {
                let half = whole.wrapping_shr(1);
                let below_zero = if result < half { 0.0 } else { whole as f32 };
                (result as f32 - below_zero, half as f32)
            }
        };
        Volts::new(count / full * self.reference.volts() * input.scale).map_err(|_| Fault::Garbage)
    }
}

#[cfg(test)]
mod tests;
