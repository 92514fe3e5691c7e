//! The clerk: a thread beside the loop that writes, prints and notifies, so that the loop never waits for a disk or a terminal.
//!
//! It gets a note of every turn through a queue that nobody waits at. From that it keeps the record, prints what changes, writes the status
//! file, counts the jitter, and has the service manager told that all is well ([`notify`](crate::notify)): for as long as the newest turn has fed the
//! core's own watchdog, and not otherwise.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant as Clock};

use bellcrank_core::outputs::Status;
use bellcrank_core::units::Instant;
use bellcrank_hal::{Trouble, Turn};
use crossbeam_queue::ArrayQueue;
use serde::Serialize;

use crate::jitter::{Jitter, JitterReport, Times};
use crate::notify::Manager;
use crate::record;

/// How often the clerk looks at its queue.
const EVERY: Duration = Duration::from_millis(20);
/// How often the status file is written.
const SHOWN_EVERY: Duration = Duration::from_millis(500);
/// Notes that may wait: two seconds at a tick of 1 ms.
const WAITING: usize = 2048;
/// Troubles are told no more often than this: something may come and go in every turn.
const TOLD_EVERY: Duration = Duration::from_millis(250);

/// What is noted of a turn.
#[derive(Debug, Clone)]
pub struct Note {
    /// When it began.
    pub at: Instant,
    /// Its times.
    pub times: Times,
    /// What came of it.
    pub turn: Turn,
}

/// Where the clerk puts things.
#[derive(Debug, Clone, Default)]
pub struct Desk {
    /// The record.
    pub record: Option<PathBuf>,
    /// The status.
    pub status: Option<PathBuf>,
    /// What the axes are called.
    pub axes: Vec<String>,
}

/// The loop's end of the queue.
#[derive(Debug)]
pub struct Clerk {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<Jitter>>,
}

#[derive(Debug)]
struct Shared {
    notes: ArrayQueue<Note>,
    unseen: AtomicU64,
    over: AtomicBool,
}

impl Clerk {
    /// Begins to work. `tick` is the period, µs; `asked` is set whenever somebody wants the jitter printed.
    ///
    /// # Errors
    /// There is no thread to be had.
    pub fn start(desk: Desk, tick: u64, asked: Arc<AtomicBool>) -> std::io::Result<Self> {
        let shared = Arc::new(Shared {
            notes: ArrayQueue::new(WAITING),
            unseen: AtomicU64::new(0),
            over: AtomicBool::new(false),
        });
        let theirs = Arc::clone(&shared);
        let work = Work::new(
            desk,
            Jitter::new(tick).map_err(std::io::Error::other)?,
            Manager::start()?,
        );
        let thread = thread::Builder::new()
            .name("clerk".to_owned())
            .spawn(move || work.go_on(&theirs, &asked))?;
        Ok(Self {
            shared,
            thread: Some(thread),
        })
    }

