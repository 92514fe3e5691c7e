//! The hand control's end: takes what the hands do, gives the bytes to send.

use core::cmp::Ordering;

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::units::{Duration, Instant};

use crate::framing::{Content, Decoder, Packet};
use crate::key::{Boot, Nonce, Pair, PairingKey, Secrets, SessionKeys, nonce};
use crate::refused::{Refused, Tally};
use crate::said::Said;
use crate::wire::{Beat, Hands, Header, Hello, Kind, Sealed, Stamp, Welcome, seal};

/// After so long without a word from the machine, the hand control gives up the session and asks for another: what it says may not
/// be heard either.
pub const QUIET: Duration = Duration::from_ticks(500_000);

/// A link to one machine, as the hand control has it.
pub struct HandEnd {
    secrets: Secrets,
    pair: Pair,
    boot: Boot,
    /// Sessions asked for since the start.
    asked: u32,
    session: Option<Session>,
    decoder: Decoder,
    tally: Tally,
}

struct Session {
    keys: SessionKeys,
    /// The number of the last frame.
    sequence: u32,
    /// The machine's newest time, µs, and when it was heard.
    echo: u64,
    heard: Instant,
}

impl HandEnd {
    /// A hand control that has just been switched on.
    pub fn new(key: &PairingKey, pair: Pair, boot: Boot) -> Self {
        Self {
            secrets: Secrets::new(key, pair),
            pair,
            boot,
            asked: 1,
            session: None,
            decoder: Decoder::default(),
            tally: Tally::default(),
        }
    }

    /// The next byte that came in. Where it ends a frame: the kind that was taken, or why it was not.
    ///
    /// `now` is the hand control's own clock.
    ///
    /// # Errors
    /// [`Refused`] says why; it is counted in [`HandEnd::tally`], too, and changes nothing else.
    pub fn receive(&mut self, byte: u8, now: Instant) -> Option<Result<Kind, Refused>> {
        let outcome = self.decoder.push(byte)?.and_then(|content| self.take(&content, now));
        self.tally.note(&outcome);
        Some(outcome)
    }

    /// What is to be sent now, and at once: the hands in a session, else the wish for one. To be called at the rate at which frames are to
    /// go out, which is a good deal more often than the machine's `frame_late`. `hands` is read just before; its `age` says how long ago,
    /// and without one nothing was read, so there is nothing to send.
    ///
    /// None, too, when the numbers of four thousand million sessions are used up: then only a new start helps.
    pub fn send(&mut self, hands: &HandFrame, now: Instant) -> Option<Packet> {
        if self.session.is_some() && !self.hears(now) {
            self.give_up();
        }
        let Some(session) = &mut self.session else {
            let hand = self.asking()?;
            return seal(self.header(Kind::Hello), &Hello { hand }, &self.secrets.hello);
        };
        let stamp = Stamp {
            echo: session.echo,
            held: u32::try_from(since(session.heard, now)).unwrap_or(u32::MAX),
            read: hands.age?.as_ticks(),
        };
        let Some(sequence) = session.sequence.checked_add(1) else {
            self.give_up();
            return None;
        };
        session.sequence = sequence;
        let said = Said::from(hands);
        let keys = &self.session.as_ref()?.keys;
        seal(self.header(Kind::Hands), &Hands { sequence, stamp, said }, &keys.hands)
    }

    /// There is a session, and the machine was heard within [`QUIET`]. For a lamp.
    pub fn hears(&self, now: Instant) -> bool {
        let quiet = u64::from(QUIET.as_ticks());
        self.session
            .as_ref()
            .is_some_and(|session| since(session.heard, now) <= quiet)
    }

