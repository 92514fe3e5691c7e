//! Core, wiring and plant joined: what every run goes through, tick by tick.
//!
//! A tick has two halves: [`Live::think`], in which the core reads and decides, and [`Live::go`], in which the plant does what came of it.
//! Whoever watches looks between the two. Faults of the controller itself are put in here.

use std::borrow::Cow;

use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::PerAxis;
use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX};
use bellcrank_core::outputs::Status;
use bellcrank_core::supervise::{RECORD_LEN, State};
use bellcrank_core::{Controller, Inputs, Machine, Outputs};
use bellcrank_machine::description::Description;

use crate::board::{BoardError, Checked};
use crate::plant::{Accuracy, Plant};
use crate::run::RunError;
use crate::scenario::{FaultKind, Scenario};
use crate::surroundings::Surroundings;
use crate::wiring::{self, Wiring};

/// How soon a tick follows that comes too early, s.
const AGAIN_S: f64 = 0.0003;

/// Pressure in the less loaded chamber of each cylinder at the start, Pa: what a stopped arm keeps trapped.
pub(crate) const PRELOAD_PA: f64 = 5e5;

/// The image of the machine in the controller's memory.
#[derive(Debug, PartialEq)]
enum Image<'s> {
    /// As it was packed.
    Whole,
    /// Damaged, and refused: there is nothing to start with.
    Refused,
    /// Damaged, and yet read as this machine.
    Taken(&'s Machine),
}

/// A machine at work.
pub struct Live<'s> {
    scenario: Cow<'s, Scenario>,
    machine: &'s Machine,
    surroundings: Surroundings,
    starting: bool,
    /// What the controller reads its machine from.
    image: Image<'s>,
    ticks: u64,
    /// What the core works through.
    pub wiring: Wiring,
    /// The core.
    pub controller: Controller<'s>,
    /// The same core on a board, if there is one: then the board decides, and the core here looks over its shoulder.
    pub board: Option<Checked>,
    /// What was wrong with the board.
    failed: Option<BoardError>,
    /// What the core put out last.
    pub outputs: Outputs,
    /// What it moves.
    pub plant: Plant,
}

/// The core's machine of a description.
///
/// # Errors
/// It cannot be controlled as described.
pub fn built(description: &Description) -> Result<Machine, RunError> {
    bellcrank_machine::build(description).map_err(|error| bad(description, error.to_string()))
}

fn bad(description: &Description, reason: String) -> RunError {
    RunError::Machine {
        machine: description.name.clone(),
        reason,
    }
}

impl<'s> Live<'s> {
    /// Stands as the scenario begins. `machine` is what the core knows; the noise is that of `seed`.
    ///
    /// # Errors
    /// The machine cannot be simulated as described.
    pub fn new(scenario: &'s Scenario, machine: &'s Machine, seed: u64) -> Result<Self, RunError> {
        let description = &*scenario.machine;
        let mut plant =
            Plant::of_machine(description, Accuracy::default()).map_err(|error| bad(description, error.to_string()))?;
        let surroundings = Surroundings::new(scenario, &mut plant);
        plant.stand(&scenario.start, PRELOAD_PA);
        Ok(Self {
            scenario: Cow::Borrowed(scenario),
            machine,
            surroundings,
            starting: false,
            image: Image::Whole,
            ticks: 0,
            wiring: Wiring::new(scenario, seed),
            controller: Controller::new(machine),
            board: None,
            failed: None,
            outputs: no_current(),
            plant,
        })
    }

    /// What has happened and is to happen.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The same, to go on with as it is made up: hands and faults from now on, in order of time. What is past is not to be touched, nor the
    /// machine.
    pub fn made_up(&mut self) -> &mut Scenario {
        self.scenario.to_mut()
    }

