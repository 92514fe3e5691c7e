//! What stands in a frame.
//!
//! A frame is a header, a body and a tag over both. Header and body are written by `postcard`: bytes and arrays as they are, whole
//! numbers from 16 bits up in 7-bit groups, the small ones first (1 to 3, 5 or 10 bytes).
//!
//! | kind | way | body |
//! |---|---|---|
//! | hello | to the machine | the hand control's nonce |
//! | welcome | to the hand control | that nonce, the machine's nonce, the machine's time |
//! | beat | to the hand control | the machine's time |
//! | hands | to the machine | sequence, time stamp, stop, enable, mode, levers |

use serde::{Deserialize, Serialize};

use crate::framing::{CONTENT_MAX, Content, Packet, packet};
use crate::key::{Id, Nonce, TAG_BYTES, Tagger};
use crate::refused::Refused;
use crate::said::Said;

/// Version of all that is said here. An end talks to its own version only.
pub const VERSION: u8 = 1;

/// What a frame is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Kind {
    /// A hand control wishes for a session.
    Hello = 0,
    /// The machine's answer.
    Welcome = 1,
    /// The machine's time.
    Beat = 2,
    /// What the hands do.
    Hands = 3,
}

/// What stands first in each frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Header {
    version: u8,
    kind: Kind,
    from: [u8; 2],
    to: [u8; 2],
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Hello {
    pub hand: Nonce,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Welcome {
    /// The nonce that this answers.
    pub hand: Nonce,
    pub machine: Nonce,
    pub stamp: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Beat {
    /// The machine's clock when this was sent, µs.
    pub stamp: u64,
}

/// When the hands were read, told by the machine's own clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Stamp {
    /// The newest time of the machine's that the hand control has heard, µs.
    pub echo: u64,
    /// How long ago it was heard when this frame was made, µs of the hand control's clock.
    pub held: u32,
    /// How long ago the hands were read when this frame was made, µs of the hand control's clock.
    pub read: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Hands {
    pub sequence: u32,
    pub stamp: Stamp,
    pub said: Said,
}

impl Header {
    pub fn new(kind: Kind, from: Id, to: Id) -> Self {
        Self {
            version: VERSION,
            kind,
            from: from.0.to_le_bytes(),
            to: to.0.to_le_bytes(),
        }
    }
}

/// A frame ready to be sent. None if it does not fit, which no message of this module brings about.
pub(crate) fn seal(header: Header, body: &impl Serialize, tagger: &Tagger) -> Option<Packet> {
    let mut buffer = [0; CONTENT_MAX];
    let mut content = Content::new();
    let message = postcard::to_slice(&(header, body), &mut buffer).ok()?;
    content.extend_from_slice(message).ok()?;
    content.extend_from_slice(&tagger.tag(message)).ok()?;
    packet(&content)
}

/// A frame that was received, its parts told apart. None of it is to be believed before [`Sealed::proven_by`].
pub(crate) struct Sealed<'c> {
    /// What it says it is.
    pub kind: Kind,
    message: &'c [u8],
    body: &'c [u8],
    tag: &'c [u8; TAG_BYTES],
}

impl<'c> Sealed<'c> {
    /// Reads the header and sees whether the frame is meant for this end.
    pub fn read(content: &'c [u8], from: Id, to: Id) -> Result<Self, Refused> {
        let (message, tag) = content.split_last_chunk().ok_or(Refused::Corrupt)?;
        let (header, body) = postcard::take_from_bytes::<Header>(message).map_err(|_| Refused::Corrupt)?;
        if header.version != VERSION {
            return Err(Refused::OtherVersion);
        }
        if header != Header::new(header.kind, from, to) {
            return Err(Refused::WrongAddress);
        }
        Ok(Self {
            kind: header.kind,
            message,
            body,
            tag,
        })
    }

    /// The tag is of this key.
    pub fn proven_by(&self, tagger: &Tagger) -> bool {
        tagger.proves(self.message, self.tag)
    }

    /// The body, to be read only once it is proven.
    pub fn body<B: Deserialize<'c>>(&self) -> Result<B, Refused> {
        match postcard::take_from_bytes(self.body) {
            Ok((body, [])) => Ok(body),
            _ => Err(Refused::Malformed),
        }
    }
}

