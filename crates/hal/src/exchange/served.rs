//! The board's end: what is asked for is done, and when nothing is asked for any more, everything is switched off.

use bellcrank_core::Machine;
use bellcrank_core::inputs::{HandFrame, Inputs, Relays, Station};
use bellcrank_core::machine::PerAxis;
use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX, Image};
use bellcrank_core::outputs::Outputs;
use bellcrank_core::supervise::RECORD_LEN;
use bellcrank_core::units::{Duration, Instant};
use embedded_io::{Read, ReadReady, Write};

use super::frame::{Receiver, framed};
use super::{Answer, Ask, PROTOCOL, Turned};
use crate::board::Board;
use crate::cycle::Cycle;
use crate::trouble::{Misfit, Troubles};

/// Without a frame for so long, everything is switched off. The other end may be a computer that does something else meanwhile.
pub const QUIET: Duration = Duration::from_ticks(2_000_000);

/// A line to the other end. Where [`ReadReady`] says yes although nothing has come, reading waits: then nobody can notice that frames
/// cease.
pub trait Port: Read + ReadReady + Write {}

impl<P: Read + ReadReady + Write> Port for P {}

/// The board's clock.
pub trait Clock {
    /// How many counts go into a second.
    const COUNTS_A_SECOND: u32;

    /// The count. It goes up, and from the greatest number on to 0.
    fn count(&self) -> u32;

    /// How long no whole frame may come before everything is switched off. None on a line that goes in lockstep: there the other end takes
    /// the time that it needs.
    fn quiet(&self) -> Option<Duration> {
        Some(QUIET)
    }

    /// Most of the stack that was ever in use, bytes.
    fn stack(&self) -> Option<u32> {
        None
    }
}

/// Serves, from the loading of an image on, until the line is at its end.
///
/// `memory` is where the image goes.
///
/// # Errors
/// What the port says.
pub fn serve<P: Port>(port: &mut P, clock: &impl Clock, memory: &mut [u8; IMAGE_MAX]) -> Result<(), P::Error> {
    let mut line = Line::new(port, clock);
    let mut loading = Loading::default();
    // What was asked last has not been answered yet: it began another image while a machine was run.
    let mut open = false;
    loop {
        // Without a machine there is nothing that would have to be switched off.
        if !open && !matches!(line.listen(None)?, Heard::Frame) {
            return Ok(());
        }
        open = false;
        let answer = match line.asked() {
            Some(Ask::Image { at, bytes, last }) => match loading.piece(memory, at, bytes, last) {
                Loaded::More => Answer::Piece,
                Loaded::OutOfOrder => Answer::NotUnderstood,
                // Where it has been read to is where it is kept.
                Loaded::All(read) => match &image::read(read) {
                    Err(refused) => Answer::Refused(*refused),
                    Ok(image) => {
                        line.say(&Answer::Started)?;
                        match run(&mut line, image)? {
                            Left::End => return Ok(()),
                            Left::NewImage => {
                                open = true;
                                continue;
                            }
                        }
                    }
                },
            },
            Some(Ask::Who) => line.who(None),
            Some(Ask::Start(_) | Ask::Turn(_)) => Answer::NoMachine,
            None => Answer::NotUnderstood,
        };
        line.say(&answer)?;
    }
}

/// Serves with the machine that the board has.
///
/// # Errors
/// What the port says.
pub fn serve_machine<P: Port>(port: &mut P, clock: &impl Clock, image: &Image) -> Result<(), P::Error> {
    let mut line = Line::new(port, clock);
    while let Left::NewImage = run(&mut line, image)? {
        line.say(&Answer::NotUnderstood)?;
    }
    Ok(())
}

/// Why a machine is run no longer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Left {
    /// The line is at its end.
    End,
    /// The first piece of another image has come.
    NewImage,
}

/// Runs one machine.
fn run<P: Port, C: Clock>(line: &mut Line<'_, P, C>, image: &Image) -> Result<Left, P::Error> {
    let mut now = Instant::from_ticks(0);
    let mut kept = None;
    loop {
        // Never refused: a board that is fed suits every machine.
        let Ok(cycle) = &mut Cycle::new(&image.machine, Fed::default(), kept) else {
            return Ok(Left::End);
        };
        match run_on(line, image, cycle, &mut now)? {
            Run::Left(left) => return Ok(left),
            Run::Restart(with) => kept = with,
        }
        line.say(&Answer::Started)?;
    }
}

/// Why a cycle goes on no longer.
enum Run {
    Left(Left),
    /// The board is to be switched on anew, with what it has kept.
    Restart(Option<[u8; RECORD_LEN]>),
}

fn run_on<P: Port, C: Clock>(
    line: &mut Line<'_, P, C>,
    image: &Image,
    cycle: &mut Cycle<'_, Fed>,
    now: &mut Instant,
) -> Result<Run, P::Error> {
    let quiet = line.clock.quiet();
    loop {
        let answer = match line.listen(quiet)? {
            Heard::End => return Ok(Run::Left(Left::End)),
            Heard::Nothing => {
                *now = now.checked_add_duration(quiet.unwrap_or(QUIET).into()).unwrap_or(*now);
                Answer::Silent(turn(cycle, &silence(*now), line.clock))
            }
            Heard::Frame => match line.asked() {
                Some(Ask::Who) => line.who(Some((image.file, image.crc))),
                Some(Ask::Image { .. }) => return Ok(Run::Left(Left::NewImage)),
                Some(Ask::Start(kept)) => return Ok(Run::Restart(kept)),
                Some(Ask::Turn(inputs)) => {
                    *now = inputs.now;
                    Answer::Turned(turn(cycle, &inputs, line.clock))
                }
                None => Answer::NotUnderstood,
            },
        };
        line.say(&answer)?;
    }
}

