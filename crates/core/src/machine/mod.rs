//! The machine as the core knows it: made once, checked once, never changed.
//!
//! Everything a stage needs to know about the iron stands here; everything it remembers stands in the stage. [`Machine::new`]
//! is the door: it refuses what would make a later stage divide by zero, index nothing or take NaN for a number. Whether the
//! numbers describe a sensible machine (linkages that close, pins that fit) is checked on the host, by `bellcrank-machine`.

mod arm;
mod axis;
mod channel;
mod footing;
mod ids;
#[cfg(feature = "image")]
pub mod image;
mod sensor;
mod whole;
mod zone;

use heapless::Vec;

use crate::units::SMALLEST_DIVISOR;

pub use arm::{Arm, Cylinder, Joint, JointAxis, Rocker, Rod};
pub use axis::{Axis, CURVE_POINTS_MAX, Dither, EachWay, Tracking, ValveCurve, Watch};
pub use channel::{Channel, Coils, Pwm, Voltage};
pub use footing::{CORNERS_MAX, Edge, Footing};
pub use ids::{ARMS_MAX, AXES_MAX, AxisId, JOINTS_MAX, LEVERS_MAX, NoSuchAxis, PerAxis, TIP_LEVERS_MAX, ZONES_MAX};
pub use sensor::{Calibration, POINTS_MAX, Signal, Twin};
pub use whole::{SeatPlace, StationLimits, Timing};
pub use zone::{Carried, Shape, Spares, Zone};

/// What [`Machine::new`] checks and keeps. By default there is nothing, which is no machine.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Parts {
    /// Axes in the order of their output channels.
    pub axes: Vec<Axis, AXES_MAX>,
    /// Arms.
    pub arms: Vec<Arm, ARMS_MAX>,
    /// Keep-out zones.
    pub zones: Vec<Zone, ZONES_MAX>,
    /// Distance that the arms keep from each other, m.
    pub arm_margin: f32,
    /// What the arms stand on; none where nobody has said.
    pub footing: Option<Footing>,
    /// Greatest tip speed while the machine is being commissioned, m/s; none where it is not reduced.
    pub commissioning_speed: Option<f32>,
    /// Least and greatest voltage at which the controller and what it switches are sure to work, V; none where it is not read.
    pub control_supply: Option<(f32, f32)>,
    /// Times.
    pub timing: Timing,
    /// The station at the seat.
    pub seat: StationLimits,
    /// The wireless station.
    pub remote: Option<StationLimits>,
    /// Where the seat looks, for whoever moves a tip from it.
    pub seat_place: SeatPlace,
    /// Flow of the pump, m³/s.
    pub pump_flow: f32,
    /// Flow of a second pump for axes of its own, m³/s. 0 where there is none.
    pub second_pump_flow: f32,
}

impl Parts {
    /// Finds the first number that a stage could not work with.
    fn check(&self) -> Result<(), MachineError> {
        for (id, axis) in AxisId::all().zip(&self.axes) {
            axis.check().map_err(|field| MachineError::Axis(id, field))?;
        }
        for (index, arm) in self.arms.iter().enumerate() {
            arm.check(self.axes.len())
                .map_err(|field| MachineError::Arm(index, field))?;
        }
        for (index, zone) in self.zones.iter().enumerate() {
            zone.check(&self.arms)
                .map_err(|field| MachineError::Zone(index, field))?;
        }
        check(self.timing.usable(), Field::Timing).map_err(MachineError::Whole)?;
        check(
            self.seat.usable() && self.remote.is_none_or(|station| station.usable()),
            Field::Station,
        )
        .map_err(MachineError::Whole)?;
        check(self.footing.as_ref().is_none_or(Footing::usable), Field::Footing).map_err(MachineError::Whole)?;
        check(self.commissioning_speed.is_none_or(positive), Field::TipSpeed).map_err(MachineError::Whole)?;
        let band = |(low, high): (f32, f32)| positive(low) && positive(high) && low < high;
        check(self.control_supply.is_none_or(band), Field::ControlSupply).map_err(MachineError::Whole)?;
        check(not_negative(self.arm_margin), Field::Margin).map_err(MachineError::Whole)?;
        check(self.seat_place.usable(), Field::SeatPlace).map_err(MachineError::Whole)?;
        let feeds_some = self.axes.iter().any(|axis| axis.second_pump);
        let flows = positive(self.pump_flow) && (positive(self.second_pump_flow) || !feeds_some);
        check(flows, Field::PumpFlow).map_err(MachineError::Whole)?;
        Ok(())
    }
}

