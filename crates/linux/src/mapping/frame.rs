//! Places in a mapping file: the keys that say where a bit or a word stands, and what it means; each is given away once.

use bellcrank_machine::document::Table;

use super::Span;
use super::claims::{Claims, Side};
use super::place::{Analogue, Bit, Format, Order, Word};

/// A terminal that is at least this close to nothing at 0 counts as off there, share of its range.
const OFF: f64 = 1e-4;

/// What a place may be, and who has which.
#[derive(Debug)]
pub(super) struct Frame {
    pub order: Order,
    /// The image that is read, and the one that is written.
    pub areas: [Area; 2],
    pub claims: Claims,
}

/// An image.
#[derive(Debug, Clone, Copy)]
pub(super) enum Area {
    Bytes(usize),
    Modbus { registers: Span, bits: Span },
}

/// What an analogue terminal is told in, or tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unit {
    Volts,
    Amps,
    Share,
}

impl Unit {
    /// The keys for the least and the greatest value, and the size of their unit in SI.
    pub fn keys(self) -> ([&'static str; 2], f64) {
        match self {
            Self::Volts => (["low_v", "high_v"], 1.0),
            Self::Amps => (["low_ma", "high_ma"], 1e-3),
            Self::Share => (["low_percent", "high_percent"], 1e-2),
        }
    }
}

impl Area {
    /// Its length.
    pub fn bytes(self) -> usize {
        match self {
            Self::Bytes(bytes) => bytes,
            Self::Modbus { registers, bits } => 2 * usize::from(registers.count) + usize::from(bits.count).div_ceil(8),
        }
    }
}

impl Frame {
    fn area(&self, side: Side) -> Area {
        self.areas[usize::from(side == Side::Output)]
    }

    /// A contact or a relay.
    pub fn bit(&self, t: &Table, side: Side, who: &str) -> Bit {
        let (key, place) = match self.area(side) {
            Area::Bytes(bytes) => {
                let byte = t.whole("byte", 0..=bytes - 1);
                (
                    "byte",
                    Bit {
                        byte,
                        bit: t.whole("bit", 0..=7),
                    },
                )
            }
            Area::Modbus { registers, bits } => {
                let key = if side == Side::Input { "discrete" } else { "coil" };
                if let Some(register) = t.optional("register") {
                    let byte = 2 * address(t, register, registers);
                    let bit: u8 = t.whole("bit", 0..=15);
                    (
                        register,
                        Bit {
                            byte: byte + usize::from(bit < 8),
                            bit: bit % 8,
                        },
                    )
                } else {
                    let number = address(t, key, bits);
                    let byte = 2 * usize::from(registers.count) + number / 8;
                    (
                        key,
                        Bit {
                            byte,
                            bit: u8::try_from(number % 8).unwrap_or(0),
                        },
                    )
                }
            }
        };
        let at = 8 * place.byte + usize::from(place.bit);
        self.claim(t, side, at..at + 1, key, who);
        place
    }

    /// A word.
    pub fn word(&self, t: &Table, side: Side, who: &str) -> Word {
        let formats = [
            ("u8", Format::U8),
            ("u16", Format::U16),
            ("i16", Format::I16),
            ("u32", Format::U32),
            ("i32", Format::I32),
            ("f32", Format::F32),
        ];
        let (key, byte, orders, format) = match self.area(side) {
            Area::Bytes(bytes) => {
                let format = t.choice("format", &formats).unwrap_or(Format::U16);
                let byte = t.whole("byte", 0..=bytes.saturating_sub(format.bytes()));
                ("byte", byte, [("little", Order::Little), ("big", Order::Big)], format)
            }
            Area::Modbus { registers, .. } => {
                let format = t.choice("format", &formats[1..]).unwrap_or(Format::U16);
                let last = u16::try_from(format.bytes() / 2 - 1).unwrap_or(0);
                let fitting = Span {
                    count: registers.count.saturating_sub(last),
                    ..registers
                };
                let byte = 2 * address(t, "register", fitting);
                let orders = [("high_word_first", Order::Big), ("low_word_first", Order::LowWordFirst)];
                ("register", byte, orders, format)
            }
        };
        let order = t.optional("order").and_then(|key| t.choice(key, &orders));
        self.claim(t, side, 8 * byte..8 * (byte + format.bytes()), key, who);
        Word {
            byte,
            format,
            order: order.unwrap_or(self.order),
        }
    }

    /// A word with its scale.
    pub fn analogue(&self, t: &Table, side: Side, who: &str, unit: Unit) -> Analogue {
        let word = self.word(t, side, who);
        let (keys, size) = unit.keys();
        let raw = ["low_raw", "high_raw"].map(|key| t.number(key, -5e9..=5e9));
        let means = keys.map(|key| t.number(key, -1e5..=1e5));
        let found = Analogue {
            word,
            raw: (raw[0], raw[1]),
            means: (means[0], means[1]),
        };
        if !t.clean() {
            return found;
        }
        let (least, greatest) = word.format.range();
        for (key, raw) in [("low_raw", raw[0]), ("high_raw", raw[1])] {
            if !(least..=greatest).contains(&raw) {
                t.wrong(key, format!("what {} holds, {least} to {greatest}", t.words("format")));
            }
        }
        for (low, high, pair) in [("low_raw", "high_raw", raw), (keys[0], keys[1], means)] {
            if pair[0] >= pair[1] {
                t.wrong(high, format!("more than {low} ({})", t.words(low)));
            }
        }
        let at_zero = found.meaning(0.0);
        let reaches = raw[0] <= 0.0 && 0.0 <= raw[1];
        let off = reaches && at_zero.abs() <= OFF * (means[1] - means[0]);
        if side == Side::Output && !off && t.clean() {
            let found = format!("a scale that has {:.3} at 0", at_zero / size);
            t.complain(
                keys[0],
                found,
                "one that has 0 at 0: terminals that lose their controller put out zeros",
            );
        }
        found
    }

    fn claim(&self, t: &Table, side: Side, bits: std::ops::Range<usize>, key: &str, who: &str) {
        if !t.clean() {
            return;
        }
        if let Some(other) = self.claims.claim(side, bits, who) {
            t.wrong(key, format!("a place of its own: {other} has it"));
        }
    }
}

/// An address, counted from the first of those that there are.
fn address(t: &Table, key: &'static str, there: Span) -> usize {
    if there.count == 0 {
        t.complain(
            key,
            t.words(key),
            "nothing there: [io] gives the server none, or too few",
        );
        let _ = t.optional(key);
        return 0;
    }
    let last = there.first + (there.count - 1);
    usize::from(t.whole(key, there.first..=last) - there.first)
}
