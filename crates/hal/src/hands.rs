//! Hand-control stations: bytes of a serial port to the frames of `bellcrank-link`, and back.
//!
//! What proves who sent a frame, and how old it is, is the link's; here nothing is looked at but bytes. Those that are lost, changed or
//! late make the newest good frame older, and nothing else: the core stops when it is older than the station's `frame_late`.

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::units::Instant;
use bellcrank_link::{MachineEnd, PACKET_MAX, Packet};
use embedded_io::{Read, ReadReady, Write, WriteReady};

use crate::trouble::Fault;

/// A hand-control station.
pub trait Hands {
    /// Takes what has come in, and sends what is due. To be called once a turn, with the time of it; it never waits.
    ///
    /// # Errors
    /// Something could not be received or sent. What came before stays, and ages.
    fn listen(&mut self, now: Instant) -> Result<(), Fault>;

    /// The newest frame, with its age; the default one, with its stop pressed, before the first.
    fn frame(&self, now: Instant) -> HandFrame;
}

/// No station: it is never heard.
impl Hands for () {
    fn listen(&mut self, _: Instant) -> Result<(), Fault> {
        Ok(())
    }

    fn frame(&self, _: Instant) -> HandFrame {
        HandFrame::default()
    }
}

/// Most bytes that are taken in one turn: the longest packet. At a tick of 2 ms that is more than a serial port of 460 800 baud brings.
/// What a flood of bytes costs is bounded by it.
pub const BYTES_A_TURN: usize = PACKET_MAX;

/// A station at the other end of a serial port or a radio modem.
pub struct LinkHands<S> {
    serial: S,
    end: MachineEnd,
    /// What is being sent, and how much of it has been.
    packet: Packet,
    sent: usize,
}

impl<S: Read + ReadReady + Write + WriteReady> LinkHands<S> {
    /// A station that has not been heard yet.
    pub fn new(serial: S, end: MachineEnd) -> Self {
        Self {
            serial,
            end,
            packet: Packet::new(),
            sent: 0,
        }
    }

    /// The machine's end of the link, for its counters.
    pub fn end(&self) -> &MachineEnd {
        &self.end
    }

    fn hear(&mut self, now: Instant) -> Result<(), Fault> {
        let mut left = BYTES_A_TURN;
        let mut buffer = [0; 32];
        while left > 0 && self.serial.read_ready().map_err(|_| Fault::Pin)? {
            let room = buffer.len().min(left);
            let room = buffer.get_mut(..room).unwrap_or_default();
            let count = self.serial.read(room).map_err(|_| Fault::Pin)?;
            if count == 0 {
                break;
            }
            for byte in room.iter().take(count) {
                // What is refused is counted by the link.
                let _ = self.end.receive(*byte, now);
            }
            left = left.saturating_sub(count);
        }
        Ok(())
    }

    /// A packet is made only when the one before it is through: its time is that of its making, and what waits adds to the age.
    fn say(&mut self, now: Instant) -> Result<(), Fault> {
        if self.sent >= self.packet.len() {
            self.packet = self.end.send(now).unwrap_or_default();
            self.sent = 0;
        }
        let sent = self.send_on();
        if sent.is_err() {
            self.packet.clear();
        }
        sent
    }

    fn send_on(&mut self) -> Result<(), Fault> {
        while let Some(rest) = self.packet.get(self.sent..).filter(|rest| !rest.is_empty()) {
            if !self.serial.write_ready().map_err(|_| Fault::Pin)? {
                break;
            }
            let count = self.serial.write(rest).map_err(|_| Fault::Pin)?;
            if count == 0 {
                break;
            }
            self.sent = self.sent.saturating_add(count);
        }
        Ok(())
    }
}

impl<S: Read + ReadReady + Write + WriteReady> Hands for LinkHands<S> {
    /// It listens even if it cannot speak, and the other way round.
    fn listen(&mut self, now: Instant) -> Result<(), Fault> {
        let heard = self.hear(now);
        let said = self.say(now);
        heard.and(said)
    }

    fn frame(&self, now: Instant) -> HandFrame {
        self.end.hand_frame(now)
    }
}

#[cfg(test)]
pub(crate) mod tests;
