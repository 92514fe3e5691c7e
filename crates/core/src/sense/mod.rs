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

use crate::cause::Cause;
use crate::chain::ArmPose;
use crate::inputs::Inputs;
use crate::machine::{ARMS_MAX, Joint, Machine, PerAxis, Timing};
use crate::stamp::Stamp;
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
    /// Why this tick did not come when it should have.
    pub untimely: Option<Cause>,
    /// This tick, on its way.
    pub stamp: Stamp,
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
        let _ = poses.push(known.then(ArmPose::default));
        if let Some(Some(pose)) = poses.last_mut() {
            pose.turn_to(arm, angles);
        }
    }
    poses
}

/// What sensing remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sense {
    ticks: u32,
    last: Option<Instant>,
    axes: PerAxis<AxisSense>,
    switches: Switches,
}

impl Sense {
    /// One tick of sensing. A reading that cannot be believed is bridged with the last credible one for `sensor_confirm` and then
    /// named as the axis's fault; one older than `stale` at once, sensors that differ after their own time.
    ///
    /// Guaranteed, whatever was read: every number is finite; the time since the tick before is above zero and at most `tick_late`; a
    /// channel of the stop chain that is open for longer than a test pulse is demanded in that tick; an axis has a ratio, and an arm a pose, only where the strokes are known.
    pub fn step(&mut self, machine: &Machine, inputs: &Inputs) -> Posture {
        let timing = machine.timing();
        self.ticks = self.ticks.wrapping_add(1);
        let (dt, untimely) = self.elapsed(inputs.now, timing);
        let mut axes = PerAxis::default();
        for (id, axis) in machine.axes() {
            let mut state = self.axes.get(id);
            axes.set(id, state.step(axis, &inputs.sensors.get(id), dt));
            self.axes.set(id, state);
        }
        Posture {
            now: inputs.now,
            dt,
            untimely,
            stamp: Stamp::sensed(self.ticks),
            arms: poses(machine, &axes),
            axes,
            switches: self.switches.step(machine, inputs, dt),
        }
    }

    /// Time since the tick before, as the stages may use it, and what is wrong with it.
    fn elapsed(&mut self, now: Instant, timing: &Timing) -> (Duration, Option<Cause>) {
        let Some(last) = self.last.replace(now) else {
            return (timing.tick, None);
        };
        let Some(since) = now.as_ticks().checked_sub(last.as_ticks()).filter(|since| *since > 0) else {
            return (timing.tick, Some(Cause::TickEarly));
        };
        match u32::try_from(since).map(Duration::from_ticks) {
            Ok(since) if since < timing.tick_early => (since, Some(Cause::TickEarly)),
            Ok(since) if since <= timing.tick_late => (since, None),
            _ => (timing.tick_late, Some(Cause::TickLate)),
        }
    }
}
