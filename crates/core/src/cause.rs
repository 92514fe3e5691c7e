//! Why a machine is stopped: the causes, and what each leads to.

use core::fmt;

/// How motion is ended (stop categories as IEC 60204-1 names them).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Category {
    /// Power off at once.
    Zero,
    /// Ramp down under control, then power off.
    One,
}

/// Why the machine was stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[repr(u8)]
pub enum Cause {
    /// A stop button on the machine, or its wiring, is open.
    StopButton,
    /// The stop button of a hand control.
    HandStop,
    /// The two channels of the stop chain differed for too long.
    StopDiscrepancy,
    /// When the stop chain was last opened, one of its channels never opened.
    StopStuck,
    /// No fresh frame from the station in charge, or from one that must always be heard.
    LinkLost,
    /// A tick came late.
    TickLate,
    /// A tick came too soon after the last, or time did not move forward.
    TickEarly,
    /// A stage was left out, out of turn, or worked on what an earlier tick left.
    StageOrder,
    /// The voltage that feeds the controller is missing or outside its band.
    Supply,
    /// The relay of the valves' power is not where it was told to be.
    PowerRelay,
    /// The relay of the dump valve is not where it was told to be.
    DumpRelay,
    /// The relay of the engine is not where it was told to be.
    EngineRelay,
    /// No reading, or below its credible band: broken wire.
    SensorLow,
    /// Above its credible band: short to supply.
    SensorHigh,
    /// The reading changed faster than the axis can move.
    SensorJump,
    /// The voltage that feeds a sensor is missing or outside its band.
    Excitation,
    /// The newest reading is too old.
    SensorStale,
    /// The two sensors of an axis lie too far apart.
    SensorsDiffer,
    /// The second sensor of an axis cannot be believed: nothing confirms the first.
    TwinLost,
    /// The reading did not change at all while motion was asked for.
    SensorFrozen,
    /// The linkage cannot be where the sensor says it is.
    OffLinkage,
    /// Motion not asked for.
    MotionUnasked,
    /// No motion when asked.
    NoMotion,
    /// Motion the wrong way.
    WrongWay,
    /// Too far from where it was asked to be.
    Following,
    /// A stage made a duty, current or voltage that is none.
    BadDuty,
}

impl Cause {
    /// All causes, in the order of their numbers.
    pub const ALL: [Self; 26] = [
        Self::StopButton,
        Self::HandStop,
        Self::StopDiscrepancy,
        Self::StopStuck,
        Self::LinkLost,
        Self::TickLate,
        Self::TickEarly,
        Self::StageOrder,
        Self::Supply,
        Self::PowerRelay,
        Self::DumpRelay,
        Self::EngineRelay,
        Self::SensorLow,
        Self::SensorHigh,
        Self::SensorJump,
        Self::Excitation,
        Self::SensorStale,
        Self::SensorsDiffer,
        Self::TwinLost,
        Self::SensorFrozen,
        Self::OffLinkage,
        Self::MotionUnasked,
        Self::NoMotion,
        Self::WrongWay,
        Self::Following,
        Self::BadDuty,
    ];

    /// How it ends motion. Category 0 where the axis or the controller can no longer be trusted to ramp down.
    pub const fn category(self) -> Category {
        match self {
            Self::LinkLost
            | Self::SensorLow
            | Self::SensorHigh
            | Self::SensorJump
            | Self::Excitation
            | Self::SensorStale
            | Self::SensorsDiffer
            | Self::TwinLost
            | Self::SensorFrozen
            | Self::OffLinkage
            | Self::NoMotion => Category::One,
            Self::StopButton
            | Self::HandStop
            | Self::StopDiscrepancy
            | Self::StopStuck
            | Self::TickLate
            | Self::TickEarly
            | Self::StageOrder
            | Self::Supply
            | Self::PowerRelay
            | Self::DumpRelay
            | Self::EngineRelay
            | Self::MotionUnasked
            | Self::WrongWay
            | Self::Following
            | Self::BadDuty => Category::Zero,
        }
    }

    /// Something is broken, rather than somebody asking for a stop or a station out of reach.
    pub const fn is_fault(self) -> bool {
        !matches!(self, Self::StopButton | Self::HandStop | Self::LinkLost)
    }

    /// It is what lies behind `other`, which showed first: channels that differ begin as a stop.
    pub const fn explains(self, other: Self) -> bool {
        matches!(
            (self, other),
            (Self::StopDiscrepancy | Self::StopStuck, Self::StopButton)
        )
    }

    /// The name in logs and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::StopButton => "stop button",
            Self::HandStop => "hand control's stop button",
            Self::StopDiscrepancy => "stop channels differ",
            Self::StopStuck => "stop channel did not open",
            Self::LinkLost => "link lost",
            Self::TickLate => "tick late",
            Self::TickEarly => "tick early",
            Self::StageOrder => "stage out of order",
            Self::Supply => "control voltage out of its band",
            Self::PowerRelay => "valve power relay not as told",
            Self::DumpRelay => "dump valve relay not as told",
            Self::EngineRelay => "engine relay not as told",
            Self::SensorLow => "sensor below its band",
            Self::SensorHigh => "sensor above its band",
            Self::SensorJump => "sensor jumped",
            Self::Excitation => "sensor supply out of its band",
            Self::SensorStale => "sensor reading too old",
            Self::SensorsDiffer => "sensors differ",
            Self::TwinLost => "second sensor lost",
            Self::SensorFrozen => "sensor frozen",
            Self::OffLinkage => "reading off the linkage",
            Self::MotionUnasked => "motion not asked for",
            Self::NoMotion => "no motion when asked",
            Self::WrongWay => "motion the wrong way",
            Self::Following => "following error",
            Self::BadDuty => "unusable valve signal",
        }
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use std::string::ToString;

    use super::*;

    #[test]
    fn each_cause_has_a_name_of_its_own() {
        let names: std::collections::BTreeSet<_> = Cause::ALL.iter().map(ToString::to_string).collect();
        assert_eq!(names.len(), Cause::ALL.len());
        assert!(Cause::ALL.iter().all(|cause| cause.to_string() == cause.name()));
    }
}
