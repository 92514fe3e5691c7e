//! The core somewhere else: on a board at the end of a line, be it emulated, on a desk, or another program.
//!
//! [`Board`] asks, and waits for the answer. What a board is asked, and how, stands in `bellcrank_hal::exchange`; this is the other end of it.
//! [`Checked`] is a board that is looked over the shoulder: the same core runs here too, and whatever the board puts out must be the
//! same to the bit.

mod emulator;
mod serial;

use std::io::{self, Read, Write};
use std::sync::mpsc::{Receiver as Arrivals, RecvTimeoutError, channel};
use std::thread;
use std::time::Duration;

use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX, Refused};
use bellcrank_core::supervise::RECORD_LEN;
use bellcrank_core::{Inputs, Machine, Outputs};
use bellcrank_hal::exchange::{Answer, Ask, PIECE_MAX, PROTOCOL, Receiver, Turned, framed};

pub use emulator::{Emulator, EmulatorError, INSTRUCTIONS_A_COUNT, find_firmware};
pub use serial::{Wire, WireError};

/// How long an answer may take.
const PATIENCE: Duration = Duration::from_secs(10);

/// What is wrong with a board.
#[derive(Debug, thiserror::Error)]
pub enum BoardError {
    /// Nothing comes.
    #[error("the board does not answer")]
    NoAnswer,
    /// The line is at its end.
    #[error("the board is gone")]
    Gone,
    /// It does not take what is written.
    #[error("the board cannot be written to: {0}")]
    Write(#[source] io::Error),
    /// It speaks another version of what is spoken over the line.
    #[error("the board speaks version {0} of the exchange, and {PROTOCOL} is wanted")]
    Protocol(u16),
    /// It refuses the image.
    #[error("the board refuses the machine: {0}")]
    Refused(Refused),
    /// It has the image of another machine, and takes no other.
    #[error("the board has another machine, of the file with SHA-256 {0}")]
    OtherMachine(Fingerprint),
    /// Its answer is none to what was asked.
    #[error("the board answered {0}, which is no answer to what it was asked")]
    Unexpected(String),
    /// It put out something else than the core does here.
    #[error("turn {turn}: {field} is {there} on the board and {here} here")]
    Differs {
        /// The turn, counted from 1.
        turn: u64,
        /// Which part of the outputs.
        field: String,
        /// What the board has.
        there: String,
        /// What it is here.
        here: String,
    },
}

/// What a board says of itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Who {
    /// The file of its machine, and the CRC of the image.
    pub image: Option<(Fingerprint, u32)>,
    /// Most of its stack that was in use, bytes.
    pub stack: Option<u32>,
    /// Counts of its clock in a second.
    pub counts_a_second: u32,
}

/// A board at the end of a line.
pub struct Board {
    write: Box<dyn Write + Send>,
    arrivals: Arrivals<Answer>,
    patience: Duration,
    // It ends with the board, and has its log.
    emulator: Option<Emulator>,
}

impl Board {
    /// The board at the end of these two.
    pub fn new(read: impl Read + Send + 'static, write: impl Write + Send + 'static) -> Self {
        let (send, arrivals) = channel();
        let mut read = read;
        thread::spawn(move || {
            let mut receiver = Receiver::default();
            let mut bytes = [0; 2048];
            while let Ok(count @ 1..) = read.read(&mut bytes) {
                for byte in &bytes[..count] {
                    if receiver.take(*byte)
                        && let Ok(answer) = postcard::from_bytes(receiver.payload())
                        && send.send(answer).is_err()
                    {
                        return;
                    }
                }
            }
        });
        Self {
            write: Box::new(write),
            arrivals,
            patience: PATIENCE,
            emulator: None,
        }
    }

    /// Asks, and waits for the answer.
    ///
    /// # Errors
    /// No answer comes in time, or the line is at its end.
    pub fn ask(&mut self, ask: &Ask) -> Result<Answer, BoardError> {
        let frame =
            framed(ask).ok_or_else(|| BoardError::Unexpected("nothing, for the question is too long".into()))?;
        self.send(&frame)?;
        self.next(self.patience)
    }

    /// Sends bytes as they are.
    ///
    /// # Errors
    /// The line does not take them.
    pub fn send(&mut self, bytes: &[u8]) -> Result<(), BoardError> {
        self.write
            .write_all(bytes)
            .and_then(|()| self.write.flush())
            .map_err(BoardError::Write)
    }

    /// The next answer, asked for or not.
    ///
    /// # Errors
    /// None comes in this time, or the line is at its end.
    pub fn next(&mut self, within: Duration) -> Result<Answer, BoardError> {
        self.arrivals.recv_timeout(within).map_err(|why| match why {
            RecvTimeoutError::Timeout => BoardError::NoAnswer,
            RecvTimeoutError::Disconnected => BoardError::Gone,
        })
    }

    /// Drops what came without being asked for.
    pub fn clear(&mut self) {
        while self.arrivals.try_recv().is_ok() {}
    }

    /// Asks who it is.
    ///
    /// # Errors
    /// It does not answer, or speaks another version.
    pub fn who(&mut self) -> Result<Who, BoardError> {
        match self.ask(&Ask::Who)? {
            Answer::Board { protocol, .. } if protocol != PROTOCOL => Err(BoardError::Protocol(protocol)),
            Answer::Board {
                image,
                stack,
                counts_a_second,
                ..
            } => Ok(Who {
                image,
                stack,
                counts_a_second,
            }),
            other => Err(unexpected(&other)),
        }
    }

