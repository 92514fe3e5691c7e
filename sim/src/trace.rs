//! What one rehearsal recorded: samples of everything worth plotting, and every event.

use bellcrank_core::cause::Cause;
use bellcrank_core::last_tick::{Held, Obstacle, Refusal};
use bellcrank_core::supervise::{State, What};
use bellcrank_machine::description::Description;
use nalgebra::Vector3;

/// The record of one rehearsal.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Samples at a steady interval, the first at the start.
    pub samples: Vec<Sample>,
    /// Time between samples, s.
    pub interval: f64,
    /// What the core noticed, in order.
    pub events: Vec<Noticed>,
    /// The least and the greatest over the whole rehearsal, looked for at every tick.
    pub extremes: Extremes,
    /// Digest of all outputs of the core and of the plant's state, tick by tick: two runs with the same digest were the same run.
    pub digest: u64,
}

/// The least and the greatest of a whole rehearsal.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Extremes {
    /// Least clearance to each zone of the machine, m; negative inside. None where no part of an arm has to keep out of it.
    pub zones: Vec<Option<f64>>,
    /// Least distance between the arms, m; negative inside. None where there is one.
    pub between_arms: Option<f64>,
    /// Greatest pressure in either chamber of each axis, Pa.
    pub pressure: Vec<f64>,
}

/// One moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Time, s.
    pub t: f64,
    /// State of the interlock.
    pub state: State,
    /// Each axis.
    pub axes: Vec<AxisSample>,
    /// Each arm.
    pub arms: Vec<ArmSample>,
    /// Pressure in the pressure line, Pa.
    pub supply: f64,
}

/// One axis at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisSample {
    /// True joint angle, rad.
    pub angle: f64,
    /// True stroke, m or rad.
    pub stroke: f64,
    /// True stroke rate, m/s or rad/s.
    pub rate: f64,
    /// Stroke rate asked for, m/s or rad/s.
    pub asked: f64,
    /// How far the stroke is behind what was asked for, as the core counts it, m or rad.
    pub lag: f64,
    /// Opening asked of the valve, -1 to 1.
    pub opening: f64,
    /// What its valve is told: a duty of 0 to 1, the extending coil's current less the retracting one's, A, or a voltage, V.
    pub signal: f64,
    /// True spool position, -1 to 1.
    pub spool: f64,
    /// Pressure of the extending chamber, Pa.
    pub pressure_a: f64,
    /// Pressure of the retracting chamber, Pa.
    pub pressure_b: f64,
}

/// One arm at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct ArmSample {
    /// Its joints and its tip, in the machine frame, m.
    pub points: Vec<Vector3<f64>>,
    /// Where the tip should be by now, had it gone as it was led without lag (see [`crate::tracking`]), m. None while it is not led.
    pub ideal: Option<Vector3<f64>>,
    /// Speed of the tip, m/s.
    pub tip_speed: f64,
    /// Least distance of its nearest part to the nearest zone since the sample before, m; negative inside. None where the machine has no zone.
    pub clearance: Option<f64>,
}

impl ArmSample {
    /// The tip.
    pub fn tip(&self) -> Vector3<f64> {
        self.points.last().copied().unwrap_or_default()
    }
}

/// An event of the core's log, in plain values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noticed {
    /// When, s.
    pub t: f64,
    /// What.
    pub what: What,
    /// The axis it is about.
    pub axis: Option<usize>,
}

/// The name of an event in logs and reports.
pub fn event_name(what: &What) -> String {
    match what {
        What::State(state) => state.to_string(),
        What::Cause(cause) => cause.name().to_string(),
        What::Held(Held::FromZone(_)) => "held back from a zone".to_string(),
        What::Held(Held::FromArm) => "held back from the other arm".to_string(),
        What::Held(Held::FromTipping) => "held back from tipping".to_string(),
        What::Held(Held::FromEnd) => "held back from the end of its range".to_string(),
        What::StationLost(_) => "station lost".to_string(),
        What::Restarted(state) => format!("started anew from {state}"),
        What::RecordLost => "started anew without a record".to_string(),
        What::ResetRefused => "reset refused".to_string(),
        What::EnableRefused => "enable refused".to_string(),
        What::OrderRefused(_) => "go-to refused".to_string(),
    }
}

/// What an obstacle is called that has no name in the machine file.
pub const OUT_OF_REACH: &str = "out of reach";
/// The same for an order that is none.
pub const UNUSABLE: &str = "unusable order";

/// What is in the way of a refused go-to: the name of a zone, of an axis at the end of its range or of another arm, or one of two words.
pub fn obstacle_name(machine: &Description, refusal: &Refusal) -> String {
    let name = match refusal.obstacle {
        Obstacle::Zone(number) => machine.zones.get(usize::from(number)).map(|zone| &zone.name),
        Obstacle::EndOfRange(axis) => machine.axes.get(axis.index()).map(|axis| &axis.name),
        Obstacle::OtherArm => machine
            .arms
            .get(1 - usize::from(refusal.arm).min(1))
            .map(|arm| &arm.name),
        Obstacle::Reach => return OUT_OF_REACH.to_string(),
        Obstacle::Unusable => None,
    };
    name.map_or_else(|| UNUSABLE.to_string(), Clone::clone)
}

/// An event in words, with what it names of the machine.
pub fn event_text(machine: &Description, what: &What) -> String {
    match what {
        What::OrderRefused(refusal) => format!(
            "{}: {}, {} mm along",
            event_name(what),
            obstacle_name(machine, refusal),
            refusal.along_mm
        ),
        _ => event_name(what),
    }
}

impl Noticed {
    /// The cause, if the event is one.
    pub fn cause(&self) -> Option<Cause> {
        match self.what {
            What::Cause(cause) => Some(cause),
            _ => None,
        }
    }
}
