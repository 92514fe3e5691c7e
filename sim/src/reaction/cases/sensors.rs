//! Cases of the sensors of one axis.

use bellcrank_core::cause::Cause;
use bellcrank_machine::description::{self, Linkage, Sensor, Signal, Twin};
use bellcrank_machine::geometry::Geometry;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::{OF_MOTION, PLAIN, either_way, is_asked, settled, to_the_middle};
use crate::reaction::case::{Case, Made, Shows, Work};
use crate::reaction::trial::Trial;
use crate::scenario::FaultKind;
use crate::wiring::sensor::span;

pub const CASES: &[Case] = &[
    Case {
        cause: Cause::SensorLow,
        fault: "signal wire open",
        make: |trial, _| vec![(FaultKind::SensorOpen { axis: trial.axis }, None)],
        ..OF_SENSOR
    },
    Case {
        cause: Cause::SensorHigh,
        fault: "signal wire touches the supply",
        make: |trial, _| vec![(FaultKind::SensorShort { axis: trial.axis }, None)],
        ..OF_SENSOR
    },
    Case {
        cause: Cause::SensorJump,
        fault: "reading steps by more than jump_ allows within the budget",
        make: jump,
        instead: &[
            (Cause::SensorLow, "the step leads below the band"),
            (Cause::SensorHigh, "the step leads above the band"),
        ],
        ..OF_SENSOR
    },
    Case {
        cause: Cause::Excitation,
        fault: "supply of the sensor sags",
        on: Some(|axis| fed(axis).is_some()),
        make: |trial, rng| {
            let (low, _) = fed(trial.described()).unwrap_or_default();
            let to = rng.random_range(0.0..0.98) * low;
            vec![(FaultKind::ExcitationSag { axis: trial.axis, to }, None)]
        },
        ..OF_SENSOR
    },
    Case {
        cause: Cause::SensorStale,
        fault: "no new reading",
        budget: "stale_ms, a reading, a tick",
        make: |trial, _| vec![(FaultKind::SensorStale { axis: trial.axis }, None)],
        within: |trial| trial.watch().stale + fresh(trial) + trial.timing().tick,
        ..OF_SENSOR
    },
    Case {
        cause: Cause::SensorsDiffer,
        fault: "second sensor drifts",
        from: "it is differ_mm and four times the noise off",
        budget: "differ_ms, a reading, a tick",
        on: Some(|axis| axis.twin.is_some()),
        hidden_at_most: 0.5,
        make: |trial, rng| {
            let (limit, span) = twin(trial).map_or((0.0, 1.0), |twin| (twin.limit, span(&twin.sensor)));
            let rate = limit / span / rng.random_range(0.02..0.4);
            vec![(
                FaultKind::TwinDrift {
                    axis: trial.axis,
                    rate: either_way(rng) * rate,
                },
                None,
            )]
        },
        shows: Shows::At(|trial| match (trial.fault().kind, twin(trial)) {
            (FaultKind::TwinDrift { rate, .. }, Some(twin)) => {
                let noise = CLEAR_OF_NOISE * std::f64::consts::SQRT_2 * noise_stroke(&twin.sensor);
                Some(trial.fault_at + (twin.limit + noise) / (rate.abs() * span(&twin.sensor)))
            }
            _ => None,
        }),
        within: |trial| twin(trial).map_or(0.0, |twin| twin.confirm) + fresh(trial) + trial.timing().tick,
        ..OF_SENSOR
    },
    Case {
        cause: Cause::TwinLost,
        fault: "signal wire of the second sensor open",
        on: Some(|axis| axis.twin.is_some()),
        make: |trial, _| vec![(FaultKind::TwinOpen { axis: trial.axis }, None)],
        ..OF_SENSOR
    },
    Case {
        cause: Cause::SensorFrozen,
        fault: "reading stays what it is",
        from: "the fault, or when motion is asked for after it",
        budget: "no_motion_ms, the filter, a tick",
        make: |trial, _| vec![(FaultKind::SensorStuck { axis: trial.axis }, None)],
        shows: Shows::Once(is_asked, |_, _| true),
        within: |trial| trial.watch().no_motion + settled(trial) + trial.timing().tick,
        instead: &[
            (Cause::SensorsDiffer, "the second sensor goes on"),
            (Cause::Following, "following_ is used up before no_motion_ms"),
        ],
        ..OF_MOTION
    },
    Case {
        cause: Cause::OffLinkage,
        fault: "a longer sensor slips to a stroke that the linkage cannot have",
        from: "its reading is there",
        budget: "confirm_ms, the filter, a tick",
        work: Work::Resting,
        on: Some(|axis| !matches!(axis.linkage, Linkage::Direct { .. })),
        runs: false,
        hidden_at_most: 0.2,
        make: |trial, _| {
            let rate = off_linkage(trial).map_or(0.0, |way| way / OFF_AFTER_S / span(&trial.described().sensor));
            vec![(FaultKind::SensorSlip { axis: trial.axis, rate }, None)]
        },
        shows: Shows::At(|trial| {
            let way = off_linkage(trial)?;
            let slow = way.abs() / OFF_AFTER_S < NO_JUMP * trial.watch().jump_rate;
            slow.then_some(trial.fault_at + OFF_AFTER_S)
        }),
        within: |trial| trial.watch().sensor_confirm + settled(trial) + trial.timing().tick,
        instead: &[(Cause::MotionUnasked, "unasked_ms is over sooner")],
        fit: |machine| machine.axes.iter_mut().for_each(lengthen),
        ..OF_MOTION
    },
];

