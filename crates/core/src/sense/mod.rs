//! Sense: volts to stroke to angle, with the rate of each and whether to believe it; switches to levels.
//!
//! Takes the raw [`Inputs`]; gives a [`Posture`]; holds filters, plausibility timers and the dual-channel timer. It never
//! decides what follows from a bad reading: that is [`crate::supervise`]'s.
//!
//! What is stated, and held by the tests: a calibration within 1e-6 of its span (`calibrate`); the filter's error at a steady rate, its
//! delay and its noise gain (`axis`); and that the true stroke lies within [`AxisPosture::spread`] of the one given, beside those
//! errors, however old the reading is, as long as the axis is no faster than [`crate::machine::Axis::fastest`].

mod axis;
mod calibrate;
mod switch;

use heapless::Vec;

use crate::chain::ArmPose;
use crate::inputs::Inputs;
use crate::machine::{ARMS_MAX, Joint, Machine, PerAxis};
use crate::units::{Duration, Instant, seconds};

use axis::AxisSense;
pub use axis::{AxisPosture, FILTER_TIME_S};
pub use switch::{Levels, Switches};

/// Where the machine is, as far as the sensors can be believed.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Posture {
    /// When the inputs were read.
    pub now: Instant,
    /// Time since the tick before, never zero and never more than the latest allowed.
    pub dt: Duration,
    /// This tick came late, or time did not move forward.
    pub tick_late: bool,
    /// Each axis.
    pub axes: PerAxis<AxisPosture>,
    /// Each arm, where the angles of all its joints are known.
    pub arms: Vec<Option<ArmPose>, ARMS_MAX>,
    /// The switches.
    pub switches: Levels,
}

impl Posture {
    /// Time since the tick before, s.
    pub fn dt_s(&self) -> f32 {
        seconds(self.dt)
    }

    /// Where an arm is; none where some angle of it is not known.
    pub fn arm(&self, index: usize) -> Option<&ArmPose> {
        self.arms.get(index)?.as_ref()
    }
}

/// Where each arm is, from the angles of its joints; none where one of them is not known.
pub fn poses(machine: &Machine, axes: &PerAxis<AxisPosture>) -> Vec<Option<ArmPose>, ARMS_MAX> {
    let mut poses = Vec::new();
    for arm in machine.arms() {
        let now = |joint: &Joint| axes.get(joint.axis);
        let known = arm.joints.iter().map(now).all(|joint| joint.known);
        let grip = arm.grip.iter().map(now).filter(|grip| grip.known);
        let angles = arm.joints.iter().map(now).chain(grip).map(|joint| joint.angle);
        // Cannot be full: a machine has no more arms than this has room for.
        let _ = poses.push(known.then(|| ArmPose::new(arm, angles)));
    }
    poses
}

/// What sensing remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sense {
    last: Option<Instant>,
    axes: PerAxis<AxisSense>,
    switches: Switches,
}

impl Sense {
    /// One tick of sensing. A reading that cannot be believed is bridged with the last credible one for `sensor_confirm` and then
    /// named as the axis's fault; one older than `stale` at once, sensors that differ after their own time.
    ///
    /// Guaranteed, whatever was read: every number is finite; the time since the tick before is above zero and at most `tick_late`; an
    /// open channel of the stop chain is demanded in the same tick; an axis has a ratio, and an arm a pose, only where the strokes are known.
    pub fn step(&mut self, machine: &Machine, inputs: &Inputs) -> Posture {
        let timing = machine.timing();
        let (dt, tick_late) = self.elapsed(inputs.now, timing.tick, timing.tick_late);
        let mut axes = PerAxis::default();
        for (id, axis) in machine.axes() {
            let mut state = self.axes.get(id);
            axes.set(id, state.step(axis, &inputs.sensors.get(id), dt));
            self.axes.set(id, state);
        }
        Posture {
            now: inputs.now,
            dt,
            tick_late,
            arms: poses(machine, &axes),
            axes,
            switches: self.switches.step(inputs, timing, dt),
        }
    }

    /// Time since the tick before, as the stages may use it, and whether it was out of order.
    fn elapsed(&mut self, now: Instant, tick: Duration, latest: Duration) -> (Duration, bool) {
        let last = self.last.replace(now);
        let Some(last) = last else { return (tick, false) };
        let since = now
            .as_ticks()
            .checked_sub(last.as_ticks())
            .and_then(|micros| u32::try_from(micros).ok());
        match since.map(Duration::from_ticks) {
            Some(since) if !since.is_zero() && since <= latest => (since, false),
            Some(since) if !since.is_zero() => (latest, true),
            _ => (tick, true),
        }
    }
}
