//! How each cause is provoked, from when it can show, and by when it must be noticed. One more cause is one more row.
//!
//! A budget is the machine file's own time for the cause and a tick, since a fault comes between two ticks. Beside that it allows what comes
//! before the core: the time between two frames of a hand control or two readings of a sensor ([`fresh`]), and, where motion is judged,
//! [`settled`]. Nothing here was taken from what was measured.

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::Station;
use bellcrank_core::sense::FILTER_TIME_S;
use bellcrank_machine::description::{self, Description, Linkage, Sensor, Signal, Twin};
use bellcrank_machine::geometry::Geometry;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;

use super::trial::Trial;
use crate::scenario::{FaultKind, Relay};
use crate::trace::{AxisSample, Trace};
use crate::wiring::relays::DROP_OUT_S;
use crate::wiring::sensor::span;
use crate::wiring::{REMOTE_FRAME_S, SEAT_FRAME_S};

/// Motion is missing below this share of what is asked for (`supervise`).
const HARDLY: f64 = 0.1;
/// An axis that goes no faster than twice what is asked of it is not called faster, and when it stops the rate of the sense stage must come down
/// from there to a tenth: of a step `(1 + t/T) exp(-t/T)` is left (its two equal poles), a twentieth after 4.75 of its time constants.
const TIME_CONSTANTS: f64 = 4.75;
/// So many times the noise of both sensors a difference is never hidden by it.
const CLEAR_OF_NOISE: f64 = 4.0;
/// The longest that anything here stays hidden, s.
const HIDDEN_S: f64 = 1.5;

/// What the machine must be doing when the fault comes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Work {
    /// A tip moves.
    Any,
    /// The axis at fault moves as it is asked to, and a tip with it.
    Driven,
    /// The axis at fault is not asked to move, but a tip moves.
    Resting,
}

/// What goes wrong, and for how long, s.
pub type Made = Vec<(FaultKind, Option<f64>)>;

/// From when a fault can show.
#[derive(Clone, Copy)]
pub enum Shows {
    /// From a time on that the trial itself gives, s. None where it cannot.
    At(fn(&Trial) -> Option<f64>),
    /// From when the second holds of the axis for the first time while the first goes on, which it must until it is noticed, or for as long as
    /// that may take.
    Once(fn(&Trial, &AxisSample) -> bool, fn(&Trial, &AxisSample) -> bool),
    /// From when the axis is too far behind where it was asked to be.
    Behind,
}

/// How one cause is provoked and what must come of it.
pub struct Case {
    /// The cause that must be named.
    pub cause: Cause,
    /// What is put in.
    pub fault: &'static str,
    /// From when it can show.
    pub from: &'static str,
    /// The budget in words: numbers of the machine file by their names.
    pub budget: &'static str,
    /// What the machine must be doing.
    pub work: Work,
    /// The axes that it can happen to; None where it is about no axis.
    pub on: Option<fn(&description::Axis) -> bool>,
    /// The axis at fault no longer does as it is told.
    pub runs: bool,
    /// The longest that it may take until it can show, s.
    pub hidden_at_most: f64,
    /// What is put in at once, and how long each lasts, s; to the end where that is not told.
    pub make: fn(&Trial, &mut ChaCha8Rng) -> Made,
    /// From when it can show.
    pub shows: Shows,
    /// By when it must then be noticed, s.
    pub within: fn(&Trial) -> f64,
    /// Causes that may come first in its place, and why that is right.
    pub instead: &'static [(Cause, &'static str)],
    /// What the machine has to be fitted with for it.
    pub fit: fn(&mut Description),
}

impl Case {
    /// It can happen to this axis.
    pub fn applies(&self, axis: &description::Axis) -> bool {
        self.on.is_none_or(|on| on(axis))
    }

    /// When it could show, s, given when it was noticed. None where it has not been able to.
    pub fn shows(&self, trial: &Trial, trace: &Trace, noticed: f64) -> Option<f64> {
        match self.shows {
            Shows::At(at) => at(trial),
            Shows::Once(goes_on, shows) => {
                let within = (self.within)(trial);
                once(trial, trace, noticed, within, |axis| goes_on(trial, axis), |axis| shows(trial, axis))
            }
            Shows::Behind => behind(trial, trace),
        }
    }

    /// The core names an axis with it.
    pub fn names_axis(&self) -> bool {
        self.on.is_some()
    }

    /// What was found may stand for what was expected: a cause that may come first, on the same axis if it names one.
    pub fn stands_for(&self, found: super::Named, expected: super::Named) -> bool {
        let listed = self.instead.iter().any(|(cause, _)| *cause == found.0);
        listed && (found.1.is_none() || found.1 == expected.1)
    }

