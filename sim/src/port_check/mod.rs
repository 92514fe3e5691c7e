//! A port tried out: a board is fed the golden run of a machine, and what it does is held to what it must do.
//!
//! | check | what it asks |
//! |---|---|
//! | exchange | the board answers, in the version that is spoken here |
//! | machine | it has the machine of this file, or takes it |
//! | damaged images | where it takes images: none that is damaged, cut short or of another version |
//! | outputs | every bit of every output of the golden run as here, and as the digest says |
//! | time | no turn takes more than half of the tick |
//! | damaged frames | a frame with a changed byte is not answered |
//! | silence | under power, when frames cease: everything off in time, and still off when they come again |
//! | noise | the same when bytes come that are no frames |
//!
//! A line in lockstep, on which the board waits for as long as it takes, can notice no silence; an emulated board has no time of its own. What
//! cannot be judged is told as that, and is no pass.

use std::time::{Duration, Instant};

use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX};
use bellcrank_core::supervise::State;
use bellcrank_core::{Machine, Outputs};
use bellcrank_hal::exchange::{Answer, Ask, QUIET, framed};
use schemars::JsonSchema;
use serde::Serialize;

use crate::board::{Board, BoardError, Who, difference};
use crate::golden::{Digest, Golden, TICKS};

/// Most of the tick that a turn may take: the rest is for reading and writing. Common practice, no source.
const SHARE: f64 = 0.5;
/// Damaged frames that are sent.
const DAMAGED: usize = 20;
/// How much longer than [`QUIET`] it may take until a board has said that it is off: the line, and this computer.
const GRACE: Duration = Duration::from_millis(500);

/// What is known of a board beforehand.
#[derive(Debug, Clone, Copy)]
pub struct Setup {
    /// Ticks of the golden run that it is fed.
    pub ticks: u64,
    /// It waits for each frame for as long as it takes.
    pub lockstep: bool,
    /// Its clock counts the time of a real processor.
    pub timed: bool,
}

