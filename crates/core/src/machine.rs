//! The machine as the core knows it: made once, checked once, never changed.
//!
//! Everything a stage needs to know about the iron stands here; everything it remembers stands in the stage. [`Machine::new`]
//! is the door: it refuses what would make a later stage divide by zero, index nothing or take NaN for a number. Whether the
//! numbers describe a sensible machine (linkages that close, pins that fit) is checked on the host, by `bellcrank-machine`.

// long because the machine's parts and the door that checks them are read together

use heapless::Vec;

use crate::linkage::Linkage;
use crate::units::{Duration, Duty, SMALLEST_DIVISOR};
use crate::vec3::Vec3;

/// Most axes: two arms of seven.
pub const AXES_MAX: usize = 14;
/// Most arms.
pub const ARMS_MAX: usize = 2;
/// Most joints in one arm.
pub const JOINTS_MAX: usize = 7;
/// Most keep-out zones.
pub const ZONES_MAX: usize = 8;
/// Levers (each way of a stick, rockers, rollers) that a hand-control frame carries.
pub const LEVERS_MAX: usize = 16;

/// The number of an axis, always below [`AXES_MAX`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisId(u8);

impl AxisId {
    /// Axis number `index`; none beyond the capacity.
    pub const fn new(index: usize) -> Option<Self> {
        // Below `AXES_MAX` it fits.
        #[allow(clippy::cast_possible_truncation)]
        if index < AXES_MAX {
            Some(Self(index as u8))
        } else {
            None
        }
    }

    /// The number.
    pub const fn index(self) -> usize {
        self.0 as usize
    }

    /// All numbers, in order.
    pub fn all() -> impl Iterator<Item = Self> {
        (0..AXES_MAX).filter_map(Self::new)
    }
}

/// One value for every axis the core has room for.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PerAxis<T>([T; AXES_MAX]);

impl<T: Copy> PerAxis<T> {
    /// The same value everywhere.
    pub const fn all(value: T) -> Self {
        Self([value; AXES_MAX])
    }

    /// The value of an axis.
    pub fn get(&self, id: AxisId) -> T {
        // The fallback is never taken: an `AxisId` is below `AXES_MAX` by construction. It is what keeps this free of panics.
        *self.0.get(id.index()).unwrap_or(&self.0[0])
    }

    /// Sets the value of an axis.
    pub fn set(&mut self, id: AxisId, value: T) {
        if let Some(place) = self.0.get_mut(id.index()) {
            *place = value;
        }
    }

    /// All values, in the order of the axes.
    pub fn iter(&self) -> impl Iterator<Item = (AxisId, T)> + '_ {
        AxisId::all().zip(self.0.iter().copied())
    }

    /// All values for changing, in the order of the axes.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = (AxisId, &mut T)> {
        AxisId::all().zip(self.0.iter_mut())
    }
}

impl<T: Copy + Default> Default for PerAxis<T> {
    fn default() -> Self {
        Self::all(T::default())
    }
}

/// A value for each direction of an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct EachWay {
    /// Extending.
    pub out: f32,
    /// Retracting.
    pub inward: f32,
}

impl EachWay {
    /// The value for the direction of `rate` (extending for zero).
    pub fn toward(self, rate: f32) -> f32 {
        if rate < 0.0 { self.inward } else { self.out }
    }

    fn both(self) -> [f32; 2] {
        [self.out, self.inward]
    }
}

/// Two-point calibration of a length or angle sensor, with the voltages outside which its wiring is broken.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Calibration {
    /// First point: volts, stroke (m or rad).
    pub low: (f32, f32),
    /// Second point.
    pub high: (f32, f32),
    /// Least and greatest credible voltage, V.
    pub fault_volts: (f32, f32),
}

/// What is believed of the valve: share of command at which motion starts, and stroke rate at full command, each way.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ValveCurve {
    /// Command at which motion starts, 0 to below 1.
    pub deadband: EachWay,
    /// Stroke rate at full command, m/s or rad/s.
    pub full_rate: EachWay,
}

/// The PWM channel towards a valve's electronics, as shares of its period.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Channel {
    /// The duty that means "stay".
    pub neutral: f32,
    /// Least legal duty.
    pub low: f32,
    /// Greatest legal duty.
    pub high: f32,
    /// A rising duty retracts instead of extends.
    pub reversed: bool,
}

impl Channel {
    /// The duty that means "stay".
    pub fn stay(&self) -> Duty {
        // Never refused: `Machine::new` has seen to it. Zero duty would be off, which is as safe.
        Duty::new(self.neutral).unwrap_or_default()
    }
}

/// How an axis is driven.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tracking {
    /// Gain on the lag between asked and measured stroke, 1/s.
    pub gain: f32,
    /// Integral time, s; 0 switches it off.
    pub integral_time: f32,
    /// Change of the command from zero to full, 1/s.
    pub ramp_up: f32,
    /// Change of the command from full to zero, 1/s.
    pub ramp_down: f32,
    /// The same in a category 1 stop, 1/s.
    pub stop_ramp: f32,
    /// Deceleration the axis can be trusted to reach, m/s² or rad/s².
    pub braking: f32,
}

