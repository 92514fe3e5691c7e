//! Who has the levers, and what is believed of what comes in.
//!
//! One seat has authority, all others watch. What it says counts while it is fresh: silence is a lost link, an old message is none, and whoever
//! leaves takes the hands off. Anybody may press the stop button; only the seat lets it out again. There is no clock here: time is told.

use std::time::Duration;

use bellcrank_core::inputs::{Frame, Mode};
use bellcrank_core::machine::LEVERS_MAX;
use serde::Deserialize;

use super::session::{Held, STEPS};

/// After this without a word the seat is not heard: a page says something twenty times a second.
pub const SILENT: Duration = Duration::from_millis(250);
/// Longest message that is read, bytes.
pub const LONGEST: usize = 4096;
/// Most changes of figures in one message.
pub const CHANGES: usize = 64;

/// What a page says.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Said {
    /// Where the hands are, numbered upwards.
    Hands {
        /// The number of this message.
        n: u64,
        /// The levers in steps, by their numbers.
        levers: Vec<i16>,
        /// What they mean.
        mode: ModeSaid,
        /// In which frame.
        frame: FrameSaid,
        /// Slow mode.
        slow: bool,
        /// The enabling switch.
        enable: bool,
        /// The reset button.
        reset: bool,
    },
    /// The stop button is pressed, or let out.
    Stop {
        /// Pressed.
        pressed: bool,
    },
    /// Takes the seat, if it is free.
    Sit {},
    /// Leaves it.
    Rise {},
    /// Puts in an entry of the catalogue.
    Fault {
        /// Its name.
        entry: String,
        /// The axis, where it is about one.
        axis: usize,
        /// How bad.
        amount: f64,
    },
    /// Ends a fault.
    Mend {
        /// Its number.
        fault: usize,
    },
    /// Hangs something on an arm in place of what hangs there.
    Load {
        /// The arm.
        arm: usize,
        /// kg; 0 for nothing.
        mass: u32,
    },
    /// Another session.
    Anew {
        /// Where the arms are now, in place of where this one began.
        here: bool,
        /// From the wireless station.
        remote: bool,
    },
    /// Figures of the machine file, and another session with them where the arms are now.
    Tune {
        /// Which, and what they become.
        changes: Vec<(String, f64)>,
    },
    /// Writes the machine file with the figures as they are.
    Write {
        /// Into the file that was given, in place of a new one.
        given: bool,
    },
    /// Writes the session as a scenario file.
    Save {},
    /// Rehearses the session so far and gives its pictures.
    Replay {},
}

/// What the levers mean, as a page says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the words of scenario files")]
pub enum ModeSaid {
    Joint,
    Tip,
    Carry,
}

/// In which frame they move a tip, as a page says it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the words of scenario files")]
pub enum FrameSaid {
    Machine,
    Seat,
    Tool,
}

/// Why a message does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// It is not one of the messages.
    #[error("not understood")]
    Garbled,
    /// Somebody else has the levers, or nobody.
    #[error("you are watching: take the seat first")]
    Watching,
    /// Somebody sits there.
    #[error("the seat is taken")]
    Taken,
    /// An older message than one that came before.
    #[error("too old")]
    Old,
}

/// Somebody who is connected.
pub type Who = u64;

impl Said {
    /// Reads a message.
    ///
    /// # Errors
    /// It is none.
    pub fn read(text: &str) -> Result<Self, Refused> {
        if text.len() > LONGEST {
            return Err(Refused::Garbled);
        }
        let said: Self = serde_json::from_str(text).map_err(|_| Refused::Garbled)?;
        let sound = match &said {
            Self::Hands { levers, .. } => {
                levers.len() <= LEVERS_MAX && levers.iter().all(|steps| (-STEPS..=STEPS).contains(steps))
            }
            Self::Fault { amount, .. } => (0.0..=1.0).contains(amount),
            Self::Load { mass, .. } => *mass <= 5000,
            Self::Tune { changes } => changes.len() <= CHANGES && changes.iter().all(|(_, value)| value.is_finite()),
            _ => true,
        };
        if sound { Ok(said) } else { Err(Refused::Garbled) }
    }
}