    /// The machine with what it has to be fitted with.
    pub fn fitted(&self, machine: &Arc<Description>) -> Arc<Description> {
        let mut fitted = Description::clone(machine);
        (self.fit)(&mut fitted);
        Arc::new(fitted)
    }
}

/// What most cases have in common.
const PLAIN: Case = Case {
    cause: Cause::StopButton,
    fault: "",
    from: "the fault",
    budget: "",
    work: Work::Any,
    on: None,
    runs: false,
    hidden_at_most: 0.0,
    make: |_, _| vec![(FaultKind::StopButton, None)],
    shows: Shows::At(|trial| Some(trial.fault_at)),
    within: demand,
    instead: &[],
    fit: |_| {},
};

/// A case about the sensor of an axis that is driven.
const OF_SENSOR: Case = Case {
    work: Work::Driven,
    on: Some(|_| true),
    budget: "confirm_ms, a reading, a tick",
    within: |trial| trial.watch().sensor_confirm + fresh(trial) + trial.timing().tick,
    ..PLAIN
};

/// A case about the motion of an axis that is driven.
const OF_MOTION: Case = Case {
    work: Work::Driven,
    on: Some(|_| true),
    runs: true,
    hidden_at_most: HIDDEN_S,
    ..PLAIN
};

/// It can show once the fault is over.
const AFTER_IT: Shows = Shows::At(|trial| trial.fault().lasts.map(|lasts| trial.fault_at + lasts));

/// A relay that lets go by itself.
const fn lets_go(cause: Cause, make: fn(&Trial, &mut ChaCha8Rng) -> Made) -> Case {
    Case {
        cause,
        fault: "lets go by itself",
        from: "its contact has opened, 10 ms later",
        budget: "relay_ms, a tick",
        make,
        hidden_at_most: DROP_OUT_S,
        shows: Shows::At(|trial| Some(trial.fault_at + DROP_OUT_S)),
        within: |trial| trial.scenario.machine.control.relay.unwrap_or(0.0) + trial.timing().tick,
        ..PLAIN
    }
}

/// A relay that no longer lets go, which shows once it is told to.
const fn is_welded(cause: Cause, make: fn(&Trial, &mut ChaCha8Rng) -> Made) -> Case {
    Case {
        cause,
        fault: "does not let go when a stop button is pressed",
        budget: "stop_pulse_ms, relay_ms, two ticks",
        make,
        // What is told in one tick is looked at in the next.
        within: |trial| {
            demand(trial) + trial.scenario.machine.control.relay.unwrap_or(0.0) + trial.timing().tick
        },
        ..PLAIN
    }
}

