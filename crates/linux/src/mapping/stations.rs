//! The stations of a mapping: levers that are wired to the terminals, or a pad.

use bellcrank_core::inputs::Mode;
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_core::units::Volts;
use bellcrank_hal::LeverInput;
use bellcrank_machine::document::Table;

use super::Wanted;
use super::claims::Side;
use super::frame::{Frame, Unit};
use super::place::{Analogue, Bit};

/// A station.
#[derive(Debug, Clone, PartialEq)]
pub enum StationPlaces {
    /// Levers, switches and buttons at the terminals.
    Wired(WiredPlaces),
    /// A pad or a joystick at this computer.
    Pad(PadPlaces),
}

/// A station at the terminals.
#[derive(Debug, Clone, PartialEq)]
pub struct WiredPlaces {
    /// What the levers mean.
    pub mode: Mode,
    /// Set while they move the tips instead.
    pub tip: Option<Bit>,
    /// Set while its receiver hears it.
    pub heard: Option<Bit>,
    /// Set while the enabling switch is held.
    pub enable: Bit,
    /// Set while its own stop button is not pressed.
    pub stop: Option<Bit>,
    /// Set in slow mode.
    pub slow: Option<Bit>,
    /// Its levers.
    pub levers: Vec<WiredLever>,
}

/// A lever at the terminals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WiredLever {
    /// Its number in the machine file.
    pub number: u8,
    /// Its voltage.
    pub at: Analogue,
    /// What that means.
    pub input: LeverInput,
}

/// A station that is a pad.
#[derive(Debug, Clone, PartialEq)]
pub struct PadPlaces {
    /// What the levers mean.
    pub mode: Mode,
    /// Part of the pad's name. None: the first that there is.
    pub named: Option<String>,
    /// The button that enables while it is held.
    pub enable: Button,
    /// The button that stops.
    pub stop: Button,
    /// The button for slow mode while it is held.
    pub slow: Option<Button>,
    /// Its levers.
    pub levers: Vec<PadLever>,
}

/// A lever of a pad.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PadLever {
    /// Its number in the machine file.
    pub number: u8,
    /// The axis of the pad.
    pub axis: PadAxis,
    /// It counts the other way.
    pub reversed: bool,
}

/// An axis of a pad, -1 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PadAxis {
    /// The left stick, to the right.
    LeftX,
    /// The left stick, away from the hand.
    LeftY,
    /// The right stick, to the right.
    RightX,
    /// The right stick, away from the hand.
    RightY,
    /// The small cross, to the right.
    CrossX,
    /// The small cross, away from the hand.
    CrossY,
}

/// A button of a pad.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Button {
    /// The upper one under the left forefinger.
    LeftShoulder,
    /// The upper one under the right forefinger.
    RightShoulder,
    /// The lower one under the left forefinger.
    LeftTrigger,
    /// The lower one under the right forefinger.
    RightTrigger,
    /// The lowest of the four under the right thumb.
    South,
    /// The rightmost of them.
    East,
    /// The leftmost of them.
    West,
    /// The topmost of them.
    North,
    /// The small one left of the middle.
    Select,
    /// The small one right of the middle.
    Start,
}

const MODES: [(&str, Mode); 3] = [("joint", Mode::Joint), ("tip", Mode::Tip), ("carry", Mode::Carry)];

const AXES: [(&str, PadAxis); 6] = [
    ("left_x", PadAxis::LeftX),
    ("left_y", PadAxis::LeftY),
    ("right_x", PadAxis::RightX),
    ("right_y", PadAxis::RightY),
    ("cross_x", PadAxis::CrossX),
    ("cross_y", PadAxis::CrossY),
];

const BUTTONS: [(&str, Button); 10] = [
    ("left_shoulder", Button::LeftShoulder),
    ("right_shoulder", Button::RightShoulder),
    ("left_trigger", Button::LeftTrigger),
    ("right_trigger", Button::RightTrigger),
    ("south", Button::South),
    ("east", Button::East),
    ("west", Button::West),
    ("north", Button::North),
    ("select", Button::Select),
    ("start", Button::Start),
];

