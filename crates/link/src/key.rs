//! Keys and tags: HMAC-SHA-256 (RFC 2104), its tag cut to its left 128 bits, and keys made from keys by HKDF-Expand (RFC 5869).
//!
//! A message authentication code, not an encryption: nothing in a frame is secret, and such a code takes no nonce that could be
//! misused. A sequence number that came twice would be a repetition, which the receiver refuses, and no more than that. Of the codes
//! at hand this is the one with the longest record, and the same function makes the session's keys.
//!
//! The pairing key itself makes keys and nothing else; each kind of message has a key of its own, so that no message can pass for
//! one of another kind, way, pair or session. Keys and what is made from them are overwritten where they lie when
//! they are let go (`zeroize`; copies that the compiler made while moving them are out of reach), and tags are compared in constant
//! time (in the `digest` crate).

use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use zeroize::Zeroizing;

use crate::wire::Kind;

/// Length of a tag, bytes: 128 bits, half the hash, the least that RFC 2104 recommends. Who does not have the key passes one
/// attempt in 2^128; a thousand attempts a second for a hundred years make a chance below 1e-26.
pub const TAG_BYTES: usize = 16;

/// Length of a pairing key, bytes.
pub const KEY_BYTES: usize = 32;

const LABEL: &[u8] = b"bellcrank-link 1";

/// The secret that one hand control and one machine share. Made by a true random source and brought to both by hand: over a cable,
/// not over the link. Each pair has its own.
pub struct PairingKey(Zeroizing<[u8; KEY_BYTES]>);

/// All bytes of the key are the same: a memory that nothing was written to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BlankKey;

impl PairingKey {
    /// Takes the key over. What the caller has of it is for the caller to overwrite.
    ///
    /// # Errors
    /// [`BlankKey`] if all bytes are the same.
    pub fn new(bytes: [u8; KEY_BYTES]) -> Result<Self, BlankKey> {
        let bytes = Zeroizing::new(bytes);
        let [first, rest @ ..] = &*bytes;
        if rest.iter().all(|byte| byte == first) {
            return Err(BlankKey);
        }
        Ok(Self(bytes))
    }
}

impl core::fmt::Display for BlankKey {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("all bytes of the key are the same")
    }
}

impl core::error::Error for BlankKey {}

/// One of the two ends of a link. No two that might hear each other have the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Id(pub u16);

/// Who talks to whom.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Pair {
    /// The hand control.
    pub hand: Id,
    /// The machine.
    pub machine: Id,
}

/// A number that its end never gives a second time under one pairing key: random, or a count of starts that is kept through them.
/// It need not be secret, nor hard to guess.
pub type Boot = [u8; 16];

/// What is different in each session: the boot number and the session's own.
pub(crate) type Nonce = [u8; 20];

/// The nonce of a session.
pub(crate) fn nonce(boot: &Boot, session: u32) -> Nonce {
    let mut nonce = [0; 20];
    let numbers = boot.iter().copied().chain(session.to_le_bytes());
    for (place, byte) in nonce.iter_mut().zip(numbers) {
        *place = byte;
    }
    nonce
}

/// A key, ready to tag with.
pub(crate) struct Tagger(Hmac<Sha256>);

impl Tagger {
    pub fn new(key: &[u8; KEY_BYTES]) -> Self {
        // A shorter key than the hash's block stands for itself with zeros after it.
        let mut padded = Zeroizing::new([0; 64]);
        for (place, byte) in padded.iter_mut().zip(key) {
            *place = *byte;
        }
        let padded: &[u8; 64] = &padded;
        Self(Hmac::new(padded.into()))
    }

    /// The tag of a message.
    pub fn tag(&self, message: &[u8]) -> [u8; TAG_BYTES] {
        let mut mac = self.0.clone();
        mac.update(message);
        let whole: [u8; KEY_BYTES] = mac.finalize().into_bytes().into();
        let mut tag = [0; TAG_BYTES];
        for (place, byte) in tag.iter_mut().zip(whole) {
            *place = byte;
        }
        tag
    }

    /// The tag is that of the message. Takes the same time wherever they differ.
    pub fn proves(&self, message: &[u8], tag: &[u8; TAG_BYTES]) -> bool {
        let mut mac = self.0.clone();
        mac.update(message);
        mac.verify_truncated_left(tag).is_ok()
    }

    /// Another key out of this one. Whoever has it knows nothing of this one.
    fn derive(&self, info: &[&[u8]]) -> Self {
        Self::new(&self.expand(info))
    }

    /// The first block of HKDF-Expand, which is as long as a key.
    fn expand(&self, info: &[&[u8]]) -> Zeroizing<[u8; KEY_BYTES]> {
        let mut mac = self.0.clone();
        for part in info {
            mac.update(part);
        }
        mac.update(&[1]);
        Zeroizing::new(mac.finalize().into_bytes().into())
    }
}

/// What an end makes of the pairing key when it starts; the key itself is then gone.
pub(crate) struct Secrets {
    root: Tagger,
    pair: [u8; 4],
    /// Tags a hand control's wish for a session.
    pub hello: Tagger,
    /// Tags a machine's answer to it.
    pub welcome: Tagger,
}

/// The keys of one session.
pub(crate) struct SessionKeys {
    /// Tags what the machine sends.
    pub beat: Tagger,
    /// Tags what the hand control sends.
    pub hands: Tagger,
}

impl Secrets {
    pub fn new(key: &PairingKey, pair: Pair) -> Self {
        let root = Tagger::new(&key.0);
        let ([a, b], [c, d]) = (pair.hand.0.to_le_bytes(), pair.machine.0.to_le_bytes());
        let pair = [a, b, c, d];
        Self {
            hello: root.derive(&[LABEL, &[Kind::Hello as u8], &pair]),
            welcome: root.derive(&[LABEL, &[Kind::Welcome as u8], &pair]),
            root,
            pair,
        }
    }