    /// Gives it a machine; one that it has in its memory already stays there.
    ///
    /// # Errors
    /// It does not take it, or has another.
    pub fn load(&mut self, machine: &Machine, file: Fingerprint) -> Result<(), BoardError> {
        let mut bytes = vec![0; IMAGE_MAX];
        let length = image::write(machine, file, &mut bytes).unwrap_or(0);
        match self.load_image(&bytes[..length])? {
            Answer::Started => Ok(()),
            Answer::Refused(refused) => Err(BoardError::Refused(refused)),
            other => match self.who()?.image {
                Some((theirs, _)) if theirs == file => Ok(()),
                Some((theirs, _)) => Err(BoardError::OtherMachine(theirs)),
                None => Err(unexpected(&other)),
            },
        }
    }

    /// Sends it an image, piece by piece, and gives what it says to the last.
    ///
    /// # Errors
    /// It does not answer.
    pub fn load_image(&mut self, bytes: &[u8]) -> Result<Answer, BoardError> {
        let pieces = bytes.len().div_ceil(PIECE_MAX);
        let mut said = Answer::NotUnderstood;
        for (index, piece) in bytes.chunks(PIECE_MAX).enumerate() {
            let at = u32::try_from(index * PIECE_MAX).unwrap_or(u32::MAX);
            let last = index + 1 == pieces;
            said = self.ask(&Ask::Image { at, bytes: piece, last })?;
            if !last && said != Answer::Piece {
                break;
            }
        }
        Ok(said)
    }

    /// Starts its core anew.
    ///
    /// # Errors
    /// It does not answer, or not that.
    pub fn start(&mut self, kept: Option<[u8; RECORD_LEN]>) -> Result<(), BoardError> {
        match self.ask(&Ask::Start(kept))? {
            Answer::Started => Ok(()),
            other => Err(unexpected(&other)),
        }
    }

    /// One turn.
    ///
    /// # Errors
    /// It does not answer, or not that.
    pub fn turn(&mut self, inputs: &Inputs) -> Result<Turned, BoardError> {
        match self.ask(&Ask::Turn(*inputs))? {
            Answer::Turned(turned) => Ok(turned),
            other => Err(unexpected(&other)),
        }
    }
}

fn unexpected(answer: &Answer) -> BoardError {
    let text = format!("{answer:?}");
    BoardError::Unexpected(text.split(['{', '(']).next().unwrap_or_default().trim().to_owned())
}

/// A board whose every output is held beside that of the core here, and what its turns took.
pub struct Checked {
    board: Board,
    /// Turns so far.
    pub turns: u64,
    /// Most counts of its clock that a turn took, and of which turn.
    pub worst: (u32, u64),
    /// All of them together.
    pub counts: u64,
}

impl Checked {
    /// A board that has been given its machine.
    pub fn new(board: Board) -> Self {
        Self {
            board,
            turns: 0,
            worst: (0, 0),
            counts: 0,
        }
    }

    /// What it puts out for these inputs, for which the core here puts out `here`.
    ///
    /// # Errors
    /// It does not answer, or puts out something else.
    pub fn turn(&mut self, inputs: &Inputs, here: &Outputs) -> Result<Outputs, BoardError> {
        let turned = self.board.turn(inputs)?;
        self.turns += 1;
        self.counts += u64::from(turned.counts);
        if turned.counts > self.worst.0 {
            self.worst = (turned.counts, self.turns);
        }
        match difference(&turned.outputs, here) {
            None => Ok(turned.outputs),
            Some((field, there, here)) => Err(BoardError::Differs {
                turn: self.turns,
                field,
                there,
                here,
            }),
        }
    }

    /// Starts its core anew.
    ///
    /// # Errors
    /// It does not answer.
    pub fn start(&mut self, kept: Option<[u8; RECORD_LEN]>) -> Result<(), BoardError> {
        self.board.start(kept)
    }

    /// Ends it, and gives all that it has logged, where it is an emulated one.
    pub fn finished_log(self) -> Vec<String> {
        self.board.finished_log()
    }

    /// What it has logged so far, where it is an emulated one.
    pub fn log(&self) -> Vec<String> {
        self.board.log()
    }

    /// Asks who it is.
    ///
    /// # Errors
    /// It does not answer.
    pub fn who(&mut self) -> Result<Who, BoardError> {
        self.board.who()
    }
}

/// The first field in which two outputs differ by any bit: its name, and what each has there.
pub fn difference(there: &Outputs, here: &Outputs) -> Option<(String, String, String)> {
    let differ = |name: &str, there: String, here: String| (there != here).then(|| (name.to_owned(), there, here));
    // A number by its bits as well: 0 and -0 look alike and are not.
    let number = |x: f32| format!("{x} ({:08x})", x.to_bits());
    for ((id, theirs), (_, ours)) in there.valves.iter().zip(here.valves.iter()) {
        let told = |signal: bellcrank_core::outputs::ValveSignal| {
            use bellcrank_core::outputs::ValveSignal;
            match signal {
                ValveSignal::Duty(duty) => format!("duty {}", number(duty.share())),
                ValveSignal::Currents { out, inward } => {
                    format!("currents {} and {}", number(out.amps()), number(inward.amps()))
                }
                ValveSignal::Voltage(volts) => format!("voltage {}", number(volts.volts())),
            }
        };
        let found = differ(&format!("valve {}", id.index()), told(theirs), told(ours));
        if found.is_some() {
            return found;
        }
    }
    differ("relays", format!("{:?}", there.relays), format!("{:?}", here.relays))
        .or_else(|| differ("alive", there.alive.to_string(), here.alive.to_string()))
        .or_else(|| differ("status", format!("{:?}", there.status), format!("{:?}", here.status)))
}
