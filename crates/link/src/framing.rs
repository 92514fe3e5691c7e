//! Where a frame begins and ends in a stream of bytes: consistent overhead byte stuffing (Cheshire and Baker 1999), which leaves
//! zero to mean the border between frames.
//!
//! Bytes go in one by one. Whatever comes, it takes the same little memory, and the next zero is a new start. A packet begins with a
//! zero as well as ending with one, so that rubbish before it costs nothing but itself.

use cobs::{DecodeResult, DecoderState};
use heapless::Vec;

use crate::key::TAG_BYTES;
use crate::refused::Refused;

/// The longest frame, before stuffing, bytes.
pub(crate) const CONTENT_MAX: usize = 128;

/// The longest packet, bytes: with a byte of stuffing and the zeros at both ends.
pub const PACKET_MAX: usize = CONTENT_MAX + 3;

/// Frames below 254 bytes take one byte of stuffing, whatever is in them.
const _: () = assert!(CONTENT_MAX < 254 && CONTENT_MAX > TAG_BYTES);

/// What goes out on the wire or over the air.
pub type Packet = Vec<u8, PACKET_MAX>;

/// Header, body and tag.
pub(crate) type Content = Vec<u8, CONTENT_MAX>;

/// A frame with its borders.
pub(crate) fn packet(content: &[u8]) -> Option<Packet> {
    let mut stuffed = [0; CONTENT_MAX + 1];
    let length = cobs::try_encode(content, &mut stuffed).ok()?;
    let mut packet = Packet::new();
    packet.push(0).ok()?;
    packet.extend_from_slice(stuffed.get(..length)?).ok()?;
    packet.push(0).ok()?;
    Some(packet)
}

/// Finds frames in a stream.
pub(crate) struct Decoder {
    cobs: DecoderState,
    content: Content,
    too_long: bool,
}

impl Default for Decoder {
    fn default() -> Self {
        Self {
            cobs: DecoderState::Idle,
            content: Content::new(),
            too_long: false,
        }
    }
}

impl Decoder {
    /// The next byte. At a border it gives the frame that ends there, or says that what ends there was none.
    pub fn push(&mut self, byte: u8) -> Option<Result<Content, Refused>> {
        if self.too_long && byte != 0 {
            return None;
        }
        let fed = self.cobs.feed(byte);
        if byte == 0 {
            let ended = core::mem::take(self);
            return match fed {
                _ if ended.too_long => Some(Err(Refused::Corrupt)),
                Ok(DecodeResult::DataComplete) => Some(Ok(ended.content)),
                // Two borders with nothing between.
                Ok(_) => None,
                Err(_) => Some(Err(Refused::Corrupt)),
            };
        }
        if let Ok(DecodeResult::DataContinue(byte)) = fed {
            self.too_long = self.content.push(byte).is_err();
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use std::vec;

    use proptest::prelude::*;

    use super::*;

    type Found = std::vec::Vec<Result<Content, Refused>>;

    fn decode(decoder: &mut Decoder, bytes: &[u8]) -> Found {
        bytes.iter().filter_map(|byte| decoder.push(*byte)).collect()
    }

    fn content() -> impl Strategy<Value = Content> {
        prop::collection::vec(prop_oneof![any::<u8>(), Just(0)], 1..=CONTENT_MAX)
            .prop_map(|bytes| Content::from_slice(&bytes).unwrap())
    }

    proptest! {
        #[test]
        fn frames_come_out_as_they_went_in(contents in prop::collection::vec(content(), 1..5)) {
            let mut decoder = Decoder::default();
            let stream: std::vec::Vec<u8> = contents.iter().flat_map(|content| packet(content).unwrap()).collect();
            let expected: Found = contents.into_iter().map(Ok).collect();
            prop_assert_eq!(decode(&mut decoder, &stream), expected);
        }

        #[test]
        fn after_any_rubbish_the_next_frame_comes_out(
            rubbish in prop::collection::vec(any::<u8>(), 0..400),
            content in content(),
        ) {
            let mut decoder = Decoder::default();
            decode(&mut decoder, &rubbish);
            let found = decode(&mut decoder, &packet(&content).unwrap());
            prop_assert_eq!(found.last(), Some(&Ok(content)));
        }
    }

    #[test]
    fn the_longest_frame_fits_and_one_byte_more_is_none() {
        let longest = [7; CONTENT_MAX];
        let whole = packet(&longest).unwrap();
        assert_eq!(whole.len(), PACKET_MAX);
        assert_eq!(packet(&[7; CONTENT_MAX + 1]), None);
        let mut decoder = Decoder::default();
        assert_eq!(
            decode(&mut decoder, &whole),
            vec![Ok(Content::from_slice(&longest).unwrap())]
        );
        let mut one_more = vec![0, u8::try_from(CONTENT_MAX + 2).unwrap()];
        one_more.extend([7; CONTENT_MAX + 1]);
        one_more.push(0);
        assert_eq!(decode(&mut decoder, &one_more), vec![Err(Refused::Corrupt)]);
    }

    #[test]
    fn a_frame_cut_short_is_none_and_borders_alone_are_nothing() {
        let mut decoder = Decoder::default();
        assert_eq!(decode(&mut decoder, &[0, 0, 0]), vec![]);
        assert_eq!(decode(&mut decoder, &[5, 1, 2, 0, 0]), vec![Err(Refused::Corrupt)]);
        assert_eq!(
            decode(&mut decoder, &[2, 9, 0]),
            vec![Ok(Content::from_slice(&[9]).unwrap())]
        );
    }
}
