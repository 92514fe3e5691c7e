//! The loop that joins a board to the core: read, tick, write, feed.
//!
//! It has no clock and waits for nothing: whoever has a timer calls [`Cycle::turn`] every `tick_ms`, and tells it the time. That the time
//! is right is watched by the core, that it is called at all by the external watchdog.
//!
//! # When something cannot be written
//!
//! Then the valves may be told something else than the core believes. So in the same turn the current of every relay is taken, and from
//! the next the core is told that the stop button at the seat is pressed: it latches a stop, and gives nothing any power. Once it has, what
//! it tells is written again; when that has gone well, the seat counts as what it is again, and the reset button does what it always does.
//! So no motion begins by itself when an output that failed works again. It is not the stop chain that is told open: that would look as if
//! both its channels had been seen to open, which clears the doubt in one that did not.
//!
//! Where a relay may not even have let go, the watchdog is no longer fed.

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::outputs::Outputs;
use bellcrank_core::supervise::{RECORD_LEN, State};
use bellcrank_core::units::{Duration, Instant};
use bellcrank_core::{Controller, Machine};

use crate::board::Board;
use crate::trouble::{Misfit, Troubles};
use crate::watchdog::Beat;

/// The core on a board.
pub struct Cycle<'m, B> {
    controller: Controller<'m>,
    board: B,
    beat: Beat,
    /// Something could not be written, and the core has not been through a stop since.
    held: bool,
    record: [u8; RECORD_LEN],
    #[cfg(feature = "defmt")]
    told: Told,
}

/// What came of one turn.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Turn {
    /// What the core commanded. For lamps and displays; it has been written, unless `held`.
    pub outputs: Outputs,
    /// Everything was switched off instead, because something could not be written in this turn or one before.
    pub held: bool,
    /// The watchdog was to be fed.
    pub fed: bool,
    /// What the board is to keep from now on where it outlives the power. None where that has not changed.
    pub record: Option<[u8; RECORD_LEN]>,
    /// What did not work.
    pub troubles: Troubles,
}

impl<'m, B: Board> Cycle<'m, B> {
    /// Switches everything off and starts the core, in self-test. `kept` is what [`Turn::record`] last gave before the power went, as the
    /// memory has it; none on a board without such a memory.
    ///
    /// # Errors
    /// The board does not suit the machine. Everything has been switched off all the same.
    pub fn new(machine: &'m Machine, mut board: B, kept: Option<[u8; RECORD_LEN]>) -> Result<Self, Misfit> {
        let off = board.cut(&mut Troubles::default());
        board.fits(machine)?;
        let controller = match kept {
            Some(kept) => Controller::restarted(machine, kept),
            None => Controller::new(machine),
        };
        Ok(Self {
            controller,
            board,
            beat: Beat::default(),
            held: !off,
            record: kept.unwrap_or_default(),
            #[cfg(feature = "defmt")]
            told: Told::default(),
        })
    }

    /// One turn: reads the board, lets the core decide, writes what it decided, feeds the watchdog.
    pub fn turn(&mut self, now: Instant) -> Turn {
        let mut troubles = Troubles::default();
        let mut inputs = self.board.read(now, &mut troubles);
        if self.held {
            // Without a frame of its own its stop button is pressed; it is new, so that it counts.
            inputs.seat = HandFrame {
                age: Some(Duration::from_ticks(0)),
                ..HandFrame::default()
            };
        }
        let outputs = self.controller.tick(&inputs);
        let written = (!self.held || latched(&outputs)) && self.board.write(&outputs, &mut troubles);
        self.held = !written;
        let obeyed = written || self.board.cut(&mut troubles);
        let fed = self.beat.turned_over(outputs.alive) && obeyed;
        if fed {
            self.board.feed(&mut troubles);
        }
        let record = self.controller.record();
        let changed = record != self.record;
        self.record = record;
        let turn = Turn {
            outputs,
            held: self.held,
            fed,
            record: changed.then_some(record),
            troubles,
        };
        #[cfg(feature = "defmt")]
        self.told.tell(&turn);
        turn
    }

    /// Switches everything off, outside of the turns: before an update, say. The next turn stops the core, and a reset is needed. False
    /// where a relay may not have obeyed.
    pub fn cut(&mut self) -> bool {
        self.held = true;
        self.board.cut(&mut Troubles::default())
    }

    /// The board, for whoever has something to do with it after the last turn.
    pub fn into_board(self) -> B {
        self.board
    }

    /// The core, for its log and what it saw.
    pub fn controller(&self) -> &Controller<'m> {
        &self.controller
    }

    /// The board.
    pub fn board(&self) -> &B {
        &self.board
    }

    /// The board, for one that is told from outside what it is to read.
    pub fn board_mut(&mut self) -> &mut B {
        &mut self.board
    }
}

/// The core has taken a stop: it gives no valve any power before a reset. It does in the very tick that it is told of one; this is seen to,
/// not trusted.
fn latched(outputs: &Outputs) -> bool {
    matches!(outputs.status.state, State::Stopped | State::Fault)
}

/// What was last told over `defmt`: each thing is told when it changes, not in every turn.
#[cfg(feature = "defmt")]
#[derive(Default)]
struct Told {
    troubles: Troubles,
    held: bool,
    status: Option<bellcrank_core::outputs::Status>,
}

#[cfg(feature = "defmt")]
impl Told {
    fn tell(&mut self, turn: &Turn) {
        for trouble in turn.troubles.iter() {
            if !self.troubles.iter().any(|told| told == trouble) {
                defmt::warn!("{}", trouble);
            }
        }
        self.troubles = turn.troubles.clone();
        if turn.held && !self.held {
            defmt::error!("everything is switched off: something could not be written");
        }
        self.held = turn.held;
        if self.status.replace(turn.outputs.status) != Some(turn.outputs.status) {
            defmt::info!("{}", turn.outputs.status);
        }
    }
}

#[cfg(test)]
mod tests;