/// A machine whose numbers have been checked.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Machine(Parts);

/// What is wrong with the parts of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum MachineError {
    /// A number of an axis is not finite or outside what makes sense.
    Axis(AxisId, Field),
    /// A number of an arm is.
    Arm(usize, Field),
    /// A number of a zone is.
    Zone(usize, Field),
    /// A number of the whole machine is.
    Whole(Field),
}

/// The field that a [`MachineError`] means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[allow(missing_docs, reason = "each is the name of the field above")]
pub enum Field {
    Linkage,
    Stroke,
    Sensor,
    Valve,
    Area,
    Channel,
    Tracking,
    Watch,
    Lever,
    Base,
    Joints,
    PitchJoint,
    Grip,
    TipSpeed,
    Shape,
    Carried,
    Margin,
    ControlSupply,
    Timing,
    Station,
    SeatPlace,
    PumpFlow,
    Mass,
    Footing,
}

impl core::fmt::Display for MachineError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Axis(id, field) => write!(f, "axis {}: {field:?} is not usable", id.index()),
            Self::Arm(index, field) => write!(f, "arm {index}: {field:?} is not usable"),
            Self::Zone(index, field) => write!(f, "zone {index}: {field:?} is not usable"),
            Self::Whole(field) => write!(f, "{field:?} is not usable"),
        }
    }
}

impl core::error::Error for MachineError {}

impl Machine {
    /// Checks the parts.
    ///
    /// # Errors
    /// The first number that a stage could not work with.
    pub fn new(parts: Parts) -> Result<Self, MachineError> {
        parts.check()?;
        Ok(Self(parts))
    }

    /// Its axes with their numbers.
    pub fn axes(&self) -> impl Iterator<Item = (AxisId, &Axis)> {
        AxisId::all().zip(&self.0.axes)
    }

    /// One axis, if the machine has it.
    pub fn axis(&self, id: AxisId) -> Option<&Axis> {
        self.0.axes.get(id.index())
    }

    /// Its arms.
    pub fn arms(&self) -> &[Arm] {
        &self.0.arms
    }

    /// Its keep-out zones.
    pub fn zones(&self) -> &[Zone] {
        &self.0.zones
    }

    /// Distance that its arms keep from each other, m.
    pub fn arm_margin(&self) -> f32 {
        self.0.arm_margin
    }

    /// What its arms stand on.
    pub fn footing(&self) -> Option<&Footing> {
        self.0.footing.as_ref()
    }

    /// Greatest tip speed while it is being commissioned, m/s.
    pub fn commissioning_speed(&self) -> Option<f32> {
        self.0.commissioning_speed
    }

    /// Least and greatest voltage that may feed the controller, V.
    pub fn control_supply(&self) -> Option<(f32, f32)> {
        self.0.control_supply
    }

    /// Its times.
    pub fn timing(&self) -> &Timing {
        &self.0.timing
    }

    /// The station at the seat.
    pub fn seat(&self) -> StationLimits {
        self.0.seat
    }

    /// The wireless station.
    pub fn remote(&self) -> Option<StationLimits> {
        self.0.remote
    }

    /// Where the seat is and where it looks.
    pub fn seat_place(&self) -> &SeatPlace {
        &self.0.seat_place
    }

    /// Flow of the first or the second pump, m³/s.
    pub fn pump_flow(&self, second: bool) -> f32 {
        if second {
            self.0.second_pump_flow
        } else {
            self.0.pump_flow
        }
    }
}

fn is_lever(lever: u8) -> bool {
    usize::from(lever) < LEVERS_MAX
}

fn check(holds: bool, field: Field) -> Result<(), Field> {
    if holds { Ok(()) } else { Err(field) }
}

fn finite(numbers: &[f32]) -> bool {
    numbers.iter().all(|number| number.is_finite())
}

/// Finite and not below zero.
fn not_negative(number: f32) -> bool {
    number.is_finite() && number >= 0.0
}

/// Finite and above zero, with room to divide by it.
fn positive(number: f32) -> bool {
    number.is_finite() && number > SMALLEST_DIVISOR
}
