//! All that one tick is told: the time, the sensors, the switches, the hands.

use crate::machine::{LEVERS_MAX, PerAxis};
use crate::math;
use crate::units::{Duration, Instant, Lever, Volts};
use crate::vec3::Vec3;

/// The inputs of one tick. What is missing is `None` or stale by its age; it never looks like good data.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Inputs {
    /// When these inputs were read.
    pub now: Instant,
    /// Length or angle sensor of each axis.
    pub sensors: PerAxis<SensorInput>,
    /// The two channels of the stop chain: true is closed, which is healthy.
    pub stop_chain: [bool; 2],
    /// The feedback contacts of the relays: true is pulled in. Looked at where the machine has them.
    pub relays: Relays,
    /// The voltage that feeds the controller. None where it was not read; looked at where the machine says what it must be.
    pub supply: Option<Volts>,
    /// The reset button on the machine's panel.
    pub reset: bool,
    /// The key on the panel is turned to commissioning.
    pub commissioning: bool,
    /// The station that the selector on the panel points at.
    pub selector: Station,
    /// The station at the seat.
    pub seat: HandFrame,
    /// The wireless station.
    pub remote: HandFrame,
}

/// The three relays, each a path of its own by which motion ends. Without current each of them ends it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Relays {
    /// Power to the valves' electronics.
    pub valve_power: bool,
    /// Current to the dump valve: with it the valve is closed and the supply can build pressure.
    pub dump_closed: bool,
    /// The engine may run.
    pub engine_run: bool,
}

/// What was read at the sensors of one axis, all at the same moment. None where the converter gave no reading, or where the machine
/// has nothing to read.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct SensorInput {
    /// The sensor that the axis is driven by. A current counts as what it makes over its shunt.
    pub signal: Option<Volts>,
    /// The sensor that confirms it.
    pub twin: Option<Volts>,
    /// What feeds them, where they tell a share of it.
    pub excitation: Option<Volts>,
    /// Time since it was read. It grows while nothing newer comes in.
    pub age: Duration,
}

impl Default for SensorInput {
    /// Nothing was read.
    fn default() -> Self {
        None.into()
    }
}

impl From<Option<Volts>> for SensorInput {
    /// One sensor that feeds itself, read just now.
    fn from(signal: Option<Volts>) -> Self {
        Self {
            signal,
            twin: None,
            excitation: None,
            age: Duration::from_ticks(0),
        }
    }
}

/// Who may command the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Station {
    /// The levers at the seat.
    #[default]
    Seat,
    /// The wireless hand control.
    Remote,
}

/// Who is in charge, and for what. It changes hands at standstill alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Authority {
    /// The station that commands.
    pub station: Station,
    /// With the key turned to commissioning: tips go at reduced speed.
    pub commissioning: bool,
}

/// What the levers of an arm mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Mode {
    /// One lever, one cylinder.
    #[default]
    Joint,
    /// The levers move the tips.
    Tip,
    /// The levers of the first arm move what all arms hold between them: their tips keep their places to one another.
    Carry,
}

/// Which way forward, left and up are for the hands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Frame {
    /// Those of the machine.
    #[default]
    Machine,
    /// Those of whoever sits in the seat and looks where it looks.
    Seat,
    /// Those of the tip itself: forward is where it points.
    Tool,
}

/// An order to bring a tip somewhere on a straight line. It is given for as long as it stands in the frames of the station in charge:
/// letting go of it ends the motion, and a new one has another number.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct GoTo {
    /// Tells it from the order before it.
    pub number: u8,
    /// The arm.
    pub arm: u8,
    /// Where to.
    pub to: Target,
    /// The frame of that.
    pub frame: Frame,
    /// How fast at most, m/s, above 0. More than the arm's full tip speed counts as that; the station's cap comes on top.
    pub speed: f32,
}

/// Where a tip is to go, m.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Target {
    /// To a place.
    At(Vec3),
    /// So far from where it is.
    By(Vec3),
}

/// The newest frame of a hand-control station.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct HandFrame {
    /// Time since it was made; none if there never was one.
    pub age: Option<Duration>,
    /// The levers.
    pub levers: [Lever; LEVERS_MAX],
    /// What they mean.
    pub mode: Mode,
    /// In which frame they move a tip.
    pub frame: Frame,
    /// Slow mode: everything at the station's slow share.
    pub slow: bool,
    /// The order that is being given, if one is.
    pub go_to: Option<GoTo>,
    /// The enabling switch is held.
    pub enable: bool,
    /// The station's own stop button is not pressed (true is healthy).
    pub stop_clear: bool,
}

impl Default for HandFrame {
    /// No frame at all: nothing pushed, nothing enabled, stop pressed.
    fn default() -> Self {
        Self {
            age: None,
            levers: [Lever::default(); LEVERS_MAX],
            mode: Mode::Joint,
            frame: Frame::Machine,
            slow: false,
            go_to: None,
            enable: false,
            stop_clear: false,
        }
    }
}

impl Inputs {
    /// The frame of a station.
    pub fn hand(&self, station: Station) -> &HandFrame {
        match station {
            Station::Seat => &self.seat,
            Station::Remote => &self.remote,
        }
    }
}

impl HandFrame {
    /// The deflection of a lever, -1 to 1, with the dead zone taken out so that it starts from zero at its edge.
    pub fn lever(&self, number: u8, dead_zone: f32) -> f32 {
        let share = self.levers.get(usize::from(number)).map_or(0.0, |lever| lever.share());
        let beyond = math::abs(share) - dead_zone;
        if beyond <= 0.0 {
            0.0
        } else {
            // A dead zone is below 1, checked with the machine.
            let shaped = beyond / (1.0 - dead_zone);
            if share < 0.0 { -shaped } else { shaped }
        }
    }

    /// Every lever is within the dead zone, and no order is given.
    pub fn neutral(&self, dead_zone: f32) -> bool {
        self.go_to.is_none()
            && self
                .levers
                .iter()
                .all(|lever| lever.share() >= -dead_zone && lever.share() <= dead_zone)
    }

    /// There is a frame and it is no older than `late`.
    pub fn fresh(&self, late: Duration) -> bool {
        self.age.is_some_and(|age| age <= late)
    }
}