    /// The keys of one session and no other: both ends have put in what they never put in before.
    pub fn session(&self, hand: &Nonce, machine: &Nonce) -> SessionKeys {
        let mut nonces = [0; 40];
        for (place, byte) in nonces.iter_mut().zip(hand.iter().chain(machine)) {
            *place = *byte;
        }
        let key = |kind: Kind| self.root.derive(&[LABEL, &[kind as u8], &self.pair, &nonces]);
        SessionKeys {
            beat: key(Kind::Beat),
            hands: key(Kind::Hands),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::{format, vec, vec::Vec};

    use zeroize::ZeroizeOnDrop;

    use super::*;

    fn bytes(hex: &str) -> Vec<u8> {
        let digit = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
        (0..hex.len()).step_by(2).map(digit).collect()
    }

    /// RFC 4231, section 4, HMAC-SHA-256. Its case 5 is a tag of 128 bits, as here. Longer keys than the block are not used here, so
    /// its cases 6 and 7 are left out.
    #[test]
    fn tags_are_those_of_rfc_4231() {
        for (key, data, tag) in [
            (
                vec![0x0b; 20],
                b"Hi There".to_vec(),
                "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7",
            ),
            (
                b"Jefe".to_vec(),
                b"what do ya want for nothing?".to_vec(),
                "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
            ),
            (
                vec![0xaa; 20],
                vec![0xdd; 50],
                "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe",
            ),
            (
                (1..=25).collect(),
                vec![0xcd; 50],
                "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
            ),
            (
                vec![0x0c; 20],
                b"Test With Truncation".to_vec(),
                "a3b6167473100ee06e0c796c2955552b",
            ),
        ] {
            let mut padded = [0; KEY_BYTES];
            padded[..key.len()].copy_from_slice(&key);
            let tagger = Tagger::new(&padded);
            assert_eq!(tagger.tag(&data)[..], bytes(tag)[..TAG_BYTES]);
            assert!(tagger.proves(&data, &tagger.tag(&data)));
        }
    }

    /// RFC 5869, appendix A, cases 1 to 3: the first 32 bytes of what comes out.
    #[test]
    fn keys_out_of_keys_are_those_of_rfc_5869() {
        let long: Vec<u8> = (0xb0..=0xff).collect();
        for (key, info, out) in [
            (
                "077709362c2e32df0ddc3f0dc47bba6390b6c73bb50f9c3122ec844ad7c2b3e5",
                &bytes("f0f1f2f3f4f5f6f7f8f9"),
                "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf",
            ),
            (
                "06a6b88c5853361a06104c9ceb35b45cef760014904671014a193f40c15fc244",
                &long,
                "b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c",
            ),
            (
                "19ef24a32c717b167f33a91d6f648bdf96596776afdb6377ac434c1c293ccb04",
                &vec![],
                "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d",
            ),
        ] {
            let tagger = Tagger::new(&bytes(key).try_into().unwrap());
            let (front, back) = info.split_at(info.len() / 3);
            assert_eq!(tagger.expand(&[front, back])[..], bytes(out));
        }
    }

    #[test]
    fn one_wrong_bit_anywhere_is_no_proof() {
        let tagger = Tagger::new(&[7; 32]);
        let message = *b"a frame";
        let tag = tagger.tag(&message);
        for bit in 0..TAG_BYTES * 8 {
            let mut wrong = tag;
            wrong[bit / 8] ^= 1 << (bit % 8);
            assert!(!tagger.proves(&message, &wrong), "tag bit {bit}");
        }
        for bit in 0..message.len() * 8 {
            let mut wrong = message;
            wrong[bit / 8] ^= 1 << (bit % 8);
            assert!(!tagger.proves(&wrong, &tag), "message bit {bit}");
        }
        assert!(!Tagger::new(&[8; 32]).proves(&message, &tag));
    }

    #[test]
    fn each_kind_pair_and_session_has_keys_of_its_own() {
        let key = PairingKey::new(core::array::from_fn(|i| u8::try_from(i).unwrap())).unwrap();
        let pair = |hand, machine| Pair {
            hand: Id(hand),
            machine: Id(machine),
        };
        let mut tags = Vec::new();
        for pair in [pair(1, 2), pair(2, 1), pair(1, 3)] {
            let secrets = Secrets::new(&key, pair);
            tags.extend([secrets.hello.tag(b"x"), secrets.welcome.tag(b"x")]);
            for (hand, machine) in [(1, 1), (1, 2), (2, 1)] {
                let keys = secrets.session(&nonce(&[5; 16], hand), &nonce(&[6; 16], machine));
                tags.extend([keys.hands.tag(b"x"), keys.beat.tag(b"x")]);
            }
        }
        let count = tags.len();
        tags.sort_unstable();
        tags.dedup();
        assert_eq!((tags.len(), count), (24, 24));
    }

    #[test]
    fn a_blank_key_is_refused() {
        for byte in [0x00, 0xff, 0x5a] {
            assert_eq!(PairingKey::new([byte; KEY_BYTES]).err(), Some(BlankKey));
        }
        assert!(!format!("{BlankKey}").is_empty());
    }

    #[test]
    fn keys_are_overwritten_when_they_are_let_go() {
        fn is_overwritten<T: ZeroizeOnDrop>() {}
        is_overwritten::<Zeroizing<[u8; KEY_BYTES]>>();
        // Two of these and a buffer are what a `Hmac<Sha256>` consists of; it does not carry the mark itself.
        is_overwritten::<Sha256>();
    }
}
