//! Where a signal stands in an image of the terminals: a bit, or a word with its format and the order of its bytes; and the straight
//! line from the number in that word to volts, amperes or a share.
//!
//! A place is checked against the length of its image when the mapping is read. Should an image be shorter all the same, a bit is
//! open and a word is 0, which are the values that move less.

/// Which of its bytes a word has first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// The least.
    Little,
    /// The most significant.
    Big,
    /// Of its two 16-bit words the less significant; in each of them the most significant byte.
    LowWordFirst,
}

/// What the bytes of a word mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// 8 bits, from 0 up.
    U8,
    /// 16 bits, from 0 up.
    U16,
    /// 16 bits with a sign.
    I16,
    /// 32 bits, from 0 up.
    U32,
    /// 32 bits with a sign.
    I32,
    /// IEEE 754, single.
    F32,
}

/// One bit of an image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bit {
    /// The byte that it is in.
    pub byte: usize,
    /// Its number there, 0 the least.
    pub bit: u8,
}

/// One word of an image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Word {
    /// Its first byte.
    pub byte: usize,
    /// What it means.
    pub format: Format,
    /// Its bytes.
    pub order: Order,
}

/// A word that stands for a voltage, V, a current, A, or a share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Analogue {
    /// Where it stands.
    pub word: Word,
    /// Two numbers in the word, the smaller first.
    pub raw: (f64, f64),
    /// What they stand for, the smaller first.
    pub means: (f64, f64),
}

impl Format {
    /// How many bytes it takes.
    pub fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::U16 | Self::I16 => 2,
            Self::U32 | Self::I32 | Self::F32 => 4,
        }
    }

    /// The least and the greatest number that it holds.
    pub fn range(self) -> (f64, f64) {
        match self {
            Self::U8 => (0.0, 255.0),
            Self::U16 => (0.0, 65_535.0),
            Self::I16 => (-32_768.0, 32_767.0),
            Self::U32 => (0.0, f64::from(u32::MAX)),
            Self::I32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
            Self::F32 => (-1e9, 1e9),
        }
    }
}

impl Bit {
    /// Whether it is set.
    pub fn get(self, image: &[u8]) -> bool {
        image.get(self.byte).is_some_and(|byte| byte >> self.bit & 1 == 1)
    }

    /// Sets it, or clears it.
    pub fn put(self, image: &mut [u8], set: bool) {
        if let Some(byte) = image.get_mut(self.byte) {
            *byte = *byte & !(1 << self.bit) | u8::from(set) << self.bit;
        }
    }
}

impl Word {
    /// The number in it.
    pub fn get(self, image: &[u8]) -> f64 {
        let bits = self.bits(image);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_possible_wrap,
            reason = "the bits of the format"
        )]
        match self.format {
            Format::U8 | Format::U16 | Format::U32 => f64::from(bits),
            Format::I16 => f64::from(bits as u16 as i16),
            Format::I32 => f64::from(bits as i32),
            Format::F32 => f64::from(f32::from_bits(bits)),
        }
    }

    /// Its bits as a whole number.
    pub fn bits(self, image: &[u8]) -> u32 {
        let mut bits = 0;
        for place in self.places() {
            bits = bits << 8 | u32::from(image.get(place).copied().unwrap_or(0));
        }
        bits
    }

    /// Puts the nearest number in that its format holds.
    pub fn put(self, image: &mut [u8], number: f64) {
        let (least, greatest) = self.format.range();
        let near = number.max(least).min(greatest);
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within the format"
        )]
        let bits = match self.format {
            Format::U8 | Format::U16 | Format::U32 => near.round() as u32,
            Format::I16 | Format::I32 => near.round() as i32 as u32,
            Format::F32 => (near as f32).to_bits(),
        };
        self.put_bits(image, bits);
    }

    /// Puts the low bits of a whole number in.
    pub fn put_bits(self, image: &mut [u8], mut bits: u32) {
        for place in self.places().rev() {
            if let Some(byte) = image.get_mut(place) {
                *byte = bits.to_le_bytes()[0];
            }
            bits >>= 8;
        }
    }

    /// Where its bytes are, the most significant first.
    fn places(self) -> impl DoubleEndedIterator<Item = usize> {
        let count = self.format.bytes();
        (0..count).map(move |place| {
            self.byte
                + match self.order {
                    Order::Little => count - 1 - place,
                    Order::LowWordFirst if count == 4 => (place + 2) % 4,
                    Order::Big | Order::LowWordFirst => place,
                }
        })
    }
}

impl Analogue {
    /// What the word stands for. NaN where it holds none of its numbers.
    pub fn get(&self, image: &[u8]) -> f64 {
        self.meaning(self.word.get(image))
    }

    /// What a number in the word stands for.
    pub fn meaning(&self, raw: f64) -> f64 {
        self.means.0 + (raw - self.raw.0) * (self.means.1 - self.means.0) / (self.raw.1 - self.raw.0)
    }

