//! Hands at the machine's levers: those of the scenario, or somebody who types.
//!
//! | typed | does |
//! |---|---|
//! | `enable`, `release` | holds the enabling switch, lets go of it |
//! | `lever AXIS SHARE` | moves the lever of an axis, -1 to 1 |
//! | `neutral` | lets go of every lever |
//! | `reset` | presses the reset button for a third of a second |
//! | `stop`, `clear` | presses the stop button, pulls it out again |
//! | `quit` | ends |

use std::io::BufRead;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, channel};

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::units::Lever;
use bellcrank_machine::description::Description;

/// How long a typed reset is held, s.
const RESET_S: f64 = 0.33;

/// Whose they are.
pub struct Hands(Option<Typed>);

/// What somebody has typed so far.
struct Typed {
    lines: Receiver<String>,
    axes: Vec<(String, Option<usize>)>,
    over: Arc<AtomicBool>,
    frame: HandFrame,
    reset_until: f64,
    stop: bool,
}

/// What the hands do.
pub struct Done {
    /// At the station in charge.
    pub frame: HandFrame,
    /// The reset button is pressed.
    pub reset: bool,
}

impl Hands {
    /// Those of the scenario.
    pub fn of_scenario() -> Self {
        Self(None)
    }

    /// Somebody who types. `over` is set when they want to end.
    pub fn typed(machine: &Description, over: Arc<AtomicBool>) -> Self {
        let (typed, lines) = channel();
        std::thread::spawn(move || {
            for line in std::io::stdin().lock().lines().map_while(Result::ok) {
                if typed.send(line).is_err() {
                    break;
                }
            }
        });
        Self(Some(Typed {
            lines,
            axes: machine
                .axes
                .iter()
                .map(|axis| (axis.name.clone(), axis.lever))
                .collect(),
            over,
            frame: HandFrame {
                stop_clear: true,
                ..HandFrame::default()
            },
            reset_until: f64::NEG_INFINITY,
            stop: false,
        }))
    }

    /// What they do at time `t`, s. None where the scenario says it.
    pub fn at(&mut self, t: f64, tell: &mut impl FnMut(f64, &str)) -> Option<Done> {
        let typed = self.0.as_mut()?;
        while let Ok(line) = typed.lines.try_recv() {
            let answer = typed.take(&line, t);
            tell(
                t,
                &answer.unwrap_or_else(|wanted| format!("found {line:?}, wanted {wanted}")),
            );
        }
        Some(Done {
            frame: typed.frame,
            reset: t < typed.reset_until,
        })
    }

    /// The stop button is pressed.
    pub fn stop_pressed(&self) -> bool {
        self.0.as_ref().is_some_and(|typed| typed.stop)
    }
}

impl Typed {
    /// Does what a line says; what it did, or what would have been right.
    fn take(&mut self, line: &str, t: f64) -> Result<String, String> {
        match line.trim() {
            "enable" => self.frame.enable = true,
            "release" => self.frame.enable = false,
            "neutral" => self.frame.levers = HandFrame::default().levers,
            "reset" => self.reset_until = t + RESET_S,
            "stop" => self.stop = true,
            "clear" => self.stop = false,
            "quit" => self.over.store(true, Ordering::Release),
            other => self.lever(other.strip_prefix("lever ").ok_or_else(Self::words)?)?,
        }
        Ok(format!("hands: {}", line.trim()))
    }

    fn lever(&mut self, rest: &str) -> Result<(), String> {
        let (axis, share) = rest.rsplit_once(' ').ok_or_else(Self::words)?;
        let share = share.parse().ok().and_then(|share| Lever::new(share).ok());
        let share = share.ok_or("a share from -1 to 1")?;
        let names = || {
            self.axes
                .iter()
                .map(|(name, _)| name.as_str())
                .collect::<Vec<_>>()
                .join(", ")
        };
        let found = self.axes.iter().find(|(name, _)| name == axis.trim());
        let lever = found
            .and_then(|(_, lever)| *lever)
            .ok_or_else(|| format!("an axis with a lever, one of {}", names()))?;
        self.frame.levers[lever] = share;
        Ok(())
    }

    fn words() -> String {
        "enable, release, lever AXIS SHARE, neutral, reset, stop, clear or quit".to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(lines: &[&str]) -> (Hands, Vec<String>) {
        let (send, lines_in) = channel();
        for line in lines {
            send.send((*line).to_owned()).unwrap();
        }
        let axes = vec![("left lift".to_owned(), Some(3)), ("grip".to_owned(), None)];
        let mut hands = Hands(Some(Typed {
            lines: lines_in,
            axes,
            over: Arc::default(),
            frame: HandFrame::default(),
            reset_until: f64::NEG_INFINITY,
            stop: false,
        }));
        let mut told = Vec::new();
        hands.at(1.0, &mut |_, line| told.push(line.to_owned()));
        (hands, told)
    }

    #[test]
    fn what_is_typed_is_done() {
        let (mut hands, told) = typed(&["enable", "lever left lift -0.5", "reset", "stop"]);
        assert!(told.iter().all(|line| line.starts_with("hands: ")), "{told:?}");
        let done = hands.at(1.2, &mut |_, _| {}).unwrap();
        assert_eq!(
            (done.frame.levers[3].share(), done.frame.enable, done.reset),
            (-0.5, true, true)
        );
        assert!(hands.stop_pressed());
        assert!(!hands.at(1.4, &mut |_, _| {}).unwrap().reset, "it is let go of");
    }

    #[test]
    fn what_makes_no_sense_says_what_would() {
        for (line, wanted) in [
            ("lever left lift 2", "a share from -1 to 1"),
            ("lever grip 0.1", "an axis with a lever"),
            ("lever", "enable, release"),
            ("jump", "enable, release"),
        ] {
            let (_, told) = typed(&[line]);
            assert!(
                told[0].starts_with(&format!("found {line:?}")) && told[0].contains(wanted),
                "{told:?}"
            );
        }
    }
}