/// The desk that everything said comes to.
#[derive(Debug, Default)]
pub struct Desk {
    holder: Option<Who>,
    /// What the holder said last, when, and under which number.
    last: Option<(Held, Duration, u64)>,
    stop: bool,
}

/// What the machine is to be told now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// The hands. None where the seat is not heard.
    pub held: Option<Held>,
    /// The stop button is down.
    pub stop: bool,
    /// Number of the message that the hands are from.
    pub number: u64,
}

impl Desk {
    /// Who has the levers.
    pub fn holder(&self) -> Option<Who> {
        self.holder
    }

    /// `who` takes the seat, if nobody else has it.
    ///
    /// # Errors
    /// Somebody else has.
    pub fn sit(&mut self, who: Who) -> Result<(), Refused> {
        match self.holder {
            Some(holder) if holder != who => Err(Refused::Taken),
            Some(_) => Ok(()),
            None => {
                self.holder = Some(who);
                self.last = None;
                Ok(())
            }
        }
    }

    /// `who` leaves the seat, if it is theirs: the levers are let go of and the station falls silent.
    pub fn rise(&mut self, who: Who) {
        if self.holder == Some(who) {
            self.holder = None;
            self.last = None;
        }
    }

    /// Hears what concerns the desk itself. What is left is an order of whoever has authority, for somebody else to carry out.
    ///
    /// # Errors
    /// It does not count.
    pub fn hear(&mut self, who: Who, said: Said, now: Duration) -> Result<Option<Said>, Refused> {
        match said {
            Said::Sit {} => self.sit(who).map(|()| None),
            Said::Stop { pressed: true } => {
                self.stop = true;
                Ok(None)
            }
            _ if self.holder != Some(who) => Err(Refused::Watching),
            Said::Rise {} => {
                self.rise(who);
                Ok(None)
            }
            Said::Stop { pressed: false } => {
                self.stop = false;
                Ok(None)
            }
            Said::Hands {
                n,
                levers,
                mode,
                frame,
                slow,
                enable,
                reset,
            } => {
                if self.last.is_some_and(|(_, _, number)| n <= number) {
                    return Err(Refused::Old);
                }
                let mut held = Held {
                    mode: mode.into(),
                    frame: frame.into(),
                    slow,
                    enable,
                    reset,
                    ..Held::nothing(Mode::Joint)
                };
                for (lever, steps) in held.levers.iter_mut().zip(levers) {
                    *lever = steps;
                }
                self.last = Some((held, now, n));
                Ok(None)
            }
            order => Ok(Some(order)),
        }
    }

    /// What the machine is to be told at `now`.
    pub fn asked(&self, now: Duration) -> Asked {
        let fresh = self.last.filter(|(_, when, _)| now.saturating_sub(*when) <= SILENT);
        Asked {
            held: fresh.map(|(held, _, _)| held),
            stop: self.stop,
            number: self.last.map_or(0, |(_, _, number)| number),
        }
    }
}

impl From<ModeSaid> for Mode {
    fn from(said: ModeSaid) -> Self {
        match said {
            ModeSaid::Joint => Self::Joint,
            ModeSaid::Tip => Self::Tip,
            ModeSaid::Carry => Self::Carry,
        }
    }
}

