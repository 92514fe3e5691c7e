//! The golden run: 20,000 ticks of a machine, the same on every computer, in which the core does all that it can.
//!
//! What is fed in is made here, of whole numbers and of `+ - * /` on `f32` alone, by axes that do what their valves are told: nothing of
//! it depends on a computer's own mathematics, and nothing on the simulator. So it is recorded nowhere: it is made anew each time, and
//! its digest tells that it is the same. The hands go by the clock, whatever the machine does.
//!
//! The digests of what goes in and of what comes out, every bit of every field, are on file in `tests/data/golden.csv`, and are the same
//! on a laptop, on another processor, and on a microcontroller.

mod axes;
mod hands;

use bellcrank_core::inputs::{HandFrame, Inputs, Relays, Station};
use bellcrank_core::units::{Instant, Volts};
use bellcrank_core::{Controller, Machine, Outputs};
use serde::Serialize;
use xxhash_rust::xxh3::Xxh3;

use axes::Axes;
use hands::Hands;

/// Ticks of a golden run.
pub const TICKS: u64 = 20_000;

/// Longest that `postcard` makes of inputs or outputs, bytes.
const WRITTEN_MAX: usize = 1024;

/// Two arms apart from each other, and from what is between them, rad: slew, lift, reach, tilt.
const APART: [&[f32]; 2] = [&[-0.2, -0.5, 1.57, -0.72], &[0.2, -0.5, 1.57, -0.72]];

/// A golden run, as it goes.
pub struct Golden<'m> {
    machine: &'m Machine,
    controller: Controller<'m>,
    axes: Axes<'m>,
    hands: Hands<'m>,
    told: Relays,
    ticks: u64,
}

impl<'m> Golden<'m> {
    /// At its beginning: as [`Self::posed`], well in front of a machine with two arms like the drystone setter's, three quarters out on
    /// any other.
    pub fn new(machine: &'m Machine) -> Self {
        let two_arms = machine.arms().len() == 2;
        Self::posed(machine, if two_arms { &APART } else { &[] })
    }

    /// At its beginning, the joints of each arm from base to tip at these angles, rad, all else three quarters out.
    pub fn posed(machine: &'m Machine, pose: &[&[f32]]) -> Self {
        Self {
            machine,
            controller: Controller::new(machine),
            axes: Axes::new(machine, pose),
            hands: Hands::new(machine),
            told: Relays::default(),
            ticks: 0,
        }
    }

    /// The core, as the last tick left it.
    pub fn controller(&self) -> &Controller<'m> {
        &self.controller
    }

    fn inputs(&mut self) -> Inputs {
        let tick = self.machine.timing().tick;
        let act = self.hands.at(self.ticks);
        let middle = |(low, high): (f32, f32)| Volts::new(0.5 * (low + high)).ok();
        Inputs {
            now: Instant::from_ticks(self.ticks * u64::from(tick.as_ticks())),
            sensors: self.axes.read(act.open_wire),
            stop_chain: [!act.stop; 2],
            relays: self.told,
            supply: self.machine.control_supply().and_then(middle),
            reset: act.reset,
            commissioning: act.commissioning,
            selector: Station::Seat,
            seat: act.seat,
            remote: HandFrame {
                age: act.remote_age,
                stop_clear: true,
                ..HandFrame::default()
            },
        }
    }
}

impl Iterator for Golden<'_> {
    type Item = (Inputs, Outputs);

    fn next(&mut self) -> Option<Self::Item> {
        if self.ticks == TICKS {
            return None;
        }
        self.ticks += 1;
        let inputs = self.inputs();
        let outputs = self.controller.tick(&inputs);
        self.told = outputs.relays;
        self.axes.go(&outputs);
        Some((inputs, outputs))
    }
}

/// A digest of a row of inputs or outputs: of every bit of every field, by the bytes that `postcard` makes of them.
#[derive(Clone)]
pub struct Digest {
    hash: Xxh3,
    count: u64,
}

impl Default for Digest {
    fn default() -> Self {
        Self {
            hash: Xxh3::new(),
            count: 0,
        }
    }
}

impl Digest {
    /// Takes the next.
    pub fn add(&mut self, value: &impl Serialize) {
        let mut bytes = [0; WRITTEN_MAX];
        // There is always room; if there were not, the digest would say so by being another.
        let written = postcard::to_slice(value, &mut bytes).map_or(0, |written| written.len());
        self.hash.update(&bytes[..written]);
        self.count += 1;
    }

    /// How many, and XXH3-64 of all of them.
    pub fn told(&self) -> (u64, String) {
        (self.count, format!("{:016x}", self.hash.digest()))
    }
}
