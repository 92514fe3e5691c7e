//! A session once more: its text is read back and rehearsed, and its pictures are those of the rehearsal.

use std::sync::Arc;

use bellcrank_machine::description::Description;
use serde::Serialize;

use super::desk::Asked;
use super::hub::Tape;
use super::session::{Held, Session, read_back};
use super::view::{Moment, Teller};
use crate::live::built;
use crate::run::RunError;
use crate::scenario::{self, FaultKind, Scenario};

/// Time between two pictures, s.
const PICTURE_S: f64 = 0.04;

/// A rehearsed session.
#[derive(Debug, Serialize)]
pub struct Replay {
    /// The digest of the session as it was.
    pub was: String,
    /// The digest of its rehearsal.
    pub is: String,
    /// They are the same.
    pub same: bool,
    /// Its pictures.
    pub moments: Vec<Moment>,
}

/// Why a session cannot be rehearsed.
#[derive(Debug, thiserror::Error)]
pub enum NoReplay {
    /// Its text cannot be read.
    #[error("{0}")]
    Text(#[from] bellcrank_machine::document::Complaints),
    /// It cannot be run.
    #[error("{0}")]
    Run(#[from] RunError),
}

/// Rehearses a session from its text.
///
/// # Errors
/// It cannot be read back, or not be run.
pub fn replay(tape: &Tape) -> Result<Replay, NoReplay> {
    let text = scenario::toml(&tape.recording.scenario, &tape.recording.scenario.machine_file);
    let (moments, digest) = rehearsed(&tape.machine, &text, tape.seed)?;
    Ok(Replay {
        was: format!("{:016x}", tape.recording.digest),
        is: format!("{digest:016x}"),
        same: digest == tape.recording.digest,
        moments,
    })
}

/// The pictures of a session's text, and the digest of its rehearsal.
fn rehearsed(machine: &Arc<Description>, text: &str, seed: u64) -> Result<(Vec<Moment>, u64), NoReplay> {
    let scenario = read_back(machine, "", text)?;
    let core = built(machine)?;
    let mut session = Session::rehearsing(&scenario, &core, seed)?;
    let tick = machine.timing.tick;
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "ticks of an hour at most"
    )]
    let (last, every) = (
        (scenario.length / tick).round() as u64,
        (PICTURE_S / tick).round().max(1.0) as u64,
    );
    let (mut hands, mut done, mut teller, mut moments) =
        (Held::nothing(scenario.mode), 0, Teller::default(), Vec::new());
    for number in 0..=last {
        let t = session.live.time();
        while let Some(hand) = scenario.hands.get(done).filter(|hand| hand.at <= t) {
            hands = hands.after(hand.act);
            done += 1;
        }
        session.tick()?;
        if number % every == 0 {
            moments.push(teller.moment(&session, &core, &asked(&scenario, hands, t)));
        }
    }
    Ok((moments, session.digest()))
}

/// What the hands and the stop button are at a time.
fn asked(scenario: &Scenario, hands: Held, t: f64) -> Asked {
    let station = scenario.station;
    let on = |kind: FaultKind| scenario.active(t).any(|active| active == kind);
    Asked {
        held: (!on(FaultKind::LinkLost { station })).then_some(hands),
        stop: on(FaultKind::StopButton),
        number: 0,
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use bellcrank_core::inputs::Mode;

    use super::*;
    use crate::seat::session::{settled, start};

    /// The pictures show what was held, and the digest is that of the session.
    #[test]
    fn the_rehearsal_of_a_session_is_the_session() {
        let work = scenario::builtin("go-to").unwrap();
        let work = scenario::parse("go-to", work, Path::new("")).unwrap();
        let begun = settled(&start(&work)).unwrap();
        let core = built(&begun.machine).unwrap();
        let mut session = Session::new(&begun, &core, 3).unwrap();
        let mut held = Held::nothing(Mode::Tip);
        for tick in 0..600 {
            held.enable = tick > 80;
            held.levers[1] = if tick > 150 { 100 } else { 0 };
            session.hands(Some(held), tick > 500);
            session.tick().unwrap();
        }
        let recording = session.recording().unwrap();
        let mut tape = Tape {
            recording,
            machine: Arc::clone(&begun.machine),
            text: String::new(),
            tuned: false,
            seed: 3,
        };
        let again = replay(&tape).unwrap();
        assert!(again.same, "{} {}", again.was, again.is);
        assert_eq!(again.moments.len(), 30);
        let told = serde_json::to_value(&again.moments[20]).unwrap();
        assert_eq!(
            (told["levers"][1].as_i64(), told["stop"].as_bool()),
            (Some(100), Some(false))
        );
        assert_eq!(serde_json::to_value(&again.moments[29]).unwrap()["stop"], true);
        // What was not so is found out.
        tape.recording.scenario.hands.pop();
        assert!(!replay(&tape).unwrap().same);
    }
}