/// Every cause that can be provoked, in the order of [`Cause::ALL`].
pub const CASES: &[Case] = &[
    Case {
        fault: "stop button pressed",
        budget: "stop_pulse_ms, a tick",
        ..PLAIN
    },
    Case {
        cause: Cause::HandStop,
        fault: "stop button of a hand control pressed, in charge or not",
        budget: "a frame (10 ms by wire, 20 ms by radio), a tick",
        make: |_, rng| {
            let station = either_station(rng);
            vec![(FaultKind::HandStop { station }, None)]
        },
        within: |trial| {
            let frame = match trial.fault().kind {
                FaultKind::HandStop { station: Station::Seat } => SEAT_FRAME_S,
                _ => REMOTE_FRAME_S,
            };
            frame + trial.timing().tick
        },
        ..PLAIN
    },
    Case {
        cause: Cause::StopDiscrepancy,
        fault: "one channel of the stop chain opens",
        budget: "stop_pulse_ms, stop_discrepancy_ms, a tick",
        make: |_, rng| {
            let channel = rng.random_range(0..2);
            vec![(FaultKind::StopChannelOpen { channel }, None)]
        },
        within: |trial| demand(trial) + trial.timing().stop_discrepancy,
        ..PLAIN
    },
    Case {
        cause: Cause::StopStuck,
        fault: "stop button pressed for a moment, one channel stays closed",
        from: "the button is let go",
        budget: "a tick",
        hidden_at_most: 0.1,
        make: |trial, rng| {
            let channel = rng.random_range(0..2);
            let moment = rng.random_range(0.2..0.9) * trial.timing().stop_discrepancy;
            vec![
                (FaultKind::StopButton, Some(moment)),
                (FaultKind::StopChannelStuck { channel }, None),
            ]
        },
        shows: AFTER_IT,
        within: |trial| trial.timing().tick,
        ..PLAIN
    },
    Case {
        cause: Cause::LinkLost,
        fault: "no more frames from the station in charge",
        budget: "frame_late_ms, a tick",
        make: |trial, _| {
            let station = trial.scenario.station;
            vec![(FaultKind::LinkLost { station }, None)]
        },
        within: |trial| trial.station().frame_late + trial.timing().tick,
        ..PLAIN
    },
    Case {
        cause: Cause::TickLate,
        fault: "the loop stands still for 1.2 to 5 times tick_late_ms",
        from: "the loop runs again",
        budget: "a tick",
        runs: true,
        hidden_at_most: 0.1,
        make: |trial, rng| {
            let gap = rng.random_range(1.2..5.0) * trial.timing().tick_late;
            vec![(FaultKind::LoopHangs, Some(gap))]
        },
        shows: AFTER_IT,
        within: |trial| trial.timing().tick,
        ..PLAIN
    },
    Case {
        cause: Cause::TickEarly,
        fault: "the loop runs twice in a row",
        budget: "a tick, tick_early_ms",
        make: |_, _| vec![(FaultKind::TickEarly, None)],
        within: |trial| trial.timing().tick + trial.timing().tick_early,
        ..PLAIN
    },
    Case {
        cause: Cause::Supply,
        fault: "control voltage sags or surges",
        budget: "debounce_ms, a tick",
        make: |trial, rng| {
            let (low, high) = trial.scenario.machine.control.supply.unwrap_or_default();
            let to = if rng.random_bool(0.5) {
                rng.random_range(0.0..0.98) * low
            } else {
                rng.random_range(1.02..1.5) * high
            };
            vec![(FaultKind::SupplySag { to }, None)]
        },
        within: |trial| trial.timing().debounce + trial.timing().tick,
        ..PLAIN
    },
    lets_go(Cause::PowerRelay, |_, _| vec![(FaultKind::RelayDead { relay: Relay::ValvePower }, None)]),
    is_welded(Cause::PowerRelay, |_, _| welded(Relay::ValvePower)),
    lets_go(Cause::DumpRelay, |_, _| vec![(FaultKind::RelayDead { relay: Relay::Dump }, None)]),
    is_welded(Cause::DumpRelay, |_, _| welded(Relay::Dump)),
    lets_go(Cause::EngineRelay, |_, _| vec![(FaultKind::RelayDead { relay: Relay::Engine }, None)]),
    is_welded(Cause::EngineRelay, |_, _| welded(Relay::Engine)),
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
            vec![(FaultKind::TwinDrift { axis: trial.axis, rate: either_way(rng) * rate }, None)]
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
    Case {
        cause: Cause::MotionUnasked,
        fault: "valve of an axis at rest goes 30 to 100 % open and sticks",
        from: "the axis moves faster than still_",
        budget: "unasked_ms, the filter, a tick",
        work: Work::Resting,
        make: |trial, rng| {
            let opening = either_way(rng) * rng.random_range(0.3..1.0);
            vec![(FaultKind::ValveStuckOpen { axis: trial.axis, opening }, None)]
        },
        shows: Shows::Once(|_, _| true, |trial, axis| axis.rate.abs() > trial.watch().still_rate),
        within: |trial| trial.watch().unasked + settled(trial) + trial.timing().tick,
        ..OF_MOTION
    },
    Case {
        cause: Cause::NoMotion,
        fault: "valve no longer answers",
        from: "the axis is slower than a tenth of what is asked",
        budget: "no_motion_ms, the filter, a tick",
        runs: false,
        make: |trial, _| vec![(FaultKind::ValveDead { axis: trial.axis }, None)],
        shows: Shows::Once(is_asked, |_, axis| along(axis) < HARDLY * axis.asked.abs()),
        within: |trial| trial.watch().no_motion + settled(trial) + trial.timing().tick,
        instead: &[(Cause::Following, "following_ is used up before no_motion_ms")],
        ..OF_MOTION
    },
    Case {
        cause: Cause::WrongWay,
        fault: "valve goes the other way than it is told",
        from: "the axis moves against what is asked, faster than still_",
        budget: "wrong_way_ms, the filter, a tick",
        make: |trial, _| vec![(FaultKind::ValveReversed { axis: trial.axis }, None)],
        shows: Shows::Once(is_asked, |trial, axis| -along(axis) > trial.watch().still_rate),
        within: |trial| trial.watch().wrong_way + settled(trial) + trial.timing().tick,
        instead: &[(Cause::Following, "following_ is used up before wrong_way_ms")],
        ..OF_MOTION
    },
    Case {
        cause: Cause::Following,
        fault: "coil moves the spool by only 15 to 40 %",
        from: "the axis is following_ behind",
        budget: "the filter, two ticks",
        runs: false,
        make: |trial, rng| {
            let share = rng.random_range(0.15..0.4);
            vec![(FaultKind::SpoolWeak { axis: trial.axis, share }, None)]
        },
        shows: Shows::Behind,
        // It is the lag that the drive had in the tick before.
        within: |trial| settled(trial) + 2.0 * trial.timing().tick,
        instead: &[(Cause::NoMotion, "the valve hardly opens at all")],
        ..OF_MOTION
    },
];