/// A case about the sensor of an axis that is driven.
const OF_SENSOR: Case = Case {
    work: Work::Driven,
    on: Some(|_| true),
    budget: "confirm_ms, a reading, a tick",
    within: |trial| trial.watch().sensor_confirm + fresh(trial) + trial.timing().tick,
    ..PLAIN
};

/// So many times the noise of both sensors a difference is never hidden by it.
const CLEAR_OF_NOISE: f64 = 4.0;

/// Time from one reading of the axis's sensor to the next, beyond the tick, s.
fn fresh(trial: &Trial) -> f64 {
    let every = trial.described().sensor.every;
    (every - trial.timing().tick).max(0.0)
}

/// A step that no motion could make, even by the time at which it counts: beyond what `sense` takes for noise (half a per cent of the span), and
/// not so far that the sensor could not read it.
fn jump(trial: &Trial, rng: &mut ChaCha8Rng) -> Made {
    let sensor = &trial.described().sensor;
    let span = span(sensor);
    let least = trial.watch().jump_rate * (OF_SENSOR.within)(trial) / span + 0.005;
    let share = rng.random_range(1.1 * least..(1.2 * least).max(0.4));
    let by = to_the_middle(trial) * share;
    vec![(FaultKind::SensorJump { axis: trial.axis, by }, None)]
}

/// A reading slips off the linkage in this time, s: sooner than it could pass for motion not asked for.
const OFF_AFTER_S: f64 = 0.07;
/// No faster than this share of what would be a jump: the reading is compared with a filtered one, which is behind.
const NO_JUMP: f64 = 0.6;
/// How much further than its axis goes a longer sensor tells, and how much of that is used, share of its span at each end.
const LONGER: f64 = 0.6;
const USED: f64 = 0.25;

/// How far the reading has to slip until the linkage cannot be there, m or rad; the shorter way.
fn off_linkage(trial: &Trial) -> Option<f64> {
    const STEP: f64 = 1e-3;
    let linkage = Geometry::of(trial.described()).ok()?;
    let now = linkage.stroke(trial.scenario.start[trial.axis]).ok()?;
    let span = span(&trial.described().sensor) / (1.0 + 2.0 * LONGER);
    let ways = (1..)
        .map(|step| f64::from(step) * STEP)
        .take_while(|way| *way < USED * span);
    let mut ways = ways.flat_map(|way| [way, -way]);
    ways.find(|way| linkage.angle(now + way).is_err())
}

/// Gives an axis a sensor that tells more than its stroke.
fn lengthen(axis: &mut description::Axis) {
    for sensor in std::iter::once(&mut axis.sensor).chain(axis.twin.iter_mut().map(|twin| &mut twin.sensor)) {
        let middle = sensor.points.iter().map(|point| point.1).sum::<f64>() / sensor.points.len() as f64;
        for point in &mut sensor.points {
            point.1 = middle + (1.0 + 2.0 * LONGER) * (point.1 - middle);
        }
    }
}

/// What an axis's sensors may be fed with, V, where they tell a share of it.
fn fed(axis: &description::Axis) -> Option<(f64, f64)> {
    let band = |sensor: &Sensor| match sensor.signal {
        Signal::Ratiometric { band, .. } => Some(band),
        _ => None,
    };
    band(&axis.sensor)
}

/// RMS noise of a sensor as stroke, m or rad.
fn noise_stroke(sensor: &Sensor) -> f64 {
    sensor.step_stroke() / sensor.step_volts() * sensor.noise
}

fn twin(trial: &Trial) -> Option<&Twin> {
    trial.described().twin.as_ref()
}