#[cfg(test)]
mod tests {
    use bellcrank_core::inputs::{Frame, GoTo, HandFrame, Target};
    use bellcrank_core::machine::LEVERS_MAX;
    use bellcrank_core::units::Lever;
    use proptest::prelude::*;

    use super::*;
    use crate::said::tests::frame;

    const PAIR: (Id, Id) = (Id(0x0102), Id(0xfffe));

    fn hands() -> impl Strategy<Value = Hands> {
        (frame(), any::<(u32, u64, u32, u32)>()).prop_map(|(frame, (sequence, echo, held, read))| Hands {
            sequence,
            stamp: Stamp { echo, held, read },
            said: Said::from(&frame),
        })
    }

    proptest! {
        #[test]
        fn any_frame_goes_through_the_wire(hands in hands()) {
            let tagger = Tagger::new(&[9; 32]);
            let packet = seal(Header::new(Kind::Hands, PAIR.0, PAIR.1), &hands, &tagger).unwrap();
            let mut decoder = crate::framing::Decoder::default();
            let contents: std::vec::Vec<_> = packet.iter().filter_map(|byte| decoder.push(*byte)).collect();
            prop_assert_eq!(contents.len(), 1);
            let content = contents[0].as_ref().unwrap();
            let sealed = Sealed::read(content, PAIR.0, PAIR.1).unwrap();
            prop_assert!(sealed.proven_by(&tagger));
            prop_assert_eq!(sealed.kind, Kind::Hands);
            prop_assert_eq!(sealed.body::<Hands>(), Ok(hands));
            prop_assert_eq!(sealed.body::<Beat>(), Err(Refused::Malformed));
        }
    }

    #[test]
    fn a_header_says_whose_frame_it_is() {
        let tagger = Tagger::new(&[9; 32]);
        let beat = Beat { stamp: 5 };
        let sealed = |header: Header| {
            let packet = seal(header, &beat, &tagger).unwrap();
            let mut decoder = crate::framing::Decoder::default();
            packet.iter().find_map(|byte| decoder.push(*byte)).unwrap().unwrap()
        };
        let read = |header: Header| Sealed::read(&sealed(header), PAIR.0, PAIR.1).map(|sealed| sealed.kind);
        let header = |from, to| Header::new(Kind::Beat, from, to);
        assert_eq!(read(header(PAIR.0, PAIR.1)), Ok(Kind::Beat));
        for (from, to) in [(PAIR.1, PAIR.0), (PAIR.0, Id(0xfffd)), (Id(0x0103), PAIR.1)] {
            assert_eq!(read(header(from, to)), Err(Refused::WrongAddress));
        }
        let other = Header {
            version: VERSION + 1,
            ..header(PAIR.0, PAIR.1)
        };
        assert_eq!(read(other), Err(Refused::OtherVersion));
        for length in 0..TAG_BYTES + 6 {
            let content = &sealed(header(PAIR.0, PAIR.1))[..length];
            assert_eq!(Sealed::read(content, PAIR.0, PAIR.1).err(), Some(Refused::Corrupt));
        }
    }

    #[test]
    fn sizes_are_what_is_said_of_them() {
        let tagger = Tagger::new(&[9; 32]);
        let full = [Lever::new(-1.0).unwrap(); LEVERS_MAX];
        let size = |sequence, stamp, levers, go_to| {
            let said = Said::from(&HandFrame {
                levers,
                go_to,
                ..HandFrame::default()
            });
            let body = Hands { sequence, stamp, said };
            seal(Header::new(Kind::Hands, PAIR.0, PAIR.1), &body, &tagger)
                .unwrap()
                .len()
        };
        let longest = Stamp {
            echo: u64::MAX,
            held: u32::MAX,
            read: u32::MAX,
        };
        let order = GoTo {
            number: u8::MAX,
            arm: u8::MAX,
            to: Target::By([1.0; 3]),
            frame: Frame::Tool,
            speed: 1.0,
        };
        assert_eq!(size(u32::MAX, longest, full, Some(order)), 109);
        // An hour after both were switched on.
        let usual = Stamp {
            echo: 3_600_000_000,
            held: 30_000,
            read: 0,
        };
        assert_eq!(size(180_000, usual, [Lever::default(); LEVERS_MAX], None), 60);
    }
}
