//! The machine's end: takes the bytes that come in, gives the [`HandFrame`] for the core's inputs, with its age.

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::units::{Duration, Instant};

use crate::age::Aged;
use crate::framing::{Content, Decoder, Packet};
use crate::key::{Boot, Nonce, Pair, PairingKey, Secrets, SessionKeys, nonce};
use crate::refused::{Refused, Tally};
use crate::window::Window;
use crate::wire::{Beat, Hands, Header, Hello, Kind, Sealed, Welcome, seal};

/// How often the machine tells its time. A frame's age grows by [`crate::CLOCK_ERROR`] of this between two, which is little.
pub const BEAT_EVERY: Duration = Duration::from_ticks(20_000);

/// A link to one hand control, as the machine has it.
pub struct MachineEnd {
    secrets: Secrets,
    pair: Pair,
    boot: Boot,
    late: Duration,
    /// Sessions offered since the start.
    offered: u32,
    session: Option<Session>,
    /// A session that was offered, but not used yet. Who only repeats what was once sent cannot use it, so the one in use stays.
    offer: Option<Session>,
    offer_due: bool,
    beat_at: Option<Instant>,
    newest: Option<Aged<HandFrame>>,
    decoder: Decoder,
    tally: Tally,
}

struct Session {
    hand: Nonce,
    machine: Nonce,
    keys: SessionKeys,
    window: Window,
}

impl MachineEnd {
    /// A machine that has just been switched on. `late` is the age above which the core has no use for a frame (`frame_late` of the
    /// station); here it is for the counter only, for every frame that comes in order is given to the core with its age.
    pub fn new(key: &PairingKey, pair: Pair, boot: Boot, late: Duration) -> Self {
        Self {
            secrets: Secrets::new(key, pair),
            pair,
            boot,
            late,
            offered: 0,
            session: None,
            offer: None,
            offer_due: false,
            beat_at: None,
            newest: None,
            decoder: Decoder::default(),
            tally: Tally::default(),
        }
    }

    /// The next byte that came in. Where it ends a frame: the kind that was taken, or why it was not.
    ///
    /// `now` is the machine's clock, the same that [`bellcrank_core::Inputs::now`] is read from.
    ///
    /// # Errors
    /// [`Refused`] says why; it is counted in [`MachineEnd::tally`], too, and changes nothing else.
    pub fn receive(&mut self, byte: u8, now: Instant) -> Option<Result<Kind, Refused>> {
        let outcome = self.decoder.push(byte)?.and_then(|content| self.take(&content, now));
        self.tally.note(&outcome);
        Some(outcome)
    }

    /// What is to be sent now, if anything. To be called in every tick, and what it gives to be sent at once: the time until then counts
    /// as age of the answer.
    pub fn send(&mut self, now: Instant) -> Option<Packet> {
        let stamp = now.as_ticks();
        // First, so that nobody who makes the machine answer keeps it from telling its time.
        if let Some(session) = &self.session
            && self.beat_is_due(now)
        {
            self.beat_at = Some(now);
            return seal(self.header(Kind::Beat), &Beat { stamp }, &session.keys.beat);
        }
        let offer = self.offer.as_ref().filter(|_| self.offer_due)?;
        self.offer_due = false;
        let welcome = Welcome {
            hand: offer.hand,
            machine: offer.machine,
            stamp,
        };
        seal(self.header(Kind::Welcome), &welcome, &self.secrets.welcome)
    }

    fn beat_is_due(&self, now: Instant) -> bool {
        self.beat_at
            .is_none_or(|at| now.as_ticks().saturating_sub(at.as_ticks()) >= u64::from(BEAT_EVERY.as_ticks()))
    }

    /// What the hands do, for the core's inputs: the newest frame, with an age that it surely does not exceed. The default frame, without
    /// an age and with the stop pressed, until the first has come.
    pub fn hand_frame(&self, now: Instant) -> HandFrame {
        self.newest.map_or_else(HandFrame::default, |newest| HandFrame {
            age: Some(newest.age(now)),
            ..newest.said
        })
    }

    /// What happened so far.
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    fn header(&self, kind: Kind) -> Header {
        Header::new(kind, self.pair.machine, self.pair.hand)
    }

    fn take(&mut self, content: &Content, now: Instant) -> Result<Kind, Refused> {
        let sealed = Sealed::read(content, self.pair.hand, self.pair.machine)?;
        match sealed.kind {
            Kind::Hello => self.take_hello(&sealed)?,
            Kind::Hands => self.take_hands(&sealed, now)?,
            // The machine's own words.
            Kind::Welcome | Kind::Beat => return Err(Refused::NotAuthentic),
        }
        Ok(sealed.kind)
    }

    fn take_hello(&mut self, sealed: &Sealed) -> Result<(), Refused> {
        if !sealed.proven_by(&self.secrets.hello) {
            return Err(Refused::NotAuthentic);
        }
        let Hello { hand } = sealed.body()?;
        if self.session.as_ref().is_some_and(|session| session.hand == hand) {
            return Err(Refused::Repeated);
        }
        // A hello is sent until it is answered: each gets the same answer.
        if self.offer.as_ref().is_none_or(|offer| offer.hand != hand) {
            // When the numbers are used up, there are no more sessions until the next start.
            self.offered = self.offered.checked_add(1).ok_or(Refused::NoSession)?;
            let machine = nonce(&self.boot, self.offered);
            self.offer = Some(Session {
                hand,
                machine,
                keys: self.secrets.session(&hand, &machine),
                window: Window::default(),
            });
        }
        self.offer_due = true;
        Ok(())
    }

    fn take_hands(&mut self, sealed: &Sealed, now: Instant) -> Result<(), Refused> {
        let of = |session: &Option<Session>| {
            let session = session.as_ref();
            session.is_some_and(|session| sealed.proven_by(&session.keys.hands))
        };
        if !of(&self.session) {
            if !of(&self.offer) {
                let none = self.session.is_none() && self.offer.is_none();
                return Err(if none {
                    Refused::NoSession
                } else {
                    Refused::NotAuthentic
                });
            }
            self.session = self.offer.take();
            self.beat_at = None;
            self.tally.sessions = self.tally.sessions.saturating_add(1);
        }
        let session = self.session.as_mut().ok_or(Refused::NoSession)?;
        let Hands { sequence, stamp, said } = sealed.body()?;
        let aged = Aged::new(HandFrame::try_from(said)?, stamp, now)?;
        let passed_over = session.window.take(sequence)?;
        self.tally.lost = self.tally.lost.saturating_add(passed_over);
        if aged.age(now) > self.late {
            self.tally.late = self.tally.late.saturating_add(1);
        }
        self.newest = Some(aged);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{HandEnd, Id};

    #[test]
    fn after_the_last_session_none_is_offered() {
        let key = PairingKey::new(*b"32 bytes that only this pair has").unwrap();
        let pair = Pair {
            hand: Id(1),
            machine: Id(2),
        };
        let now = Instant::from_ticks(0);
        let mut machine = MachineEnd::new(&key, pair, [2; 16], BEAT_EVERY);
        machine.offered = u32::MAX - 1;
        for (boot, outcome) in [
            (1, Ok(Kind::Hello)),
            (3, Err(Refused::NoSession)),
            (4, Err(Refused::NoSession)),
        ] {
            let mut hand = HandEnd::new(&key, pair, [boot; 16]);
            let hello = hand.send(&HandFrame::default(), now).unwrap();
            let heard = hello.iter().find_map(|byte| machine.receive(*byte, now));
            assert_eq!(heard, Some(outcome));
        }
    }
}
