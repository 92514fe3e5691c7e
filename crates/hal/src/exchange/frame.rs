//! Frames: what is asked and answered, with a length and a CRC, for a line that loses and changes bytes.
//!
//! | bytes | what |
//! |---|---|
//! | 2 | `9C 3A` |
//! | 2 | length of the payload, its least byte first |
//! | 4 | CRC-32 (ISO-HDLC) of length and payload, its least byte first |
//! | | payload: `postcard` 1 |
//!
//! What is damaged is dropped without a word: the other end hears nothing, and asks again. A damaged length may swallow what follows it;
//! so the line has to be quiet for a moment before it is asked again, and then the receiver begins anew.

use crc::{CRC_32_ISO_HDLC, Crc};
use heapless::Vec;
use serde::Serialize;

const SYNC: [u8; 2] = [0x9c, 0x3a];
const HEADER_LEN: usize = 8;

/// Most bytes of a payload.
pub const PAYLOAD_MAX: usize = 1024;
/// Most bytes of a frame.
pub const FRAME_MAX: usize = PAYLOAD_MAX + HEADER_LEN;

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// A frame around what is said; none where that is too long.
pub fn framed(said: &impl Serialize) -> Option<Vec<u8, FRAME_MAX>> {
    let mut payload = [0; PAYLOAD_MAX];
    let payload = postcard::to_slice(said, &mut payload).ok()?;
    let length = u16::try_from(payload.len()).ok()?.to_le_bytes();
    let mut frame = Vec::new();
    for part in [&SYNC[..], &length, &sum(length, payload).to_le_bytes(), payload] {
        frame.extend_from_slice(part).ok()?;
    }
    Some(frame)
}

fn sum(length: [u8; 2], payload: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&length);
    digest.update(payload);
    digest.finalize()
}

/// What has come in of a frame.
#[derive(Debug, Clone, Default)]
pub struct Receiver {
    bytes: Vec<u8, FRAME_MAX>,
}

impl Receiver {
    /// Takes the next byte. True when with it a whole frame has come, whose payload is there until the next byte.
    pub fn take(&mut self, byte: u8) -> bool {
        if self.whole() {
            self.restart();
        }
        // There is always room: a frame that says it is longer is dropped with its header.
        self.bytes.push(byte).ok();
        let begins = self.bytes.iter().zip(&SYNC).all(|(byte, sync)| byte == sync);
        if !begins {
            self.restart();
            // What is no second byte may be a first one.
            if Some(&byte) == SYNC.first() {
                self.bytes.push(byte).ok();
            }
        }
        match self.parts() {
            Some((length, _, _)) if usize::from(u16::from_le_bytes(length)) > PAYLOAD_MAX => self.restart(),
            Some((length, crc, payload)) if whole(length, payload) && crc != sum(length, payload) => self.restart(),
            _ => {}
        }
        self.whole()
    }

    /// What the frame holds that has come.
    pub fn payload(&self) -> &[u8] {
        self.parts().map_or(&[], |(_, _, payload)| payload)
    }

    /// Forgets what has come of a frame so far.
    pub fn restart(&mut self) {
        self.bytes.clear();
    }

    fn whole(&self) -> bool {
        self.parts().is_some_and(|(length, _, payload)| whole(length, payload))
    }

    /// Length, CRC, and what there is of the payload.
    fn parts(&self) -> Option<([u8; 2], u32, &[u8])> {
        let (_, rest) = self.bytes.split_first_chunk::<2>()?;
        let (length, rest) = rest.split_first_chunk::<2>()?;
        let (crc, payload) = rest.split_first_chunk::<4>()?;
        Some((*length, u32::from_le_bytes(*crc), payload))
    }
}

fn whole(length: [u8; 2], payload: &[u8]) -> bool {
    payload.len() == usize::from(u16::from_le_bytes(length))
}