impl From<FrameSaid> for Frame {
    fn from(said: FrameSaid) -> Self {
        match said {
            FrameSaid::Machine => Self::Machine,
            FrameSaid::Seat => Self::Seat,
            FrameSaid::Tool => Self::Tool,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    fn hands(n: u64) -> Said {
        let text = format!(
            r#"{{"kind":"hands","n":{n},"levers":[5,-128],"mode":"tip","frame":"seat","slow":false,"enable":true,"reset":false}}"#
        );
        Said::read(&text).unwrap()
    }

    #[test]
    fn one_sits_and_the_others_watch() {
        let mut desk = Desk::default();
        assert_eq!(desk.hear(1, hands(1), ms(0)), Err(Refused::Watching));
        assert_eq!(desk.hear(1, Said::Sit {}, ms(0)), Ok(None));
        assert_eq!(desk.hear(2, Said::Sit {}, ms(0)), Err(Refused::Taken));
        assert_eq!(desk.hear(2, hands(9), ms(0)), Err(Refused::Watching));
        assert_eq!(desk.hear(2, Said::Save {}, ms(0)), Err(Refused::Watching));
        assert_eq!(desk.hear(1, Said::Save {}, ms(0)), Ok(Some(Said::Save {})));
        assert_eq!(desk.asked(ms(0)).held, None);
        assert_eq!(desk.hear(1, hands(1), ms(0)), Ok(None));
        assert!(desk.asked(ms(10)).held.unwrap().enable);
        // Whoever does not sit there cannot make somebody rise.
        desk.rise(2);
        assert_eq!(desk.holder(), Some(1));
        desk.rise(1);
        assert_eq!((desk.holder(), desk.asked(ms(10)).held), (None, None));
        assert_eq!(desk.hear(2, Said::Sit {}, ms(20)), Ok(None));
    }

    #[test]
    fn silence_and_old_messages_do_not_count() {
        let mut desk = Desk::default();
        desk.sit(1).unwrap();
        desk.hear(1, hands(4), ms(1000)).unwrap();
        assert_eq!(desk.hear(1, hands(4), ms(1200)), Err(Refused::Old));
        assert_eq!(desk.hear(1, hands(3), ms(1200)), Err(Refused::Old));
        assert!(desk.asked(ms(1250)).held.is_some());
        assert!(desk.asked(ms(1251)).held.is_none());
        desk.hear(1, hands(5), ms(1300)).unwrap();
        assert!(desk.asked(ms(1300)).held.is_some());
    }

    #[test]
    fn anybody_presses_the_stop_button_and_only_the_seat_lets_it_out() {
        let mut desk = Desk::default();
        desk.sit(1).unwrap();
        desk.hear(2, Said::Stop { pressed: true }, ms(0)).unwrap();
        assert!(desk.asked(ms(0)).stop);
        let out = Said::Stop { pressed: false };
        assert_eq!(desk.hear(2, out.clone(), ms(0)), Err(Refused::Watching));
        assert!(desk.asked(ms(0)).stop);
        desk.hear(1, out, ms(0)).unwrap();
        assert!(!desk.asked(ms(0)).stop);
    }

    #[test]
    fn what_is_no_message_is_none() {
        for text in [
            "",
            "null",
            r#"{"kind":"sit","now":true}"#,
            r#"{"kind":"hands","n":1,"levers":[129],"mode":"tip","frame":"seat","slow":false,"enable":true,"reset":false}"#,
            r#"{"kind":"hands","n":-1,"levers":[],"mode":"tip","frame":"seat","slow":false,"enable":true,"reset":false}"#,
            r#"{"kind":"hands","n":1,"levers":[],"mode":"fly","frame":"seat","slow":false,"enable":true,"reset":false}"#,
            r#"{"kind":"fault","entry":"valve stuck","axis":1,"amount":1.5}"#,
            r#"{"kind":"load","arm":0,"mass":99999}"#,
            r#"{"kind":"tune","changes":[["a",1e999]]}"#,
        ] {
            assert_eq!(Said::read(text), Err(Refused::Garbled), "{text}");
        }
        let long = format!(
            r#"{{"kind":"fault","entry":"{}","axis":1,"amount":1}}"#,
            "x".repeat(LONGEST)
        );
        assert_eq!(Said::read(&long), Err(Refused::Garbled));
    }
}