/// When an axis is called faulty.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Watch {
    /// A reading that changes faster than this has jumped, m/s.
    pub jump_rate: f32,
    /// How long a bad reading must last to count.
    pub sensor_confirm: Duration,
    /// Stroke rate that counts as motion, m/s.
    pub still_rate: f32,
    /// Time after the command has gone to neutral in which motion is still expected.
    pub settle: Duration,
    /// Time for which motion not asked for must last.
    pub unasked: Duration,
    /// Time for which motion asked for must be missing.
    pub no_motion: Duration,
    /// Time for which motion the wrong way must last.
    pub wrong_way: Duration,
    /// Greatest lag between asked and measured stroke, m.
    pub following: f32,
}

/// One driven joint: linkage, sensor, valve, channel.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Axis {
    /// Stroke to angle and back.
    pub linkage: Linkage,
    /// Least and greatest stroke the core may use, m or rad.
    pub stroke: (f32, f32),
    /// Volts to stroke.
    pub sensor: Calibration,
    /// The valve, as believed.
    pub valve: ValveCurve,
    /// Oil per stroke: m² for a cylinder, m³/rad for a motor.
    pub area: EachWay,
    /// Command to duty.
    pub channel: Channel,
    /// Feedback, ramps, braking.
    pub tracking: Tracking,
    /// Diagnostics.
    pub watch: Watch,
    /// The lever that moves it in joint mode.
    pub lever: Option<u8>,
    /// The second pump feeds it, not the first.
    pub second_pump: bool,
}

/// The direction of a joint's axis in its own frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum JointAxis {
    /// About x.
    X,
    /// About y.
    Y,
    /// About z.
    Z,
}

/// A joint of an arm and the link it carries.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Joint {
    /// Which axis turns it.
    pub axis: AxisId,
    /// About what it turns.
    pub about: JointAxis,
    /// To the next joint or the tip, in the joint's frame, m.
    pub link: Vec3,
    /// Radius of the link's keep-out capsule, m.
    pub radius: f32,
}

/// A serial chain of joints with a tip.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Arm {
    /// Where the first joint sits in the machine frame, m.
    pub base: Vec3,
    /// From base to tip.
    pub joints: Vec<Joint, JOINTS_MAX>,
    /// The joint, counted from the base, about whose axis the tip pitches.
    pub pitch_joint: u8,
    /// An axis carried at the tip (a grip): joint mode always, whatever the mode of the arm.
    pub grip: Option<AxisId>,
    /// Tip speed at full lever, m/s.
    pub tip_speed: f32,
    /// Tip pitch rate at full lever, rad/s.
    pub pitch_rate: f32,
    /// Time from rest to full tip speed and back, s.
    pub tip_ramp: f32,
    /// Deceleration of the tip that can be trusted before a zone, m/s².
    pub tip_braking: f32,
    /// Levers for forward, left, up and pitch.
    pub levers: [u8; 4],
}

/// A box fixed to the machine that no arm part may enter.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Zone {
    /// Least coordinates, m.
    pub min: Vec3,
    /// Greatest coordinates, m.
    pub max: Vec3,
    /// Distance to keep, m.
    pub margin: f32,
}

/// Times that the core keeps.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Timing {
    /// Period of the loop.
    pub tick: Duration,
    /// A longer gap between two ticks is a fault.
    pub tick_late: Duration,
    /// Longest the two stop channels may differ.
    pub stop_discrepancy: Duration,
    /// Time a switch must hold a level.
    pub debounce: Duration,
    /// Longest a stop may ramp before power is cut regardless.
    pub stop_budget: Duration,
    /// From a command to the motion it causes: what the guard allows for before braking bites.
    pub reaction: Duration,
}

/// A hand-control station.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StationLimits {
    /// A frame older than this is a lost link.
    pub frame_late: Duration,
    /// Share of full speed allowed.
    pub speed_cap: f32,
    /// Deflection below which a lever is neutral.
    pub dead_zone: f32,
}

/// What [`Machine::new`] checks and keeps.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Parts {
    /// Axes in the order of their output channels.
    pub axes: Vec<Axis, AXES_MAX>,
    /// Arms.
    pub arms: Vec<Arm, ARMS_MAX>,
    /// Keep-out zones.
    pub zones: Vec<Zone, ZONES_MAX>,
    /// Times.
    pub timing: Timing,
    /// The station at the seat.
    pub seat: StationLimits,
    /// The wireless station.
    pub remote: Option<StationLimits>,
    /// Flow of the pump, m³/s.
    pub pump_flow: f32,
    /// Flow of a second pump for axes of its own, m³/s. 0 where there is none.
    pub second_pump_flow: f32,
}

/// A machine whose numbers have been checked.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Machine(Parts);