/// Causes that nothing outside the core can provoke, and what holds them in place of a trial.
pub const NOT_PROVOKED: &[(Cause, &str)] = &[
    (
        Cause::StageOrder,
        "no input leaves out a stage: tests/gate.rs does, by the stages' own doors",
    ),
    (
        Cause::BadDuty,
        "no input of a checked machine makes a signal that is none: tests/drive.rs makes one inside",
    ),
];

fn welded(relay: Relay) -> Made {
    vec![(FaultKind::StopButton, None), (FaultKind::RelayWelded { relay }, None)]
}

/// By when an open stop chain is a stop, s.
fn demand(trial: &Trial) -> f64 {
    trial.scenario.machine.control.stop_pulse + trial.timing().tick
}

/// The time in which the sense stage's rate follows a step, s. Its pole is that of its time constant and half a tick more, as its delay has it.
fn settled(trial: &Trial) -> f64 {
    TIME_CONSTANTS * (f64::from(FILTER_TIME_S) + 0.5 * trial.timing().tick)
}

/// Time from one reading of the axis's sensor to the next, beyond the tick, s.
fn fresh(trial: &Trial) -> f64 {
    let every = trial.described().sensor.every;
    (every - trial.timing().tick).max(0.0)
}

fn is_asked(trial: &Trial, axis: &AxisSample) -> bool {
    axis.asked.abs() > trial.watch().still_rate && axis.opening != 0.0
}

/// See [`Shows::Once`].
fn once(
    trial: &Trial,
    trace: &Trace,
    noticed: f64,
    within: f64,
    goes_on: impl Fn(&AxisSample) -> bool,
    shows: impl Fn(&AxisSample) -> bool,
) -> Option<f64> {
    let mut since = None;
    for sample in trace.samples.iter().filter(|sample| sample.t >= trial.fault_at) {
        let long = since.is_some_and(|since| sample.t - since > within);
        if long || sample.t > noticed - 1e-6 {
            return since;
        }
        let axis = &sample.axes[trial.axis];
        since = since.or_else(|| shows(axis).then_some(sample.t)).filter(|_| goes_on(axis));
    }
    None
}

/// Its rate the way it is asked to go, m/s or rad/s.
fn along(axis: &AxisSample) -> f64 {
    axis.rate * axis.asked.signum()
}

/// When the axis is following_ behind where it was asked to be, s.
fn behind(trial: &Trial, trace: &Trace) -> Option<f64> {
    let mut goal = None;
    for sample in &trace.samples {
        let axis = &sample.axes[trial.axis];
        if axis.asked == 0.0 {
            goal = None;
            continue;
        }
        let goal = goal.get_or_insert(axis.stroke);
        if sample.t >= trial.fault_at && (*goal - axis.stroke).abs() > trial.watch().following {
            return Some(sample.t);
        }
        *goal += axis.asked * trial.timing().tick;
    }
    None
}

/// A step that no motion could make, even by the time at which it counts: beyond what `sense` takes for noise (half a per cent of the span), and
/// not so far that the sensor could not read it.
fn jump(trial: &Trial, rng: &mut ChaCha8Rng) -> Made {
    let sensor = &trial.described().sensor;
    let span = span(sensor);
    let least = trial.watch().jump_rate * (OF_SENSOR.within)(trial) / span + 0.005;
    let share = rng.random_range(1.1 * least..(1.2 * least).max(0.4));
    let stroke = Geometry::of(trial.described()).and_then(|linkage| linkage.stroke(trial.scenario.start[trial.axis]));
    let middle = sensor.points.iter().map(|point| point.1).sum::<f64>() / sensor.points.len() as f64;
    let way = if stroke.is_ok_and(|stroke| stroke > middle) { -1.0 } else { 1.0 };
    let by = way * share;
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
    let ways = (1..).map(|step| f64::from(step) * STEP).take_while(|way| *way < USED * span);
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

fn either_way(rng: &mut ChaCha8Rng) -> f64 {
    if rng.random_bool(0.5) { 1.0 } else { -1.0 }
}

fn either_station(rng: &mut ChaCha8Rng) -> Station {
    if rng.random_bool(0.5) { Station::Seat } else { Station::Remote }
}