    /// Hands over a note. Where too many wait already it is only counted, unless it has a record to keep: that takes the place of the
    /// oldest.
    pub fn note(&self, note: Note) {
        let refused = if note.turn.record.is_some() {
            self.shared.notes.force_push(note).is_some()
        } else {
            self.shared.notes.push(note).is_err()
        };
        if refused {
            self.shared.unseen.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Lets the clerk do what is left. The jitter of all turns.
    pub fn finish(mut self) -> Option<Jitter> {
        self.shared.over.store(true, Ordering::Release);
        self.thread.take()?.join().ok()
    }
}

/// What the clerk remembers.
struct Work {
    desk: Desk,
    jitter: Jitter,
    told: Option<(Status, bool)>,
    troubles: Vec<Trouble>,
    troubles_told: Option<Clock>,
    shown: Option<Clock>,
    manager: Manager,
    last: Option<Note>,
    record_fails: bool,
}

/// What stands in the status file.
#[derive(Debug, Serialize)]
struct StatusFile {
    at_s: f64,
    state: String,
    cause: Option<String>,
    axis: Option<String>,
    before: Option<String>,
    power: [bool; 3],
    held: bool,
    watchdog_fed: bool,
    troubles: Vec<String>,
    jitter: JitterReport,
}

impl Work {
    fn new(desk: Desk, jitter: Jitter, manager: Manager) -> Self {
        Self {
            desk,
            jitter,
            told: None,
            troubles: Vec::new(),
            troubles_told: None,
            shown: None,
            manager,
            last: None,
            record_fails: false,
        }
    }

    fn go_on(mut self, shared: &Shared, asked: &AtomicBool) -> Jitter {
        loop {
            // Looked at before the queue, so that what was noted before the end is not left lying.
            let over = shared.over.load(Ordering::Acquire);
            let mut any = false;
            let mut record = None;
            while let Some(note) = shared.notes.pop() {
                any = true;
                self.jitter.count(&note.times);
                record = note.turn.record.or(record);
                self.tell(&note);
                self.last = Some(note);
            }
            self.jitter.count_unseen(shared.unseen.swap(0, Ordering::Relaxed));
            if let Some(record) = record {
                self.keep(&record);
            }
            if any && self.last.as_ref().is_some_and(|note| note.turn.fed) {
                self.manager.fed();
            }
            self.show(over);
            if asked.swap(false, Ordering::AcqRel) {
                eprintln!("{}", self.jitter);
            }
            if over {
                self.manager.stopping();
                return self.jitter;
            }
            thread::sleep(EVERY);
        }
    }

    fn keep(&mut self, bytes: &[u8]) {
        let Some(path) = &self.desk.record else { return };
        let kept = record::keep(path, bytes);
        if let Err(error) = &kept
            && !self.record_fails
        {
            eprintln!("the record is not kept: {}: {error}", path.display());
        }
        self.record_fails = kept.is_err();
    }

    /// What changed, a line each.
    fn tell(&mut self, note: &Note) {
        let now = (note.turn.outputs.status, note.turn.held);
        let said = |(status, held): (Status, bool)| (status.state, status.cause, status.axis, held);
        if self.told.map(said) != Some(said(now)) {
            println!("{:10.3} s  {}", seconds(note.at), self.status_line(&note.turn));
            self.told = Some(now);
        }
        let troubles: Vec<Trouble> = note.turn.troubles.iter().copied().collect();
        let soon = self.troubles_told.is_some_and(|told| told.elapsed() < TOLD_EVERY);
        if troubles != self.troubles && !soon {
            if troubles.is_empty() {
                println!("{:10.3} s  no more trouble", seconds(note.at));
            } else {
                let list: Vec<String> = troubles.iter().copied().map(trouble_words).collect();
                println!("{:10.3} s  trouble: {}", seconds(note.at), list.join(", "));
            }
            self.troubles = troubles;
            self.troubles_told = Some(Clock::now());
        }
    }

    fn status_line(&self, turn: &Turn) -> String {
        let status = &turn.outputs.status;
        let mut line = status.state.to_string();
        if let Some(cause) = status.cause {
            let _ = write!(line, ": {cause}");
        }
        if let Some(axis) = self.axis(*status) {
            let _ = write!(line, " ({axis})");
        }
        if let Some((cause, _)) = status.before {
            let _ = write!(line, "; before the power went: {cause}");
        }
        if turn.held {
            line.push_str("; everything is off: something could not be written");
        }
        line
    }

    fn axis(&self, status: Status) -> Option<String> {
        let index = status.axis?.index();
        Some(
            self.desk
                .axes
                .get(index)
                .cloned()
                .unwrap_or_else(|| format!("axis {index}")),
        )
    }

    fn show(&mut self, over: bool) {
        let (Some(path), Some(note)) = (&self.desk.status, &self.last) else {
            return;
        };
        if !over && self.shown.is_some_and(|last| last.elapsed() < SHOWN_EVERY) {
            return;
        }
        self.shown = Some(Clock::now());
        let Turn {
            outputs,
            held,
            fed,
            troubles,
            ..
        } = &note.turn;
        let status = &outputs.status;
        let file = StatusFile {
            at_s: seconds(note.at),
            state: status.state.to_string(),
            cause: status.cause.map(|cause| cause.to_string()),
            axis: self.axis(*status),
            before: status.before.map(|(cause, _)| cause.to_string()),
            power: [
                outputs.relays.valve_power,
                outputs.relays.dump_closed,
                outputs.relays.engine_run,
            ],
            held: *held,
            watchdog_fed: *fed,
            troubles: troubles.iter().copied().map(trouble_words).collect(),
            jitter: self.jitter.report(),
        };
        // A status that cannot be shown is no reason to stop; it is missing, which tells enough.
        if let Ok(text) = serde_json::to_string_pretty(&file) {
            let _ = record::show(path, text.as_bytes());
        }
    }
}

#[allow(clippy::cast_precision_loss, reason = "for the eye")]
fn seconds(at: Instant) -> f64 {
    at.as_ticks() as f64 * 1e-6
}

/// A trouble in words.
fn trouble_words(trouble: Trouble) -> String {
    format!("{:?}: {:?}", trouble.at, trouble.what)
}

#[cfg(test)]
mod tests;