    /// What the core knows of the machine.
    pub fn machine(&self) -> &'s Machine {
        self.machine
    }

    /// Period of the loop, s.
    pub fn period(&self) -> f64 {
        self.scenario.machine.timing.tick
    }

    /// Time since the start, s.
    pub fn time(&self) -> f64 {
        self.ticks as f64 * self.period()
    }

    /// What is to be read at a time.
    pub fn read(&mut self, t: f64) -> Inputs {
        self.wiring.read(&self.scenario, t, &self.plant)
    }

    /// The core reads and decides. `hands` may change what it reads. Whether it has just started anew.
    pub fn think(&mut self, mut hands: impl FnMut(f64, &Controller, &mut Inputs)) -> bool {
        let t = self.time();
        let mut inputs = self.read(t);
        hands(t, &self.controller, &mut inputs);
        let on = |fault: FaultKind| self.scenario.active(t).any(|kind| kind == fault);
        let flipped = self.scenario.active(t).find_map(|kind| match kind {
            FaultKind::RecordFlipped { bit } => Some(bit),
            _ => None,
        });
        let damaged = self.scenario.active(t).find_map(|kind| match kind {
            FaultKind::ImageDamaged { place } => Some(place),
            _ => None,
        });
        let reads = damaged.filter(|_| self.image == Image::Whole);
        if let Some(place) = reads {
            self.image = read_damaged(self.machine, place).map_or(Image::Refused, Image::Taken);
        }
        let refused = damaged.is_some() && self.image == Image::Refused;
        let starting = on(FaultKind::Restart)
            || flipped.is_some()
            || reads.is_some()
            || refused
            || wiring::starves(&self.scenario, t);
        let anew = starting && !self.starting;
        self.starting = starting;
        if starting {
            if anew {
                let record = kept(self.controller.record(), flipped);
                let machine = match self.image {
                    Image::Taken(machine) => machine,
                    Image::Whole | Image::Refused => self.machine,
                };
                self.controller = Controller::restarted(machine, record);
                if let Some(board) = &mut self.board {
                    self.failed = board.start(Some(record)).err();
                }
            }
            self.outputs = no_current();
        } else if !on(FaultKind::LoopHangs) {
            let early = on(FaultKind::TickEarly);
            self.tick(&inputs);
            if early {
                self.wiring.hasten(t, &self.outputs);
                let t = t + AGAIN_S;
                let mut inputs = self.read(t);
                hands(t, &self.controller, &mut inputs);
                self.tick(&inputs);
                self.wiring.hasten(t, &self.outputs);
            }
        }
        anew
    }

    /// One tick of the core: of the one here, and of the one on the board, if there is one.
    fn tick(&mut self, inputs: &Inputs) {
        self.outputs = self.controller.tick(inputs);
        if let Some(board) = &mut self.board
            && self.failed.is_none()
        {
            match board.turn(inputs, &self.outputs) {
                Ok(outputs) => self.outputs = outputs,
                Err(why) => self.failed = Some(why),
            }
        }
    }

    /// The plant goes on by one tick.
    ///
    /// # Errors
    /// It could not be integrated, or something was wrong with the board.
    pub fn go(&mut self) -> Result<(), RunError> {
        if let Some(source) = self.failed.take() {
            let scenario = self.scenario.name.clone();
            return Err(RunError::Board { scenario, source });
        }
        let t = self.time();
        self.surroundings.at(&self.scenario, t, &mut self.plant);
        let driven = self.wiring.write(&self.scenario, t, &self.outputs, &mut self.plant);
        self.ticks += 1;
        self.plant
            .advance(&driven, self.scenario.machine.timing.tick)
            .map_err(|source| RunError::Plant {
                scenario: self.scenario.name.clone(),
                source,
            })
    }
}

/// What the board finds of the record that it kept, one bit of it turned over.
fn kept(mut record: [u8; RECORD_LEN], flipped: Option<usize>) -> [u8; RECORD_LEN] {
    if let Some(bit) = flipped {
        record[bit / 8 % RECORD_LEN] ^= 1 << (bit % 8);
    }
    record
}

/// What the controller reads of the machine's image with the bit at `place` turned over, 0 being the first and 1 the last. It should be nothing;
/// were it a machine, that is what would run from then on, and what the run shows.
fn read_damaged(machine: &Machine, place: f64) -> Option<&'static Machine> {
    let mut bytes = vec![0; IMAGE_MAX];
    let length = image::write(machine, Fingerprint::default(), &mut bytes).unwrap_or(0);
    bytes.truncate(length);
    let last = (8 * length).saturating_sub(1);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a small count"
    )]
    let bit = (place * last as f64).round() as usize;
    if let Some(byte) = bytes.get_mut(bit / 8) {
        *byte ^= 1 << (bit % 8);
    }
    let read = image::read(&bytes).ok()?;
    Some(Box::leak(Box::new(read.machine)))
}

/// What a controller puts out that does not run: no current, no signal.
pub(crate) fn no_current() -> Outputs {
    Outputs {
        valves: PerAxis::default(),
        relays: Relays::default(),
        alive: false,
        status: Status {
            state: State::SelfTest,
            cause: None,
            axis: None,
            before: None,
        },
    }
}
