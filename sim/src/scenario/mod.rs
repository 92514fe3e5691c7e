//! A scenario: a machine at work, hands that do something, things that go wrong, and what must then hold.

mod acts;
mod fault;
mod file;
mod kinds;
mod text;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use bellcrank_core::inputs::{Frame, Mode, Station};
use bellcrank_core::machine::LEVERS_MAX;
use bellcrank_machine::description::Description;
use bellcrank_machine::document::{self, BuiltIn};
use nalgebra::{Rotation3, Vector3};

use crate::adversary::Strategy;

pub use fault::{Fault, FaultKind, Relay};
pub use file::{parse, parse_for, read};
pub use text::toml;

/// The built-in scenarios in the order of the main job: name of the file and its text.
pub const BUILTIN: [BuiltIn; 12] = [
    ("straight-lift", include_str!("../../scenarios/straight-lift.toml")),
    ("setting-a-stone", include_str!("../../scenarios/setting-a-stone.toml")),
    ("go-to", include_str!("../../scenarios/go-to.toml")),
    (
        "go-to-through-the-seat",
        include_str!("../../scenarios/go-to-through-the-seat.toml"),
    ),
    ("carry-lift", include_str!("../../scenarios/carry-lift.toml")),
    ("wrong-lever", include_str!("../../scenarios/wrong-lever.toml")),
    (
        "stuck-open-valve",
        include_str!("../../scenarios/stuck-open-valve.toml"),
    ),
    ("lost-radio-link", include_str!("../../scenarios/lost-radio-link.toml")),
    (
        "broken-sensor-wire",
        include_str!("../../scenarios/broken-sensor-wire.toml"),
    ),
    (
        "stop-in-mid-swing",
        include_str!("../../scenarios/stop-in-mid-swing.toml"),
    ),
    ("burst-hose", include_str!("../../scenarios/burst-hose.toml")),
    (
        "hot-oil-on-a-slope",
        include_str!("../../scenarios/hot-oil-on-a-slope.toml"),
    ),
];

/// One thing to rehearse. Axes and arms are numbers of the machine's own lists; SI throughout.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// What it is called.
    pub name: String,
    /// What it was read from: the name of a built-in one, or a path.
    pub source: String,
    /// What happens in it, in a few plain words.
    pub about: String,
    /// The machine.
    pub machine: Arc<Description>,
    /// What that was read from: the name of a built-in one, or a path.
    pub machine_file: String,
    /// How long it lasts, s.
    pub length: f64,
    /// The station in charge.
    pub station: Station,
    /// What the levers mean.
    pub mode: Mode,
    /// Joint angle of each axis at the start, rad.
    pub start: Vec<f64>,
    /// How the ground slopes: nose up, then left side up about the machine's own long axis, rad.
    pub slope: [f64; 2],
    /// Temperature of the oil, °C. None: the machine's working temperature.
    pub oil: Option<f64>,
    /// What hangs on the arms.
    pub payloads: Vec<Load>,
    /// What the hands do, in order of time.
    pub hands: Vec<Hand>,
    /// Hands that see where the arms are and push where that is worst, in place of all the others. They never reset anything.
    pub hostile: Option<Strategy>,
    /// What goes wrong, in order of time.
    pub faults: Vec<Fault>,
    /// What must hold.
    pub expect: Expect,
}

/// A mass held at the tip of an arm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// The arm.
    pub arm: usize,
    /// Its mass, kg.
    pub mass: f64,
    /// When it is picked up, s.
    pub from: f64,
    /// When it is dropped, s. None: never.
    pub until: Option<f64>,
}

/// From a time on, a hand does something and goes on doing it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hand {
    /// When, s.
    pub at: f64,
    /// What.
    pub act: Act,
}

/// What a hand can do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Act {
    /// Presses or lets go of the enabling switch.
    Enable(bool),
    /// Presses or lets go of the reset button.
    Reset(bool),
    /// Lets go of every lever.
    Neutral,
    /// Moves every lever of the station to these deflections at once, by their numbers, -1 to 1.
    Levers([f64; LEVERS_MAX]),
    /// Chooses what the levers mean.
    Mode(Mode),
    /// Chooses the frame in which the levers move a tip.
    Frame(Frame),
    /// Switches slow mode on or off. What the other acts ask for is then slowed too.
    Slow(bool),
    /// Moves the levers of an arm so that its tip is asked to go at this velocity, m/s, and to turn at these rates, rad/s.
    Tip {
        /// The arm.
        arm: usize,
        /// Forward, left, up, m/s.
        velocity: [f64; 3],
        /// Pitch, roll, yaw, rad/s.
        turning: [f64; 3],
    },
    /// Gives an order to bring a tip somewhere on a straight line, until the levers are let go of or another is given.
    GoTo {
        /// The arm.
        arm: usize,
        /// Where to, m.
        to: Target,
        /// In which frame that is told.
        frame: Frame,
        /// How fast at most, m/s.
        speed: f64,
    },
    /// Moves the levers of an arm so that its tip is asked to draw an upright circle: forward first, then up, back and down to
    /// where it began, with a smooth start and end.
    Circle {
        /// The arm.
        arm: usize,
        /// Radius, m.
        radius: f64,
        /// Speed once under way, m/s.
        speed: f64,
    },
    /// Moves the lever of an axis to this deflection, -1 to 1.
    Lever {
        /// The axis.
        axis: usize,
        /// Deflection.
        share: f64,
    },
}