impl Default for Setup {
    /// A real board, and the whole run.
    fn default() -> Self {
        Self {
            ticks: TICKS,
            lockstep: false,
            timed: true,
        }
    }
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Check {
    /// What was looked at.
    pub what: &'static str,
    /// What was found.
    pub found: String,
    /// What is wanted.
    pub wanted: String,
    /// Whether that is good; none where it could not be judged.
    pub passed: Option<bool>,
}

/// Tries a board out. Stops at what makes all that comes after it worthless.
pub fn check(board: &mut Board, machine: &Machine, file: Fingerprint, setup: Setup) -> Vec<Check> {
    let mut checks = Vec::new();
    let Some(who) = exchange(board, &mut checks) else {
        return checks;
    };
    // A board that keeps its machine takes no other, and so no damaged one.
    if who.image.is_none() {
        checks.push(damaged_images(board, machine, file));
    }
    let loaded = board.load(machine, file);
    checks.push(Check {
        what: "machine",
        found: loaded
            .as_ref()
            .map_or_else(ToString::to_string, |()| format!("of the file {file}")),
        wanted: format!("of the file {file}"),
        passed: Some(loaded.is_ok()),
    });
    if loaded.is_err() || !outputs(board, machine, setup, who, &mut checks) {
        return checks;
    }
    checks.push(damaged_frames(board));
    for (what, noise) in [("silence", false), ("noise", true)] {
        checks.push(silence(board, machine, setup, what, noise));
    }
    checks
}

fn exchange(board: &mut Board, checks: &mut Vec<Check>) -> Option<Who> {
    let who = board.who();
    checks.push(Check {
        what: "exchange",
        found: who
            .as_ref()
            .map_or_else(ToString::to_string, |_| "the board answers".to_owned()),
        wanted: "the board answers".to_owned(),
        passed: Some(who.is_ok()),
    });
    who.ok()
}

fn damaged_images(board: &mut Board, machine: &Machine, file: Fingerprint) -> Check {
    let mut good = vec![0; IMAGE_MAX];
    let length = image::write(machine, file, &mut good).unwrap_or(0);
    good.truncate(length);
    let flipped = |at: usize| {
        let mut bytes = good.clone();
        bytes[at] ^= 1;
        bytes
    };
    let cut = good[..length - 1].to_vec();
    let images = [
        ("another version", flipped(8)),
        ("a flipped bit", flipped(length - 1)),
        ("cut short", cut),
    ];
    let mut taken = Vec::new();
    for (name, image) in images {
        match board.load_image(&image) {
            Ok(Answer::Refused(_)) => {}
            Ok(_) => taken.push(name.to_owned()),
            Err(why) => taken.push(format!("{name}: {why}")),
        }
    }
    Check {
        what: "damaged images",
        found: if taken.is_empty() {
            "all refused".to_owned()
        } else {
            format!("not refused: {}", taken.join(", "))
        },
        wanted: "all refused".to_owned(),
        passed: Some(taken.is_empty()),
    }
}

/// Feeds the golden run. Whether the outputs were as here.
fn outputs(board: &mut Board, machine: &Machine, setup: Setup, who: Who, checks: &mut Vec<Check>) -> bool {
    let (mut there, mut here) = (Digest::default(), Digest::default());
    let (mut most, mut all, mut turns) = (0, 0_u64, 0_u64);
    let mut wrong = board.start(None).err().map(|why| why.to_string());
    if wrong.is_none() {
        for (tick, (inputs, outputs)) in (1..=setup.ticks).zip(Golden::new(machine)) {
            match board.turn(&inputs) {
                Err(why) => wrong = Some(format!("tick {tick}: {why}")),
                Ok(turned) => {
                    there.add(&turned.outputs);
                    here.add(&outputs);
                    most = most.max(turned.counts);
                    all += u64::from(turned.counts);
                    turns = tick;
                    wrong = difference(&turned.outputs, &outputs)
                        .map(|(field, there, here)| format!("tick {tick}: {field} is {there}, and here {here}"));
                }
            }
            if wrong.is_some() {
                break;
            }
        }
    }
    let (count, digest) = here.told();
    let same = wrong.is_none() && there.told() == here.told();
    checks.push(Check {
        what: "outputs",
        found: wrong.unwrap_or_else(|| format!("{count} ticks, digest {}", there.told().1)),
        wanted: format!("{count} ticks, digest {digest}"),
        passed: Some(same),
    });
    let micros = |counts: f64| counts / f64::from(who.counts_a_second.max(1)) * 1e6;
    let most_us = micros(f64::from(most));
    let tick_us = f64::from(machine.timing().tick.as_ticks());
    let mean_us = micros(all as f64 / turns.max(1) as f64);
    checks.push(Check {
        what: "time",
        found: format!("{mean_us:.0} us in the mean, {most_us:.0} us at most"),
        wanted: format!("{:.0} us at most, {:.0} % of the tick", SHARE * tick_us, 100.0 * SHARE),
        passed: setup.timed.then_some(turns > 0 && most_us <= SHARE * tick_us),
    });
    same
}

fn damaged_frames(board: &mut Board) -> Check {
    let mut answered = 0;
    if let Some(frame) = framed(&Ask::Who) {
        for number in 0..DAMAGED {
            let mut bytes = frame.to_vec();
            // Never its length: a longer one would have the board wait for more.
            let at = [0, 1, 4, 5, 6, 7, 8][number % 7].min(bytes.len() - 1);
            bytes[at] ^= 1 << (number % 8);
            board.clear();
            let sent = board.send(&bytes);
            let said = sent.and_then(|()| board.next(Duration::from_millis(20)));
            answered += usize::from(matches!(said, Ok(answer) if !matches!(answer, Answer::Silent(_))));
        }
    }
    board.clear();
    let found = match board.who() {
        Ok(_) if answered == 0 => "none answered, and the next good one is".to_owned(),
        Ok(_) => format!("{answered} of {DAMAGED} answered"),
        Err(why) => format!("after them {why}"),
    };
    let wanted = "none answered, and the next good one is".to_owned();
    Check {
        what: "damaged frames",
        passed: Some(found == wanted),
        found,
        wanted,
    }
}

/// Under power the frames cease, or turn into noise.
fn silence(board: &mut Board, machine: &Machine, setup: Setup, what: &'static str, noise: bool) -> Check {
    let within = Duration::from_micros(u64::from(QUIET.as_ticks())) + GRACE;
    let wanted = format!(
        "everything off within {} ms, and still off afterwards",
        within.as_millis()
    );
    let (found, passed) = if setup.lockstep {
        ("not judged: on a line in lockstep the board waits".to_owned(), None)
    } else {
        match gone(board, machine, within, noise) {
            Ok(found) => {
                let passed = found.is_none();
                (
                    found.unwrap_or_else(|| "everything off, and still off afterwards".to_owned()),
                    Some(passed),
                )
            }
            Err(why) => (why.to_string(), Some(false)),
        }
    };
    Check {
        what,
        found,
        wanted,
        passed,
    }
}

/// What is wrong with what a board does when it is no longer asked; none where nothing is.
fn gone(board: &mut Board, machine: &Machine, within: Duration, noise: bool) -> Result<Option<String>, BoardError> {
    board.clear();
    board.start(None)?;
    let mut run = Golden::new(machine);
    let mut last: Option<Outputs> = None;
    for (inputs, _) in run.by_ref() {
        let turned = board.turn(&inputs)?;
        last = Some(turned.outputs);
        if turned.outputs.status.state == State::Enabled {
            break;
        }
    }
    if last.is_none_or(|outputs| outputs.relays == Relays::default()) {
        return Ok(Some("it never gave any power that could be taken away".to_owned()));
    }
    // Of a frame all but its beginning: bytes as a line has them that is disturbed.
    let frame = framed(&Ask::Who).unwrap_or_default();
    let begun = Instant::now();
    let turned = loop {
        if noise {
            board.send(frame.get(1..).unwrap_or_default())?;
        }
        match board.next(Duration::from_millis(20)) {
            Ok(Answer::Silent(turned)) => break turned,
            Ok(answer) => return Ok(Some(format!("it answered what was no question: {answer:.40?}"))),
            Err(BoardError::NoAnswer) if begun.elapsed() < within => {}
            Err(BoardError::NoAnswer) => return Ok(Some("it went on without a word".to_owned())),
            Err(why) => return Err(why),
        }
    };
    if !off(&turned.outputs) {
        return Ok(Some(
            "it said that it had switched off, and a relay has current".to_owned(),
        ));
    }
    board.clear();
    for (inputs, _) in run.take(20) {
        match board.ask(&Ask::Turn(inputs))? {
            Answer::Turned(turned) | Answer::Silent(turned) if off(&turned.outputs) => {}
            _ => return Ok(Some("it gave power again without a reset".to_owned())),
        }
    }
    Ok(None)
}

/// No relay has current, and the core knows that it stands still.
fn off(outputs: &Outputs) -> bool {
    outputs.relays == Relays::default() && matches!(outputs.status.state, State::Stopped | State::Fault)
}
