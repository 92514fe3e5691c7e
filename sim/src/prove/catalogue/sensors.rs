//! Length and angle sensors with their wires.

use bellcrank_core::cause::Cause;
use bellcrank_machine::description::{Axis, Signal};

use super::{Entry, PLAIN};
use crate::scenario::FaultKind;
use crate::wiring::sensor::span;

const SENSOR: Entry = Entry {
    on: Some(|_| true),
    ..PLAIN
};

fn has_twin(axis: &Axis) -> bool {
    axis.twin.is_some()
}

fn is_fed(axis: &Axis) -> bool {
    matches!(axis.sensor.signal, Signal::Ratiometric { .. })
}

/// How far a reading may be from the last one by the time at which a jump is confirmed, share of its span: at the greatest rate that is
/// credible, and half a per cent of the span for its noise, as the core has it.
fn credible(axis: &Axis) -> f64 {
    axis.watch.jump_rate * axis.watch.sensor_confirm / span(&axis.sensor) + 0.005
}

/// A sensor that is wrong and does not show it can only be caught by a second one.
const NO_TWIN: &str = "a second sensor: a reading that drifts slowly looks like motion";

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "sensor open",
        about: "the signal wire of a sensor is open",
        make: |at| (FaultKind::SensorOpen { axis: at.axis }, None),
        names: &[Cause::SensorLow],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor short",
        about: "the signal wire of a sensor touches the supply",
        make: |at| (FaultKind::SensorShort { axis: at.axis }, None),
        names: &[Cause::SensorHigh],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor stuck",
        about: "a sensor's reading stays what it is",
        make: |at| (FaultKind::SensorStuck { axis: at.axis }, None),
        names: &[
            Cause::SensorFrozen,
            Cause::NoMotion,
            Cause::Following,
            Cause::SensorsDiffer,
        ],
        ..SENSOR
    },
    Entry {
        name: "sensor stale",
        about: "no new reading of a sensor comes in",
        make: |at| (FaultKind::SensorStale { axis: at.axis }, None),
        names: &[Cause::SensorStale],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor jump",
        about: "a sensor's reading steps aside",
        amount: "1.5 to 10 times what it could be by when a jump is confirmed, either way",
        mildest: 0.5,
        make: |at| {
            let by = at.either_way(1.5, 10.0) * credible(at.axis());
            (FaultKind::SensorJump { axis: at.axis, by }, None)
        },
        names: &[
            Cause::SensorJump,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::OffLinkage,
        ],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "sensor step",
        about: "a sensor's reading steps aside, by too little to be called a jump",
        amount: "10 to 90 % of what it could be by when a jump is confirmed, either way",
        mildest: 0.5,
        make: |at| {
            let by = at.either_way(0.1, 0.9) * credible(at.axis());
            (FaultKind::SensorJump { axis: at.axis, by }, None)
        },
        names: &[
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::WrongWay,
            Cause::Following,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::SensorJump,
            Cause::OffLinkage,
            Cause::SensorsDiffer,
        ],
        beyond: Some("a second sensor: a small step looks like motion"),
        ..SENSOR
    },
    Entry {
        name: "sensor slip",
        about: "a sensor slips on what it measures: its reading drifts",
        amount: "1 to 20 % of its span a second, either way",
        mildest: 0.5,
        make: |at| {
            let rate = at.either_way(0.01, 0.2);
            (FaultKind::SensorSlip { axis: at.axis, rate }, None)
        },
        names: &[
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::WrongWay,
            Cause::Following,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::OffLinkage,
            Cause::SensorsDiffer,
        ],
        beyond: Some(NO_TWIN),
        ..SENSOR
    },
    Entry {
        name: "sensor noise",
        about: "a sensor's reading is noisy",
        amount: "0.02 to 1 V rms",
        make: |at| {
            let rms = at.between(0.02, 1.0);
            (FaultKind::SensorNoise { axis: at.axis, rms }, None)
        },
        names: &[
            Cause::SensorJump,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::WrongWay,
            Cause::Following,
            Cause::OffLinkage,
        ],
        ..SENSOR
    },
    Entry {
        name: "sensors swapped",
        about: "the signals of an axis and of the next are exchanged",
        make: |at| {
            let with = (at.axis + 1) % at.machine.axes.len();
            (FaultKind::SensorsSwapped { axis: at.axis, with }, None)
        },
        elsewhere: true,
        names: &[
            Cause::SensorJump,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::SensorsDiffer,
            Cause::OffLinkage,
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::WrongWay,
            Cause::Following,
        ],
        ..SENSOR
    },
    Entry {
        name: "sensor reversed",
        about: "a sensor counts the wrong way from where it is",
        make: |at| (FaultKind::SensorReversed { axis: at.axis }, None),
        names: &[
            Cause::WrongWay,
            Cause::MotionUnasked,
            Cause::NoMotion,
            Cause::Following,
            Cause::SensorsDiffer,
            Cause::SensorLow,
            Cause::SensorHigh,
            Cause::OffLinkage,
        ],
        ..SENSOR
    },
    Entry {
        name: "excitation sag",
        about: "what feeds a sensor falls",
        on: Some(is_fed),
        amount: "to 80 % down to none of what it should be",
        make: |at| {
            let to = at.between(0.8, 0.0) * at.axis().sensor.excitation();
            (FaultKind::ExcitationSag { axis: at.axis, to }, None)
        },
        names: &[Cause::Excitation],
        always: true,
        ..SENSOR
    },
    Entry {
        name: "twin drift",
        about: "the second sensor of an axis drifts away",
        on: Some(has_twin),
        amount: "2 to 20 % of its span a second, either way",
        mildest: 0.5,
        make: |at| {
            let rate = at.either_way(0.02, 0.2);
            (FaultKind::TwinDrift { axis: at.axis, rate }, None)
        },
        names: &[Cause::SensorsDiffer, Cause::TwinLost],
        ..SENSOR
    },
    Entry {
        name: "twin open",
        about: "the signal wire of a second sensor is open",
        on: Some(has_twin),
        make: |at| (FaultKind::TwinOpen { axis: at.axis }, None),
        names: &[Cause::TwinLost],
        always: true,
        ..SENSOR
    },
];
