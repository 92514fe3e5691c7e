//! Drive: joint rates to valve openings to PWM duties.
//!
//! Takes the [`Permit`], the [`Posture`] and the guarded [`Rates`]; gives what goes to each valve if the gate lets it. It
//! holds, per axis, where the stroke should be by now, the integral of the difference, and the last command of the ramp.

mod curve;
mod feedback;

use crate::last_tick::{AxisDriven, Driven};
use crate::machine::{Axis, Machine, PerAxis};
use crate::math;
use crate::plan::Rates;
use crate::sense::{AxisPosture, Posture};
use crate::supervise::{Action, Permit};

pub use curve::{duty, opening};
use feedback::Feedback;

/// A closed valve opens when more than this share of full rate is commanded.
const OPEN_ABOVE: f32 = 0.015;
/// An open valve closes when no more than this is.
const CLOSE_BELOW: f32 = 0.005;

/// What driving remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Drive {
    axes: PerAxis<AxisDrive>,
}

#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct AxisDrive {
    feedback: Feedback,
    command: f32,
    /// The valve is open: its deadband has been jumped.
    open: bool,
}

impl Drive {
    /// One tick of driving.
    pub fn step(&mut self, machine: &Machine, posture: &Posture, permit: &Permit, rates: &Rates) -> Driven {
        let mut driven = Driven::default();
        for (id, axis) in machine.axes() {
            let mut state = self.axes.get(id);
            let axis_driven = state.step(
                axis,
                &posture.axes.get(id),
                permit.action,
                rates.axes.get(id),
                posture.dt_s(),
            );
            self.axes.set(id, state);
            let asked_duty = duty(&axis.channel, axis_driven.opening);
            driven.bad_duty |= asked_duty.is_err();
            driven
                .duties
                .set(id, asked_duty.unwrap_or_else(|_| axis.channel.stay()));
            driven.axes.set(id, axis_driven);
        }
        driven
    }
}

impl AxisDrive {
    fn step(&mut self, axis: &Axis, now: &AxisPosture, action: Action, joint_rate: f32, dt: f32) -> AxisDriven {
        let asked = if now.known { joint_rate * now.ratio } else { 0.0 };
        let wanted = match action {
            Action::Drive => {
                let rate = self.feedback.step(axis, now, asked, dt);
                math::clamp(rate / axis.valve.full_rate.toward(rate), -1.0, 1.0)
            }
            Action::RampDown | Action::Cut => {
                self.feedback = Feedback::default();
                0.0
            }
        };
        self.command = match action {
            Action::Cut => 0.0,
            Action::RampDown => toward(self.command, wanted, axis.tracking.stop_ramp * dt),
            Action::Drive if math::abs(wanted) < math::abs(self.command) => {
                toward(self.command, wanted, axis.tracking.ramp_down * dt)
            }
            Action::Drive => toward(self.command, wanted, axis.tracking.ramp_up * dt),
        };
        // Opened and closed at different commands, so that noise around nothing does not rattle the spool across its deadband.
        let least = if self.open { CLOSE_BELOW } else { OPEN_ABOVE };
        self.open = math::abs(self.command) > least;
        let opening = if self.open {
            opening(&axis.valve, self.command)
        } else {
            0.0
        };
        AxisDriven {
            asked,
            command: self.command,
            opening,
            lag: self.feedback.lag(),
        }
    }
}

/// From `from` towards `to` by at most `step`, and exactly there when it is within reach.
fn toward(from: f32, to: f32, step: f32) -> f32 {
    let left = to - from;
    if math::abs(left) <= step {
        to
    } else {
        from + math::clamp(left, -step, step)
    }
}
