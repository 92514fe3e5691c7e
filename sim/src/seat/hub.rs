//! What the machine's thread and those who are connected share. Neither ever waits for the other: moments are overwritten by newer ones, orders
//! that do not fit into their queue are refused.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::ws::Utf8Bytes;
use bellcrank_machine::description::Description;
use serde::Serialize;
use tokio::sync::{mpsc, watch};

use super::desk::{Desk, Said, Who};
use super::session::Recording;

/// Orders that wait at most.
const ORDERS: usize = 32;
/// Lines that the log of a session has at most.
const LINES: usize = 5000;

/// What is shared.
pub struct Hub {
    began: Instant,
    /// The machine's time, in multiples of real time.
    speed: f64,
    desk: Mutex<Desk>,
    shown: watch::Sender<Shown>,
    machine: Mutex<Utf8Bytes>,
    log: Mutex<Log>,
    orders: SyncSender<Order>,
}

/// The newest moment.
#[derive(Debug, Clone, Default)]
pub struct Shown {
    /// The session that it is of.
    pub session: u32,
    /// So many lines the log has.
    pub lines: usize,
    /// The message.
    pub text: Utf8Bytes,
}

/// Something to be done by the machine's thread.
pub struct Order {
    /// What.
    pub said: Said,
    /// Where the answer goes. Whoever does not take it goes without.
    pub answers: mpsc::Sender<Answer>,
}

/// What comes of an order.
#[derive(Debug)]
pub enum Answer {
    /// Something to be told.
    Note(Note),
    /// A recording to be written, or to be rehearsed.
    Tape(Box<Tape>, For),
    /// A machine file to be written: into the file that was given, or a new one.
    File {
        /// Its text.
        text: String,
        /// Into that file.
        given: bool,
    },
}

/// Something to be told to whoever asked.
#[derive(Debug, Clone, Serialize)]
pub struct Note {
    kind: &'static str,
    good: bool,
    text: String,
    /// Number of the rehearsal that can be fetched.
    pub film: Option<u64>,
}

impl Note {
    fn new(good: bool, text: String) -> Self {
        Self {
            kind: "note",
            good,
            text,
            film: None,
        }
    }

    /// It is done.
    pub fn good(text: impl Into<String>) -> Self {
        Self::new(true, text.into())
    }

    /// It is not done.
    pub fn bad(text: impl Into<String>) -> Self {
        Self::new(false, text.into())
    }
}

/// What a tape is wanted for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum For {
    /// To be written.
    Saving,
    /// To be looked at again.
    Replay,
}

/// A recording with its machine.
#[derive(Debug)]
pub struct Tape {
    /// The session.
    pub recording: Recording,
    /// The machine, and the text of its file.
    pub machine: Arc<Description>,
    /// That text.
    pub text: String,
    /// It has figures that no file has.
    pub tuned: bool,
    /// Seed of the noise.
    pub seed: u64,
}

#[derive(Debug, Default)]
struct Log {
    session: u32,
    lines: Vec<Line>,
}

/// A line of the log.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// When, s.
    pub t: f64,
    /// What.
    pub what: String,
    /// The axis it is about.
    pub axis: Option<String>,
    /// Who says so: the core, or the hands and faults put in.
    pub by: &'static str,
}

#[derive(Serialize)]
struct LogTold<'l> {
    kind: &'static str,
    session: u32,
    from: usize,
    lines: &'l [Line],
}

impl Hub {
    /// With nobody connected, and the end at which orders come out. The machine's time goes so many times as fast as real time.
    pub fn new(speed: f64) -> (Arc<Self>, Receiver<Order>) {
        let (orders, taken) = sync_channel(ORDERS);
        let hub = Self {
            began: Instant::now(),
            speed,
            desk: Mutex::default(),
            shown: watch::Sender::new(Shown::default()),
            machine: Mutex::default(),
            log: Mutex::default(),
            orders,
        };
        (Arc::new(hub), taken)
    }

    /// Time since the start, as the machine's time goes: where that is slowed down, so is what counts as silence.
    pub fn now(&self) -> Duration {
        self.began.elapsed().mul_f64(self.speed)
    }

    /// The desk.
    pub fn desk(&self) -> MutexGuard<'_, Desk> {
        held(&self.desk)
    }

    /// Hears what somebody says. An answer that is due at once is given back.
    pub fn hear(&self, who: Who, text: &str, answers: &mpsc::Sender<Answer>) -> Option<Answer> {
        let said = Said::read(text).and_then(|said| {
            let now = self.now();
            self.desk().hear(who, said, now)
        });
        match said {
            Ok(None) => None,
            Ok(Some(said)) => {
                let answers = answers.clone();
                let order = self.orders.try_send(Order { said, answers });
                order
                    .err()
                    .map(|_| Answer::Note(Note::bad("too much at once: not done")))
            }
            Err(refused) => Some(Answer::Note(Note::bad(refused.to_string()))),
        }
    }

    /// Those who look at the newest moment.
    pub fn look(&self) -> watch::Receiver<Shown> {
        self.shown.subscribe()
    }

    /// How many look.
    pub fn watchers(&self) -> usize {
        self.shown.receiver_count()
    }

    /// Shows a moment.
    pub fn show(&self, session: u32, text: String) {
        let lines = held(&self.log).lines.len();
        let text = text.into();
        self.shown.send_replace(Shown { session, lines, text });
    }

    /// Tells of the machine of a session that begins, with an empty log.
    pub fn begin(&self, session: u32, machine: String) {
        *held(&self.machine) = machine.into();
        *held(&self.log) = Log {
            session,
            lines: Vec::new(),
        };
    }

    /// The message about the machine.
    pub fn machine(&self) -> Utf8Bytes {
        held(&self.machine).clone()
    }

    /// Adds a line to the log, while there is room.
    pub fn note(&self, line: Line) {
        let mut log = held(&self.log);
        if log.lines.len() < LINES {
            log.lines.push(line);
        }
    }

    /// The message about the lines of a session's log from a number on.
    pub fn lines(&self, session: u32, from: usize) -> Option<String> {
        let log = held(&self.log);
        let lines = log.lines.get(from..).filter(|_| log.session == session)?;
        let message = LogTold {
            kind: "log",
            session,
            from,
            lines,
        };
        serde_json::to_string(&message).ok()
    }
}

/// A lock is held for moments and by nobody who could fail in them.
fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}
