//! Drive: joint rates to valve openings to what goes to each valve.
//!
//! Takes the [`Permit`], the [`Posture`] and the guarded [`Rates`]; gives what goes to each valve if the gate lets it. It
//! holds, per axis, where the stroke should be by now, the integral of the difference, and the last command of the ramp.
//!
//! What is stated, for any rates and any posture, and held by the tests:
//!
//! - what goes to a valve lies within its channel's legal band;
//! - while driving, a command changes in a tick by no more than the steeper of the two ramps lets it; in a ramped stop it falls by the stop
//!   ramp; cut, it is none at once;
//! - a valve opens only towards what is asked; where nothing is asked, only to bring back an axis that has left its hold band. Its dither, which no
//!   axis follows, goes on for a moment when it has closed;
//! - an axis that drifts is brought back once it is off by its hold band, until it is off by half of that: nearer its valve stays closed.

mod curve;
mod dither;
mod follow;
mod pi;
mod ramp;

use crate::last_tick::{AxisDriven, Driven};
use crate::machine::{Axis, Machine, PerAxis};
use crate::math;
use crate::outputs::ValveSignal;
use crate::plan::Rates;
use crate::sense::{AxisPosture, Posture};
use crate::stamp::Stage;
use crate::supervise::{Action, Permit};

pub use curve::{opening, signal};
use dither::Wave;
use follow::{Asked, Follow};
use ramp::Ramp;

/// A closed valve with a deadband opens when more than this share of full rate is commanded to an axis that is led.
const OPEN_ABOVE: f32 = 0.006;
/// The same for one that is only brought back to its place: to open and close it for less would shake the load on its oil.
const OPEN_SETTLING: f32 = 0.02;
/// An open valve with a deadband closes when no more than this is.
const CLOSE_BELOW: f32 = 0.002;
/// So many periods of its dither a valve is shaken for when it has closed.
const CLOSED_PERIODS: f32 = 4.0;

/// What driving remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Drive {
    axes: PerAxis<AxisDrive>,
}

#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct AxisDrive {
    follow: Follow,
    ramp: Ramp,
    /// The valve is open: its deadband has been jumped.
    open: bool,
    wave: Wave,
    /// For so many periods its dither goes on after it has closed.
    shaken: f32,
}

impl Drive {
    /// One tick of driving.
    pub fn step(&mut self, machine: &Machine, posture: &Posture, permit: &Permit, rates: &Rates) -> Driven {
        let mut driven = Driven {
            stamp: rates.stamp.through(Stage::Drive),
            ..Driven::default()
        };
        let dt = posture.dt_s();
        for (id, axis) in machine.axes() {
            let now = posture.axes.get(id);
            let ratio = if now.known { now.ratio } else { 0.0 };
            let asked = Asked {
                rate: rates.axes.get(id) * ratio,
                correction: rates.corrections.get(id) * ratio,
            };
            let mut state = self.axes.get(id);
            let axis_driven = state.step(axis, &now, permit.action, asked, dt);
            let dithered = state.dithered(axis, permit.action, axis_driven.opening, dt);
            let told = signal(&axis.channel, dithered);
            self.axes.set(id, state);
            driven.bad_signal |= told.is_err();
            let told = told.unwrap_or_else(|_| ValveSignal::stay(&axis.channel));
            driven.valves.set(id, told);
            driven.axes.set(id, axis_driven);
        }
        driven
    }
}

impl AxisDrive {
    fn step(&mut self, axis: &Axis, now: &AxisPosture, action: Action, asked: Asked, dt: f32) -> AxisDriven {
        match action {
            Action::Drive => {
                let rate = self.follow.step(axis, now, asked, dt);
                let wanted = math::clamp(rate / axis.valve.full_rate.toward(rate), -1.0, 1.0);
                self.ramp.drive(wanted, &axis.tracking, dt);
            }
            Action::RampDown => {
                self.follow = Follow::default();
                self.ramp.stop(&axis.tracking, dt);
            }
            Action::Cut => {
                self.follow = Follow::default();
                self.ramp.cut();
            }
        }
        let command = self.ramp.command();
        // Opened and closed at different commands, so that noise around nothing does not rattle the spool across its deadband.
        let least = if axis.valve.deadband.toward(command) == 0.0 {
            0.0
        } else if self.open {
            CLOSE_BELOW
        } else if asked.is_led(axis) {
            OPEN_ABOVE
        } else {
            OPEN_SETTLING
        };
        let closed = math::abs(command) <= least;
        // What is no number is not closed either: it is refused as a duty, and noticed.
        self.open = !closed;
        AxisDriven {
            asked: asked.rate,
            command,
            opening: if self.open { opening(&axis.valve, command) } else { 0.0 },
            lag: self.follow.lag(),
        }
    }

    /// The opening with the dither of its valve. One that has closed is shaken a little longer, so that its spool does not rest where its
    /// hysteresis left it, off the middle of its lands. Then, and without power, it is left alone.
    fn dithered(&mut self, axis: &Axis, action: Action, opening: f32, dt: f32) -> f32 {
        let Some(dither) = axis.dither else {
            return opening;
        };
        if action != Action::Drive {
            self.shaken = 0.0;
        }
        let shakes = self.open || self.shaken > 0.0;
        self.shaken = if self.open {
            CLOSED_PERIODS
        } else {
            math::max(self.shaken - dt * dither.frequency, 0.0)
        };
        if shakes {
            math::clamp(opening + self.wave.step(dither, dt), -1.0, 1.0)
        } else {
            opening
        }
    }
}