pub(super) fn station(t: &Table, frame: &Frame, wanted: Wanted, name: &str) -> StationPlaces {
    let mode = t
        .optional("mode")
        .and_then(|key| t.choice(key, &MODES))
        .unwrap_or_default();
    let wired = match t.optional("kind") {
        Some(key) => t.choice(key, &[("wired", true), ("pad", false)]).unwrap_or(true),
        None => true,
    };
    if wired {
        let bit = |key: &'static str| t.table(key, |t| frame.bit(t, Side::Input, &format!("{key} of the {name}")));
        let tip = t.optional("tip").map(bit);
        let modes = [mode, if tip.is_some() { Mode::Tip } else { mode }];
        let levers = levers(t, wanted, modes, |number, t| wired_lever(t, frame, number, name));
        StationPlaces::Wired(WiredPlaces {
            mode,
            tip,
            heard: t.optional("heard").map(bit),
            enable: bit("enable"),
            stop: t.optional("stop").map(bit),
            slow: t.optional("slow").map(bit),
            levers,
        })
    } else {
        // A button that is not known has been complained about.
        let button = |key| t.choice(key, &BUTTONS).unwrap_or(Button::South);
        StationPlaces::Pad(PadPlaces {
            mode,
            named: t.optional("named").map(|key| t.text(key)),
            enable: button("enable"),
            stop: button("stop"),
            slow: t.optional("slow").map(button),
            levers: levers(t, wanted, [mode; 2], |number, t| PadLever {
                number,
                axis: t.choice("axis", &AXES).unwrap_or(PadAxis::LeftX),
                reversed: t.optional("reversed").is_some_and(|key| t.flag(key)),
            }),
        })
    }
}

/// The levers, each under its number; what the machine wants and the file lacks is told.
fn levers<L>(t: &Table, wanted: Wanted, modes: [Mode; 2], mut lever: impl FnMut(u8, &Table) -> L) -> Vec<L> {
    let mut there = Vec::new();
    let found = t.named_tables("lever", |name, t| {
        let number = name.parse().ok().filter(|number| usize::from(*number) < LEVERS_MAX);
        if number.is_none() {
            t.complain(
                "",
                format!("lever {name:?}"),
                format!("a number from 0 to {}", LEVERS_MAX - 1),
            );
        }
        there.extend(number);
        lever(number.unwrap_or(0), t)
    });
    let mut needed: Vec<u8> = modes.into_iter().flat_map(|mode| levers_of(wanted, mode)).collect();
    needed.sort_unstable();
    needed.dedup();
    for number in needed {
        if !there.contains(&number) {
            let place = format!("[station.NAME.lever.{number}]");
            t.complain(
                "lever",
                format!("nothing for lever {number}"),
                format!("{place}: the machine has that lever"),
            );
        }
    }
    found
}

/// The levers that a machine has in a mode.
fn levers_of(wanted: Wanted, mode: Mode) -> Vec<u8> {
    match mode {
        Mode::Joint => wanted.machine.axes().filter_map(|(_, axis)| axis.lever).collect(),
        Mode::Tip | Mode::Carry => wanted
            .machine
            .arms()
            .iter()
            .flat_map(|arm| arm.levers.iter().copied())
            .collect(),
    }
}

fn wired_lever(t: &Table, frame: &Frame, number: u8, name: &str) -> WiredLever {
    let at = t.table("at", |t| {
        frame.analogue(t, Side::Input, &format!("lever {number} of the {name}"), Unit::Volts)
    });
    let band = t.numbers("low_centre_high_v", -100.0..=100.0);
    let fault = t.rising("fault_v", -100.0..=100.0);
    #[allow(clippy::cast_possible_truncation, reason = "narrowed to what the core is given")]
    let volts = |number: f64| Volts::new(number as f32).unwrap_or_default();
    let [low, centre, high] = match band[..] {
        [low, centre, high] => [low, centre, high],
        _ => [0.0; 3],
    };
    let input = LeverInput {
        channel: 0,
        fault_low: volts(fault.0),
        low: volts(low),
        centre: volts(centre),
        high: volts(high),
        fault_high: volts(fault.1),
    };
    if t.clean() && !input.rises() {
        let fault = t.words("fault_v");
        t.wrong(
            "low_centre_high_v",
            format!("three voltages that rise, inside fault_v ({fault})"),
        );
    }
    WiredLever { number, at, input }
}