/// What is wrong with the parts of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
    Box,
    Margin,
    Timing,
    Station,
    PumpFlow,
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
        for (id, axis) in AxisId::all().zip(&parts.axes) {
            axis.check().map_err(|field| MachineError::Axis(id, field))?;
        }
        for (index, arm) in parts.arms.iter().enumerate() {
            arm.check(parts.axes.len())
                .map_err(|field| MachineError::Arm(index, field))?;
        }
        for (index, zone) in parts.zones.iter().enumerate() {
            zone.check().map_err(|field| MachineError::Zone(index, field))?;
        }
        check(parts.timing.usable(), Field::Timing).map_err(MachineError::Whole)?;
        check(
            parts.seat.usable() && parts.remote.is_none_or(|station| station.usable()),
            Field::Station,
        )
        .map_err(MachineError::Whole)?;
        let feeds_some = parts.axes.iter().any(|axis| axis.second_pump);
        let flows = positive(parts.pump_flow) && (positive(parts.second_pump_flow) || !feeds_some);
        check(flows, Field::PumpFlow).map_err(MachineError::Whole)?;
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

    /// Flow of the first or the second pump, m³/s.
    pub fn pump_flow(&self, second: bool) -> f32 {
        if second {
            self.0.second_pump_flow
        } else {
            self.0.pump_flow
        }
    }
}

impl Axis {
    fn check(&self) -> Result<(), Field> {
        let Calibration { low, high, fault_volts } = self.sensor;
        check(self.linkage.usable(), Field::Linkage)?;
        check(
            finite(&[self.stroke.0, self.stroke.1]) && self.stroke.0 < self.stroke.1,
            Field::Stroke,
        )?;
        check(
            finite(&[low.0, low.1, high.0, high.1, fault_volts.0, fault_volts.1])
                && low.0 < high.0
                && fault_volts.0 < low.0
                && high.0 < fault_volts.1,
            Field::Sensor,
        )?;
        check(
            self.valve
                .deadband
                .both()
                .iter()
                .all(|share| finite(&[*share]) && *share >= 0.0 && *share < 1.0)
                && self.valve.full_rate.both().iter().all(|rate| positive(*rate)),
            Field::Valve,
        )?;
        check(self.area.both().iter().all(|area| positive(*area)), Field::Area)?;
        let Channel { neutral, low, high, .. } = self.channel;
        check(
            finite(&[low, neutral, high]) && 0.0 <= low && low < neutral && neutral < high && high <= 1.0,
            Field::Channel,
        )?;
        let Tracking {
            gain,
            integral_time,
            ramp_up,
            ramp_down,
            stop_ramp,
            braking,
        } = self.tracking;
        check(
            finite(&[gain, integral_time])
                && gain >= 0.0
                && integral_time >= 0.0
                && [ramp_up, ramp_down, stop_ramp, braking]
                    .iter()
                    .all(|rate| positive(*rate)),
            Field::Tracking,
        )?;
        let Watch {
            jump_rate,
            still_rate,
            following,
            ..
        } = self.watch;
        check(
            [jump_rate, still_rate, following].iter().all(|limit| positive(*limit)),
            Field::Watch,
        )?;
        check(self.lever.is_none_or(is_lever), Field::Lever)
    }
}

impl Arm {
    fn check(&self, axes: usize) -> Result<(), Field> {
        check(finite(&self.base), Field::Base)?;
        check(
            !self.joints.is_empty()
                && self.joints.iter().all(|joint| {
                    joint.axis.index() < axes && finite(&joint.link) && finite(&[joint.radius]) && joint.radius >= 0.0
                }),
            Field::Joints,
        )?;
        check(usize::from(self.pitch_joint) < self.joints.len(), Field::PitchJoint)?;
        check(self.grip.is_none_or(|id| id.index() < axes), Field::Grip)?;
        check(
            [self.tip_speed, self.pitch_rate, self.tip_ramp, self.tip_braking]
                .iter()
                .all(|speed| positive(*speed)),
            Field::TipSpeed,
        )?;
        check(self.levers.iter().all(|lever| is_lever(*lever)), Field::Lever)
    }
}

impl Zone {
    fn check(&self) -> Result<(), Field> {
        check(
            finite(&self.min) && finite(&self.max) && self.min.iter().zip(&self.max).all(|(min, max)| min < max),
            Field::Box,
        )?;
        check(finite(&[self.margin]) && self.margin >= 0.0, Field::Margin)
    }
}

impl Timing {
    fn usable(&self) -> bool {
        !self.tick.is_zero() && self.tick < self.tick_late && !self.stop_budget.is_zero()
    }
}

impl StationLimits {
    fn usable(&self) -> bool {
        !self.frame_late.is_zero()
            && positive(self.speed_cap)
            && self.speed_cap <= 1.0
            && finite(&[self.dead_zone])
            && self.dead_zone >= 0.0
            && self.dead_zone < 1.0
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

/// Finite and above zero, with room to divide by it.
fn positive(number: f32) -> bool {
    number.is_finite() && number > SMALLEST_DIVISOR
}