    /// Puts in what stands for `value`, or for the nearer of the two ends where it is beyond them: for what a terminal is told.
    pub fn put_within(&self, image: &mut [u8], value: f64) {
        self.put(image, value.max(self.means.0).min(self.means.1));
    }

    /// Puts in what stands for `value`, as near as the format gets: for what a terminal tells, which may be beyond the two ends.
    pub fn put(&self, image: &mut [u8], value: f64) {
        let share = (value - self.means.0) / (self.means.1 - self.means.0);
        self.word.put(image, self.raw.0 + share * (self.raw.1 - self.raw.0));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bit_leaves_its_neighbours_alone() {
        let mut image = [0b1010_1010, 0];
        let bit = |byte, bit| Bit { byte, bit };
        bit(0, 0).put(&mut image, true);
        bit(0, 1).put(&mut image, false);
        assert_eq!(image, [0b1010_1001, 0]);
        assert!(bit(0, 7).get(&image) && !bit(0, 6).get(&image));
        bit(2, 0).put(&mut image, true);
        assert!(!bit(2, 0).get(&image), "beyond the end it is open");
    }

    #[test]
    fn the_bytes_stand_in_their_order() {
        let bytes = |format, order| {
            let mut image = [0; 6];
            let word = Word { byte: 1, format, order };
            word.put_bits(&mut image, 0x0102_0304);
            assert_eq!(
                word.bits(&image),
                if format.bytes() == 4 { 0x0102_0304 } else { 0x0304 }
            );
            image
        };
        assert_eq!(bytes(Format::U32, Order::Big), [0, 1, 2, 3, 4, 0]);
        assert_eq!(bytes(Format::U32, Order::Little), [0, 4, 3, 2, 1, 0]);
        assert_eq!(bytes(Format::U32, Order::LowWordFirst), [0, 3, 4, 1, 2, 0]);
        assert_eq!(bytes(Format::U16, Order::Big), [0, 3, 4, 0, 0, 0]);
        assert_eq!(bytes(Format::U16, Order::LowWordFirst), [0, 3, 4, 0, 0, 0]);
        assert_eq!(bytes(Format::U16, Order::Little), [0, 4, 3, 0, 0, 0]);
    }

    #[test]
    fn a_number_comes_back_or_is_the_nearest_that_there_is() {
        let round = |format, number| {
            let mut image = [0; 4];
            let word = Word {
                byte: 0,
                format,
                order: Order::Little,
            };
            word.put(&mut image, number);
            word.get(&image)
        };
        for (format, number, comes) in [
            (Format::U8, 200.4, 200.0),
            (Format::U8, -3.0, 0.0),
            (Format::U16, 70_000.0, 65_535.0),
            (Format::I16, -32_768.0, -32_768.0),
            (Format::I16, -1.0, -1.0),
            (Format::U32, 4e9, 4e9),
            (Format::I32, -2e9, -2e9),
            (Format::F32, -1.5, -1.5),
            (Format::U16, f64::NAN, 0.0),
        ] {
            assert_eq!(round(format, number), comes, "{format:?} {number}");
        }
    }

    /// A terminal of 0 to 10 V in 15 bits, and one of either sign.
    #[test]
    fn a_voltage_goes_there_and_back_within_half_a_step() {
        for (raw, means) in [((0.0, 32_767.0), (0.0, 10.0)), ((-32_767.0, 32_767.0), (-10.0, 10.0))] {
            let word = Word {
                byte: 0,
                format: Format::I16,
                order: Order::Big,
            };
            let terminal = Analogue { word, raw, means };
            let mut image = [0; 2];
            for tenths in -100_i32..=100 {
                let volts = (f64::from(tenths) / 10.0).max(means.0);
                terminal.put(&mut image, volts);
                assert!((terminal.get(&image) - volts).abs() < 0.51 * 10.0 / 32_767.0, "{volts}");
            }
            terminal.put_within(&mut image, 11.0);
            assert_eq!(terminal.get(&image), 10.0, "not beyond its end");
        }
    }

    /// A loop of 4 to 20 mA whose wire is broken reads below 4 mA, where the format has room for that.
    #[test]
    fn a_terminal_tells_what_is_beyond_its_ends() {
        let word = Word {
            byte: 0,
            format: Format::I16,
            order: Order::Big,
        };
        let terminal = Analogue {
            word,
            raw: (0.0, 27_648.0),
            means: (4e-3, 20e-3),
        };
        let mut image = [0; 2];
        terminal.put(&mut image, 0.0);
        assert!((terminal.get(&image)).abs() < 1e-6);
        terminal.put(&mut image, 1.0);
        assert!((terminal.get(&image) - terminal.meaning(32_767.0)).abs() < 1e-9);
    }
}
