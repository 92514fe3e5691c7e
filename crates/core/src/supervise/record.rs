//! What outlives the power: why the machine stood still, or that it did not, in eight bytes for a memory that keeps them.
//!
//! The board writes [`Record::bytes`] whenever they change, and gives [`Record::read`] what it finds when it starts. A controller always
//! starts in self-test, without power, whatever the record says: it is there to be told, and to be reset, not to be gone on from.

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};

use super::State;
use super::causes::Blame;
use crate::cause::Cause;
use crate::machine::AxisId;

/// Length of a record in bytes.
pub const RECORD_LEN: usize = 8;

/// The layout of the record.
const VERSION: u8 = 1;
/// In place of a cause, or of an axis: there is none.
const NONE: u8 = 0xff;

/// Without a table: it is worked out when something was latched, not in every tick.
const CRC: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

/// Where the interlock was, and what was latched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Record {
    /// State of the interlock.
    pub state: State,
    /// What was latched, and the axis it was about.
    pub cause: Option<Blame>,
}

impl Record {
    /// Version, state, cause, axis, and the CRC-32 of these four (ISO-HDLC, as in Ethernet), its least byte first.
    pub fn bytes(&self) -> [u8; RECORD_LEN] {
        let (cause, axis) = self.cause.map_or((NONE, NONE), |(cause, axis)| {
            (
                cause as u8,
                axis.and_then(|axis| u8::try_from(axis.index()).ok()).unwrap_or(NONE),
            )
        });
        let said = [VERSION, self.state as u8, cause, axis];
        let [a, b, c, d] = said;
        let [e, f, g, h] = CRC.checksum(&said).to_le_bytes();
        [a, b, c, d, e, f, g, h]
    }

    /// What was kept. None where nothing was, or where it was damaged.
    pub fn read(bytes: [u8; RECORD_LEN]) -> Option<Self> {
        let [version, state, cause, axis, e, f, g, h] = bytes;
        let whole = CRC.checksum(&[version, state, cause, axis]) == u32::from_le_bytes([e, f, g, h]);
        if !whole || version != VERSION {
            return None;
        }
        let state = State::ALL.into_iter().find(|known| *known as u8 == state)?;
        let axis = match axis {
            NONE => None,
            number => Some(AxisId::new(usize::from(number))?),
        };
        let cause = match cause {
            NONE => None,
            number => Some((Cause::ALL.into_iter().find(|known| *known as u8 == number)?, axis)),
        };
        Some(Self { state, cause })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all() -> impl Iterator<Item = Record> {
        let axes = [None, AxisId::new(0), AxisId::new(13)];
        let blames = Cause::ALL
            .into_iter()
            .flat_map(move |cause| axes.map(|axis| Some((cause, axis))));
        let blames: std::vec::Vec<_> = blames.chain([None]).collect();
        State::ALL
            .into_iter()
            .flat_map(move |state| blames.clone().into_iter().map(move |cause| Record { state, cause }))
    }

    #[test]
    fn what_was_kept_is_read_again() {
        for record in all() {
            assert_eq!(Record::read(record.bytes()), Some(record));
        }
    }

    /// A CRC of 32 bits finds every change of three bits and less in so short a record, and every burst of 32 (Koopman, "32-Bit Cyclic
    /// Redundancy Codes for Internet Applications", DSN 2002: distance 4 and more far beyond 64 bits; from memory).
    #[test]
    fn up_to_three_flipped_bits_are_noticed() {
        let bytes = u64::from_le_bytes(all().last().unwrap().bytes());
        let read = |flips: u64| Record::read((bytes ^ flips).to_le_bytes());
        for a in 0..64 {
            for b in a..64 {
                for c in b..64 {
                    assert_eq!(read((1 << a) | (1 << b) | (1 << c)), None, "{a} {b} {c}");
                }
            }
        }
    }

    #[test]
    fn what_an_empty_memory_holds_is_no_record() {
        assert_eq!(Record::read([0; RECORD_LEN]), None);
        assert_eq!(Record::read([0xff; RECORD_LEN]), None);
    }

    /// The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms (reveng): 0xcbf43926 for "123456789".
    #[test]
    fn the_crc_is_the_one_that_the_catalogue_lists() {
        assert_eq!(CRC.checksum(b"123456789"), 0xcbf4_3926);
    }
}