    /// What happened so far.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    fn header(&self, kind: Kind) -> Header {
        Header::new(kind, self.pair.hand, self.pair.machine)
    }

    /// The nonce of the session that is asked for. The last number is never used, so that none is used twice.
    fn asking(&self) -> Option<Nonce> {
        (self.asked < u32::MAX).then(|| nonce(&self.boot, self.asked))
    }

    fn give_up(&mut self) {
        self.session = None;
        self.asked = self.asked.saturating_add(1);
    }

    fn take(&mut self, content: &Content, now: Instant) -> Result<Kind, Refused> {
        let sealed = Sealed::read(content, self.pair.machine, self.pair.hand)?;
        match sealed.kind {
            Kind::Welcome => self.take_welcome(&sealed, now)?,
            Kind::Beat => self.take_beat(&sealed, now)?,
            // The hand control's own words.
            Kind::Hello | Kind::Hands => return Err(Refused::NotAuthentic),
        }
        Ok(sealed.kind)
    }

    fn take_welcome(&mut self, sealed: &Sealed, now: Instant) -> Result<(), Refused> {
        if !sealed.proven_by(&self.secrets.welcome) {
            return Err(Refused::NotAuthentic);
        }
        let Welcome { hand, machine, stamp } = sealed.body()?;
        // The answer to what is asked now, and the first one.
        if self.session.is_some() || self.asking() != Some(hand) {
            return Err(Refused::Repeated);
        }
        self.session = Some(Session {
            keys: self.secrets.session(&hand, &machine),
            sequence: 0,
            echo: stamp,
            heard: now,
        });
        self.tally.sessions = self.tally.sessions.saturating_add(1);
        Ok(())
    }

    fn take_beat(&mut self, sealed: &Sealed, now: Instant) -> Result<(), Refused> {
        let session = self.session.as_mut().ok_or(Refused::NoSession)?;
        if !sealed.proven_by(&session.keys.beat) {
            return Err(Refused::NotAuthentic);
        }
        let Beat { stamp } = sealed.body()?;
        match stamp.cmp(&session.echo) {
            Ordering::Less => Err(Refused::OutOfOrder),
            Ordering::Equal => Err(Refused::Repeated),
            Ordering::Greater => {
                session.echo = stamp;
                session.heard = now;
                Ok(())
            }
        }
    }
}

/// µs from one time to a later one; very many if the clock went backwards.
fn since(then: Instant, now: Instant) -> u64 {
    now.as_ticks().checked_sub(then.as_ticks()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Id, MachineEnd};

    const PAIR: Pair = Pair {
        hand: Id(1),
        machine: Id(2),
    };

    /// Both, a session begun.
    fn session() -> (HandEnd, MachineEnd) {
        let key = PairingKey::new(*b"32 bytes that only this pair has").unwrap();
        let mut hand = HandEnd::new(&key, PAIR, [1; 16]);
        let mut machine = MachineEnd::new(&key, PAIR, [2; 16], QUIET);
        for byte in say(&mut hand).unwrap() {
            machine.receive(byte, now());
        }
        for byte in machine.send(now()).unwrap() {
            hand.receive(byte, now());
        }
        (hand, machine)
    }

    fn now() -> Instant {
        Instant::from_ticks(0)
    }

    fn say(hand: &mut HandEnd) -> Option<Packet> {
        let hands = HandFrame {
            age: Some(Duration::from_ticks(0)),
            ..HandFrame::default()
        };
        hand.send(&hands, now())
    }

    #[test]
    fn after_the_last_number_comes_another_session() {
        let (mut hand, mut machine) = session();
        hand.session.as_mut().unwrap().sequence = u32::MAX - 1;
        let outcome = say(&mut hand)
            .unwrap()
            .iter()
            .find_map(|byte| machine.receive(*byte, now()));
        assert_eq!(outcome, Some(Ok(Kind::Hands)));
        let asked = hand.asking();
        assert_eq!(say(&mut hand), None);
        assert!(hand.session.is_none() && hand.asking() != asked);
        let outcome = say(&mut hand)
            .unwrap()
            .iter()
            .find_map(|byte| machine.receive(*byte, now()));
        assert_eq!(outcome, Some(Ok(Kind::Hello)));
    }

    #[test]
    fn after_the_last_session_comes_none() {
        let (mut hand, _) = session();
        hand.asked = u32::MAX - 1;
        assert!(hand.asking().is_some());
        hand.give_up();
        assert_eq!(say(&mut hand), None);
        hand.give_up();
        assert_eq!(say(&mut hand), None);
    }
}
