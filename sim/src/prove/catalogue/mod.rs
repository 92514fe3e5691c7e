//! The fault catalogue: everything that a campaign can put in, as data.
//!
//! An entry says what goes wrong, to which axes it can happen, how bad it can be, by what names the core may truthfully call it, and, where
//! software alone cannot make it safe, what else it takes. What a fault does to a signal or to the oil stands in `wiring` and `plant`. Each part
//! of the machine has a file of its own.

mod controller;
mod hands;
mod hydraulics;
mod links;
mod sensors;
mod supply;
mod switches;
mod valves;

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::Station;
use bellcrank_machine::description::{Axis, Description};

use crate::scenario::FaultKind;

/// The part of the machine that an entry is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subsystem {
    /// Length and angle sensors with their wires.
    Sensors,
    /// Valve sections with their coils and electronics.
    Valves,
    /// Pump, engine, relief and dump valve.
    Supply,
    /// Hoses, cylinders, oil, load-holding valves.
    Hydraulics,
    /// Whoever holds the levers.
    Hands,
    /// The way from a hand control to the core.
    Links,
    /// Stop chain and relays.
    Switches,
    /// The controller itself.
    Controller,
}

impl Subsystem {
    /// Its name in reports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Sensors => "sensors",
            Self::Valves => "valves",
            Self::Supply => "supply",
            Self::Hydraulics => "hydraulics",
            Self::Hands => "hands",
            Self::Links => "links",
            Self::Switches => "switches",
            Self::Controller => "controller",
        }
    }
}

/// Where a fault is put in, and how bad it is.
#[derive(Debug, Clone, Copy)]
pub struct Place<'m> {
    /// The machine.
    pub machine: &'m Description,
    /// The axis; 0 where the entry is about none.
    pub axis: usize,
    /// How bad: from 0, the least that the entry knows, to 1.
    pub amount: f64,
    /// The station in charge.
    pub station: Station,
}

impl Place<'_> {
    /// From the least to the worst.
    fn between(&self, least: f64, worst: f64) -> f64 {
        least + self.amount * (worst - least)
    }

    /// The same either way: below half one way, above it the other, the ends the worst.
    fn either_way(&self, least: f64, worst: f64) -> f64 {
        let aside = 2.0 * self.amount - 1.0;
        let size = least + aside.abs() * (worst - least);
        if aside < 0.0 { -size } else { size }
    }

    fn axis(&self) -> &Axis {
        &self.machine.axes[self.axis]
    }
}

/// One entry.
pub struct Entry {
    /// Its name in suites and reports.
    pub name: &'static str,
    /// What goes wrong, in a few words.
    pub about: &'static str,
    /// What it is about.
    pub subsystem: Subsystem,
    /// The axes that it can happen to. None: it is about no axis.
    pub on: Option<fn(&Axis) -> bool>,
    /// What `amount` means; empty where there is only one of it.
    pub amount: &'static str,
    /// The amount that is least bad: in the middle where it goes either way and both ends are the worst.
    pub mildest: f64,
    /// The fault, and how long it lasts, s; to the end where that is not told.
    pub make: fn(&Place) -> (FaultKind, Option<f64>),
    /// It can show, and truthfully be named, on another axis than its own.
    pub elsewhere: bool,
    /// The names by which the core may truthfully call it. None of them has to be called where nothing came of it.
    pub names: &'static [Cause],
    /// It shows whatever a machine does that is enabled, and must always be noticed. Others show only where the machine is asked for what it no
    /// longer can.
    pub always: bool,
    /// It leaves nothing that could notice it. Then the machine must come to rest by itself, and stay there without current.
    pub silent: bool,
    /// What it takes beside software, where software alone cannot make it safe.
    pub beyond: Option<&'static str>,
}

const MOTION: [Cause; 4] = [Cause::MotionUnasked, Cause::NoMotion, Cause::WrongWay, Cause::Following];

const PLAIN: Entry = Entry {
    name: "",
    about: "",
    subsystem: Subsystem::Sensors,
    on: None,
    amount: "",
    mildest: 0.0,
    make: |_| (FaultKind::StopButton, None),
    elsewhere: false,
    names: &[],
    always: false,
    silent: false,
    beyond: None,
};

/// The entries of each part.
const PARTS: [&[Entry]; 8] = [
    sensors::ENTRIES,
    valves::ENTRIES,
    supply::ENTRIES,
    hydraulics::ENTRIES,
    hands::ENTRIES,
    links::ENTRIES,
    switches::ENTRIES,
    controller::ENTRIES,
];

/// All entries.
pub static CATALOGUE: [&Entry; COUNT] = all();

/// How many there are.
const COUNT: usize = {
    let (mut part, mut count) = (0, 0);
    while part < PARTS.len() {
        count += PARTS[part].len();
        part += 1;
    }
    count
};

const fn all() -> [&'static Entry; COUNT] {
    let mut all = [&PLAIN; COUNT];
    let (mut part, mut at) = (0, 0);
    while part < PARTS.len() {
        let mut index = 0;
        while index < PARTS[part].len() {
            all[at] = &PARTS[part][index];
            index += 1;
            at += 1;
        }
        part += 1;
    }
    all
}

/// The entry of that name.
pub fn entry(name: &str) -> Option<&'static Entry> {
    CATALOGUE.iter().copied().find(|entry| entry.name == name)
}
