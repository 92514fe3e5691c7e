//! Cases of the motion of one axis.

use bellcrank_core::cause::Cause;
use rand::RngExt;

use super::super::trial::Trial;
use super::{OF_MOTION, is_asked, settled, to_the_middle};
use crate::reaction::case::{Case, Shows, Work};
use crate::scenario::FaultKind;
use crate::trace::AxisSample;

pub const CASES: &[Case] = &[
    Case {
        cause: Cause::MotionUnasked,
        fault: "valve of an axis at rest goes 30 to 100 % open and sticks",
        from: "the axis moves twice as fast as still_, and then one way",
        budget: "unasked_ms or give_, the filter, a tick",
        work: Work::Resting,
        make: |trial, rng| {
            let opening = to_the_middle(trial) * rng.random_range(0.3..1.0);
            vec![(
                FaultKind::ValveStuckOpen {
                    axis: trial.axis,
                    opening,
                },
                None,
            )]
        },
        shows: Shows::Once(
            |trial, axis| axis.rate.abs() > trial.watch().still_rate,
            |trial, axis| axis.rate.abs() > moves(trial),
        ),
        within: |trial| goes(trial, trial.watch().unasked) + settled(trial) + trial.timing().tick,
        open: Some("the load swings down on its load-holding valve while the spool stays open"),
        ..OF_MOTION
    },
    Case {
        cause: Cause::NoMotion,
        fault: "valve no longer answers",
        from: "the fault, or when motion is asked for after it",
        budget: "settle_ms, twice no_motion_ms, the filter, a tick",
        runs: false,
        make: |trial, _| vec![(FaultKind::ValveDead { axis: trial.axis }, None)],
        shows: Shows::Once(is_asked, |_, _| true),
        // What moved when its valve closed swings on. While it swings its way the count stands still, and that is half of the time at most.
        within: |trial| trial.watch().settle + 2.0 * trial.watch().no_motion + settled(trial) + trial.timing().tick,
        instead: &[(Cause::Following, "following_ is used up before no_motion_ms")],
        ..OF_MOTION
    },
    Case {
        cause: Cause::WrongWay,
        fault: "valve goes the other way than it is told",
        from: "the axis moves against what is asked, twice as fast as still_",
        budget: "wrong_way_ms or give_, the filter, a tick",
        make: |trial, _| vec![(FaultKind::ValveReversed { axis: trial.axis }, None)],
        shows: Shows::Once(
            |trial, axis| is_asked(trial, axis) && -along(axis) > trial.watch().still_rate,
            |trial, axis| -along(axis) > moves(trial),
        ),
        within: |trial| goes(trial, trial.watch().wrong_way) + settled(trial) + trial.timing().tick,
        instead: &[(Cause::Following, "following_ is used up before wrong_way_ms")],
        ..OF_MOTION
    },
    Case {
        cause: Cause::Following,
        fault: "coil moves the spool by only 15 to 25 %",
        from: "the axis is following_ behind",
        budget: "the filter, two ticks",
        runs: false,
        make: |trial, rng| {
            // An axis with its valve all open that still has half of what it is asked for is slow, and not behind.
            let share = rng.random_range(0.15..0.25);
            vec![(
                FaultKind::SpoolWeak {
                    axis: trial.axis,
                    share,
                },
                None,
            )]
        },
        shows: Shows::Behind,
        // It is the lag that the drive had in the tick before.
        within: |trial| settled(trial) + 2.0 * trial.timing().tick,
        instead: &[(Cause::NoMotion, "the valve hardly opens at all")],
        ..OF_MOTION
    },
];

/// An axis that really moves: at twice the rate that counts as still, m/s or rad/s.
fn moves(trial: &Trial) -> f64 {
    2.0 * trial.watch().still_rate
}

/// Motion must last for its time, and lead further than a load moves the axis on its trapped oil.
fn goes(trial: &Trial, time: f64) -> f64 {
    time.max(trial.watch().give / moves(trial))
}

/// Its rate the way it is asked to go, m/s or rad/s.
fn along(axis: &AxisSample) -> f64 {
    axis.rate * axis.asked.signum()
}
