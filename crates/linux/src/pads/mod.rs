//! Pads and joysticks at this computer as hands, plugged in and out while everything runs.
//!
//! A pad that is unplugged is a station that is not heard: a stop where it is in charge. One that is plugged in begins with everything let
//! go, and is heard from then on; that nothing moves by it before the levers are at rest, the enabling button is pressed anew and, after a
//! stop, somebody has pressed reset at the machine, is the core's to see to.
//!
//! The kernel tells of a pad what changes, and nothing while nothing does. That a cable was pulled it tells at once. That a radio pad is
//! out of reach it may tell after seconds, in which its levers stay what they were: a radio pad is no hand control for a machine.

#[cfg(feature = "pads")]
mod device;

use std::sync::Arc;

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::units::{Instant, Lever};
use bellcrank_hal::Fault;
use crossbeam_queue::ArrayQueue;

use crate::life::since;
use crate::mapping::{Button, PadAxis, PadPlaces};

#[cfg(feature = "pads")]
pub use device::start;

/// A pad as the board sees it.
pub trait Pad {
    /// Takes what has come in; it never waits.
    ///
    /// # Errors
    /// There is no pad.
    fn listen(&mut self) -> Result<(), Fault>;

    /// What its levers and buttons say.
    fn frame(&self, places: &PadPlaces, now: Instant) -> HandFrame;
}

/// What a system tells of its pads. Each has a number for as long as it is plugged in.
#[derive(Debug, Clone, PartialEq)]
pub enum PadEvent {
    /// One was plugged in.
    Plugged(usize, String),
    /// One was unplugged.
    Unplugged(usize),
    /// An axis is there now, -1 to 1.
    Moved(usize, PadAxis, f32),
    /// A button is pressed now, or not.
    Pressed(usize, Button, bool),
}

/// The pad that is followed, through all the events of a system.
#[derive(Debug, Clone)]
pub struct Followed {
    /// Part of its name.
    named: Option<String>,
    /// Its number.
    number: Option<usize>,
    held: Held,
}

/// Where its axes and buttons are.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Held {
    axes: [f32; 6],
    buttons: [bool; 10],
}

/// What the thread that listens to the system hands over.
pub type Heard = Arc<ArrayQueue<(Option<Held>, Instant)>>;

/// A pad that another thread listens to.
#[derive(Debug)]
pub struct QueuedPad {
    heard: Heard,
    newest: Option<(Option<Held>, Instant)>,
}

impl Followed {
    /// The first pad that has `named` in its name; the first at all where there is no name.
    pub fn new(named: Option<String>) -> Self {
        Self {
            named,
            number: None,
            held: Held::default(),
        }
    }

    /// Takes an event. Those of other pads are nothing to it.
    pub fn take(&mut self, event: &PadEvent) {
        match event {
            PadEvent::Plugged(number, name) => {
                let fits = self.named.as_ref().is_none_or(|named| name.contains(named));
                if self.number.is_none() && fits {
                    (self.number, self.held) = (Some(*number), Held::default());
                }
            }
            PadEvent::Unplugged(number) if self.number == Some(*number) => self.number = None,
            PadEvent::Moved(number, axis, share) if self.number == Some(*number) => {
                self.held.axes[*axis as usize] = *share;
            }
            PadEvent::Pressed(number, button, pressed) if self.number == Some(*number) => {
                self.held.buttons[*button as usize] = *pressed;
            }
            _ => {}
        }
    }

    /// Where its axes and buttons are. None while it is not plugged in.
    pub fn held(&self) -> Option<Held> {
        self.number.map(|_| self.held)
    }
}

impl Held {
    /// What that means as a station. An axis that is no number is no frame.
    fn frame(&self, places: &PadPlaces) -> Option<HandFrame> {
        let pressed = |button: Button| self.buttons[button as usize];
        let mut levers = [Lever::default(); LEVERS_MAX];
        for lever in &places.levers {
            let share = self.axes[lever.axis as usize];
            let share = if lever.reversed { -share } else { share };
            *levers.get_mut(usize::from(lever.number))? = Lever::new(share).ok()?;
        }
        Some(HandFrame {
            levers,
            mode: places.mode,
            slow: places.slow.is_some_and(pressed),
            enable: pressed(places.enable),
            stop_clear: !pressed(places.stop),
            ..HandFrame::default()
        })
    }
}

impl QueuedPad {
    /// A pad that is heard through this queue.
    pub fn new(heard: Heard) -> Self {
        Self { heard, newest: None }
    }
}

impl Pad for QueuedPad {
    fn listen(&mut self) -> Result<(), Fault> {
        if let Some(newer) = self.heard.pop() {
            self.newest = Some(newer);
        }
        match self.newest {
            Some((Some(_), _)) => Ok(()),
            _ => Err(Fault::NoAnswer),
        }
    }

    /// As old as the last look at the system: a thread that hangs makes it late.
    fn frame(&self, places: &PadPlaces, now: Instant) -> HandFrame {
        let frame = self.newest.and_then(|(held, at)| {
            let age = since(at, now)?;
            Some(HandFrame {
                age: Some(age),
                ..held?.frame(places)?
            })
        });
        frame.unwrap_or_default()
    }
}

#[cfg(test)]
mod tests;