/// Where a tip is ordered to go.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Target {
    /// To this place, m.
    At([f64; 3]),
    /// By so much, m.
    By([f64; 3]),
}

/// What must hold for a rehearsal to pass. Every arm part keeping out of every zone is always expected.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Expect {
    /// The name of the cause (or of the guard's holding back) that must be logged first after the fault.
    pub cause: Option<String>,
    /// The axis that must be named with it.
    pub axis: Option<usize>,
    /// Longest time from fault to its being noticed, s.
    pub noticed: Option<f64>,
    /// Longest time from fault to everything being at rest, s.
    pub stopped: Option<f64>,
    /// Furthest a tip may move on after the fault, m.
    pub travel: Option<f64>,
    /// Nearest that any arm part may come to a zone, m.
    pub clearance: Option<f64>,
    /// Largest distance of a tip from the straight line asked for, m.
    pub off_line: Option<f64>,
    /// Least way of a tip along the line asked for, m.
    pub along_line: Option<f64>,
    /// Largest change of the tips' places to one another while they carry, m.
    pub apart: Option<f64>,
    /// What must be in the way of a go-to, so that it is refused: its name.
    pub refused: Option<String>,
    /// The state of the interlock at the end.
    pub state: Option<bellcrank_core::supervise::State>,
}

impl Scenario {
    /// One in which nothing happens yet: level, unloaded, every axis in the middle of its range, the seat in charge of single joints.
    pub fn idle(name: &str, machine: Arc<Description>, machine_file: String, length: f64) -> Self {
        let middle = |range: (f64, f64)| f64::midpoint(range.0, range.1);
        Self {
            name: name.to_owned(),
            source: String::new(),
            about: String::new(),
            start: machine.axes.iter().map(|axis| middle(axis.joint.range)).collect(),
            machine,
            machine_file,
            length,
            station: Station::Seat,
            mode: Mode::Joint,
            slope: [0.0; 2],
            oil: None,
            payloads: Vec::new(),
            hands: Vec::new(),
            hostile: None,
            faults: Vec::new(),
            expect: Expect::default(),
        }
    }

    /// The faults that are on at time `t`, s.
    pub fn active(&self, t: f64) -> impl Iterator<Item = FaultKind> + use<'_> {
        let on = move |fault: &&Fault| fault.on(t);
        self.faults.iter().filter(on).map(|fault| fault.kind)
    }

    /// Whether something goes wrong in it, and when first.
    pub fn first_fault(&self) -> Option<f64> {
        self.faults.first().map(|fault| fault.at)
    }

    /// The line that a tip is asked to follow: the first tip command or order, with when it begins and when it ends. None where it is told
    /// in the frame of the tip itself, which turns on the way.
    pub fn line(&self) -> Option<Line> {
        let mut frame = Frame::Machine;
        let (index, start, arm, toward, frame) = self.hands.iter().enumerate().find_map(|(index, hand)| {
            let (arm, toward, frame) = match hand.act {
                Act::Frame(chosen) => {
                    frame = chosen;
                    return None;
                }
                Act::Tip { arm, velocity, .. } if velocity != [0.0; 3] => (arm, Target::By(velocity), frame),
                Act::GoTo { arm, to, frame, .. } => (arm, to, frame),
                _ => return None,
            };
            Some((index, hand.at, arm, toward, frame))
        })?;
        let seat = self.machine.seat;
        let turned = |v: [f64; 3]| Rotation3::from_axis_angle(&Vector3::z_axis(), seat.yaw) * Vector3::from(v);
        let toward = match (frame, toward) {
            (Frame::Machine, toward) => toward,
            (Frame::Seat, Target::By(v)) => Target::By(turned(v).into()),
            (Frame::Seat, Target::At(place)) => Target::At((seat.position + turned(place)).into()),
            (Frame::Tool, _) => return None,
        };
        let ends = |act: &Act| {
            matches!(
                act,
                Act::Neutral | Act::Levers(_) | Act::Tip { .. } | Act::GoTo { .. } | Act::Enable(false)
            )
        };
        let end = self.hands[index + 1..]
            .iter()
            .find(|hand| ends(&hand.act))
            .map_or(self.length, |hand| hand.at);
        Some(Line {
            arm,
            toward,
            start,
            end,
        })
    }
}

/// A straight line that a tip is asked to follow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// The arm.
    pub arm: usize,
    /// Where it leads, in the machine frame: along a velocity or a way, or to a place.
    pub toward: Target,
    /// When the lever is moved or the order given, s.
    pub start: f64,
    /// When it is let go, s.
    pub end: f64,
}

/// The built-in scenario of that name.
pub fn builtin(name: &str) -> Option<&'static str> {
    document::builtin(name, &BUILTIN)
}

/// The folder in which a scenario file's own relative paths start.
fn folder(path: &Path) -> PathBuf {
    path.parent().map_or_else(PathBuf::new, Path::to_path_buf)
}