fn turn(cycle: &mut Cycle<'_, Fed>, inputs: &Inputs, clock: &impl Clock) -> Turned {
    let now = inputs.now;
    *cycle.board_mut() = Fed {
        inputs: *inputs,
        fed: false,
    };
    let before = clock.count();
    let turn = cycle.turn(now);
    let counts = clock.count().wrapping_sub(before);
    Turned {
        outputs: turn.outputs,
        record: cycle.controller().record(),
        fed: cycle.board().fed,
        counts,
    }
}

/// What is read where nothing is.
pub(super) fn silence(now: Instant) -> Inputs {
    Inputs {
        now,
        sensors: PerAxis::default(),
        stop_chain: [false; 2],
        relays: Relays::default(),
        supply: None,
        reset: false,
        commissioning: true,
        selector: Station::Seat,
        seat: HandFrame::default(),
        remote: HandFrame::default(),
    }
}

/// A board whose readings came over the wire, and that has nothing to write to.
struct Fed {
    inputs: Inputs,
    fed: bool,
}

impl Default for Fed {
    fn default() -> Self {
        Self {
            inputs: silence(Instant::from_ticks(0)),
            fed: false,
        }
    }
}

impl Board for Fed {
    fn fits(&self, _: &Machine) -> Result<(), Misfit> {
        Ok(())
    }

    fn read(&mut self, _: Instant, _: &mut Troubles) -> Inputs {
        self.inputs
    }

    fn write(&mut self, _: &Outputs, _: &mut Troubles) -> bool {
        true
    }

    fn cut(&mut self, _: &mut Troubles) -> bool {
        true
    }

    fn feed(&mut self, _: &mut Troubles) {
        self.fed = true;
    }
}

/// An image that comes in pieces.
#[derive(Default)]
struct Loading {
    length: usize,
}

enum Loaded<'m> {
    More,
    OutOfOrder,
    All(&'m [u8]),
}

impl Loading {
    fn piece<'m>(&mut self, memory: &'m mut [u8; IMAGE_MAX], at: u32, bytes: &[u8], last: bool) -> Loaded<'m> {
        if at == 0 {
            self.length = 0;
        }
        let follows = usize::try_from(at).is_ok_and(|at| at == self.length);
        let room = memory.get_mut(self.length..).unwrap_or_default();
        let room = room.get_mut(..bytes.len()).filter(|_| follows);
        let Some(room) = room else {
            return Loaded::OutOfOrder;
        };
        room.copy_from_slice(bytes);
        self.length = self.length.saturating_add(bytes.len());
        if !last {
            return Loaded::More;
        }
        let length = core::mem::take(&mut self.length);
        Loaded::All(memory.get(..length).unwrap_or_default())
    }
}

/// What listening comes to.
enum Heard {
    Frame,
    Nothing,
    End,
}

/// The port, with what has come of a frame.
struct Line<'p, P, C> {
    port: &'p mut P,
    clock: &'p C,
    receiver: Receiver,
}

impl<'p, P: Port, C: Clock> Line<'p, P, C> {
    fn new(port: &'p mut P, clock: &'p C) -> Self {
        Self {
            port,
            clock,
            receiver: Receiver::default(),
        }
    }

    /// Waits for a frame; where nothing else is said, for as long as the clock says.
    fn listen(&mut self, quiet: Option<Duration>) -> Result<Heard, P::Error> {
        let since = self.clock.count();
        let counts =
            quiet.map(|quiet| u64::from(quiet.as_ticks()).saturating_mul(u64::from(C::COUNTS_A_SECOND)) / 1_000_000);
        loop {
            // Bytes that make no frame are silence too.
            if counts.is_some_and(|most| u64::from(self.clock.count().wrapping_sub(since)) > most) {
                self.receiver.restart();
                return Ok(Heard::Nothing);
            }
            if self.port.read_ready()? {
                let mut byte = [0];
                if self.port.read(&mut byte)? == 0 {
                    return Ok(Heard::End);
                }
                let [byte] = byte;
                if self.receiver.take(byte) {
                    return Ok(Heard::Frame);
                }
            }
        }
    }

    fn asked(&self) -> Option<Ask<'_>> {
        let (ask, rest) = postcard::take_from_bytes(self.receiver.payload()).ok()?;
        rest.is_empty().then_some(ask)
    }

    fn who(&self, image: Option<(Fingerprint, u32)>) -> Answer {
        Answer::Board {
            protocol: PROTOCOL,
            image,
            stack: self.clock.stack(),
            counts_a_second: C::COUNTS_A_SECOND,
        }
    }

    fn say(&mut self, answer: &Answer) -> Result<(), P::Error> {
        let Some(frame) = framed(answer) else {
            // Never: no answer is as long as a frame may be.
            return Ok(());
        };
        let mut left: &[u8] = &frame;
        while !left.is_empty() {
            let written = self.port.write(left)?;
            left = left.get(written.max(1)..).unwrap_or_default();
        }
        self.port.flush()
    }
}
