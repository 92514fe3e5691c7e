//! Where the stroke should be by now: feed-forward ahead of the valve's lag, feedback on what is still missing, and the hold of an axis
//! that nothing asks to move.
//!
//! Moving, the rate commanded is
//!
//! ```text
//! led + (lead + fill + run-on) d(led)/dt + gain (smoothed lag) + integral + damp d²(lag)/dt²
//! ```
//!
//! - *led* is what the hands ask for; what planning adds to bring a tip back to its line only moves the goal, and acts through the lag;
//! - *lead* is what passes between a command and its motion: delay and lag of valve and oil;
//! - *fill* is the oil that goes into the lines, and comes out of them again, before and after the axis moves. It is asked for while what is
//!   led is below [`FILLED`] of full rate, so that it has all gone in by then;
//! - *run-on* is what the axis goes on by when its valve has closed and the line that is not held empties. While what is led falls, it is taken
//!   off again below [`RUNS_ON`] of full rate;
//! - the lag is smoothed before it is fed back: a mass that swings on its oil at some Hz would otherwise be driven by a feedback that
//!   comes as late as the valve does. It takes little from the loop, and lets the gain be two to three times as high;
//! - *damp* takes the swing itself out, where valve and sensor are fast enough for it: speed is taken back for acceleration that should not be.

use crate::machine::Axis;
use crate::math;
use crate::sense::AxisPosture;

use super::OPEN_SETTLING;
use super::pi::Pi;

/// Furthest that the correction may reach, as a share of full rate.
const MOST_CORRECTION: f32 = 0.5;
/// The change of what is led is low-passed over this time, s.
const LEAD_FILTER_S: f32 = 0.010;
/// The lag is low-passed over this time at each of the two times that its change is taken, s.
const DAMP_FILTER_S: f32 = 0.008;
/// Share of full rate from which on the lines are filled.
const FILLED: f32 = 0.04;
/// Share of full rate below which what an axis runs on by is taken off again: from so far up that there is a rate to take it from.
const RUNS_ON: f32 = 0.15;
/// Led faster than this share of full rate, an axis is not turned against the hand.
const CLEARLY_LED: f32 = 0.002;
/// An axis that is only brought back to its place is left where it is within so many times its fill: a valve that opens for less moves the
/// load on its oil more than it brings it nearer.
const SETTLED_FILLS: f32 = 2.0;
/// An axis with its valve all open goes as well as it can if it has more than this share of what is asked: cold oil, a heavy load, other
/// axes on the same pump.
const KEEPS_UP: f32 = 0.5;
/// Least rate at which a held axis is brought back, as a share of full rate: its valve opens.
const HOLD_RATE: f32 = 1.2 * OPEN_SETTLING;

/// What an axis is asked for in one tick, stroke rates, m/s or rad/s.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// All of it, as the guard lets it through.
    pub rate: f32,
    /// How much of that brings a tip back to its line.
    pub correction: f32,
}

impl Asked {
    /// What the hands ask for.
    fn led(self) -> f32 {
        self.rate - self.correction
    }

    /// The hands ask for motion, not only a tip for its place.
    pub fn is_led(self, axis: &Axis) -> bool {
        let led = self.led();
        math::abs(led) > CLEARLY_LED * axis.valve.full_rate.toward(led)
    }
}

/// What following remembers of one axis.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Follow {
    motion: Motion,
    lag: f32,
}

#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Motion {
    /// Nothing is asked, nothing is held.
    #[default]
    Rest,
    /// It is to move.
    Move(Pursuit),
    /// It came to rest here, m or rad.
    Hold {
        at: f32,
        /// It has left the hold band and is being brought back.
        back: bool,
    },
}

#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Pursuit {
    /// Where the stroke should be by now.
    goal: f32,
    /// What is led, low-passed.
    led: f32,
    /// The lag, smoothed.
    lag: f32,
    /// The lag and its change, low-passed.
    swing: (f32, f32),
    /// It is being brought back to its place.
    back: bool,
    pi: Pi,
}

impl Follow {
    /// How far the stroke is behind where it should be.
    pub fn lag(&self) -> f32 {
        self.lag
    }

    /// The stroke rate to command. It has the sign of what is asked, or is none; where nothing is asked, it brings a held axis back.
    pub fn step(&mut self, axis: &Axis, now: &AxisPosture, asked: Asked, dt: f32) -> f32 {
        if !now.known {
            *self = Self::default();
            return 0.0;
        }
        if asked.rate == 0.0 {
            return self.hold(axis, now);
        }
        // Without a bump: from where it is, with no history.
        let mut pursuit = match self.motion {
            Motion::Move(pursuit) => pursuit,
            Motion::Rest | Motion::Hold { .. } => Pursuit {
                goal: now.stroke,
                led: 0.0,
                lag: 0.0,
                swing: (0.0, 0.0),
                back: false,
                pi: Pi::default(),
            },
        };
        self.lag = pursuit.goal - now.stroke;
        let rate = pursuit.step(axis, now, asked, dt);
        self.motion = Motion::Move(pursuit);
        rate
    }

    /// Nothing is asked: where the axis has a hold band it is held where it came to rest, within that band.
    fn hold(&mut self, axis: &Axis, now: &AxisPosture) -> f32 {
        let band = axis.tracking.hold;
        let at = match self.motion {
            Motion::Hold { at, .. } => Some(at),
            Motion::Rest | Motion::Move(_) => (math::abs(now.rate) < axis.watch.still_rate).then_some(now.stroke),
        };
        let Some(at) = at.filter(|_| band > 0.0) else {
            *self = Self::default();
            return 0.0;
        };
        self.lag = at - now.stroke;
        let was_back = matches!(self.motion, Motion::Hold { back: true, .. });
        let back = leaves(self.lag, band, was_back);
        self.motion = Motion::Hold { at, back };
        if !back {
            return 0.0;
        }
        let least = HOLD_RATE * axis.valve.full_rate.toward(self.lag);
        math::sign(self.lag) * math::max(axis.tracking.gain * math::abs(self.lag), least)
    }
}

impl Pursuit {
    fn step(&mut self, axis: &Axis, now: &AxisPosture, asked: Asked, dt: f32) -> f32 {
        let tracking = &axis.tracking;
        let lag = self.goal - now.stroke;
        let led = asked.led();
        let settling = !asked.is_led(axis) && axis.valve.deadband.toward(asked.rate) > 0.0;
        // Where the tip's place lies against the hand, the axis stands, and is to stand.
        let advance = match (settling, asked.is_led(axis) && asked.rate * led < 0.0) {
            (true, _) => led,
            (_, true) => 0.0,
            _ => asked.rate,
        };
        self.goal += advance * dt;
        let full = axis.valve.full_rate.toward(led);
        self.led += (led - self.led) * dt / (LEAD_FILTER_S + dt);
        let change = (led - self.led) / LEAD_FILTER_S;
        let below = |by: f32, share: f32| {
            if math::abs(led) < share * full {
                by / (share * full)
            } else {
                0.0
            }
        };
        let fill = below(tracking.fill.toward(led), FILLED);
        let run_on = if led * change < 0.0 {
            below(tracking.run_on.toward(led), RUNS_ON)
        } else {
            0.0
        };
        let ahead = led + (tracking.lead + fill + run_on) * change;

        self.lag += (lag - self.lag) * dt / (tracking.smooth + dt);
        let ahead = ahead + tracking.damp * self.swing(lag, dt);
        let full = axis.valve.full_rate.toward(asked.rate);
        let most = MOST_CORRECTION * full;
        let range = (math::max(-most, -full - ahead), math::min(most, full - ahead));
        let rate = ahead + self.pi.step(self.lag, tracking.gain, tracking.integral_time, range, dt);
        // What has all that its valve can give, and goes, is led no further ahead: it would run on for that when it is let go.
        let spent = math::abs(rate) >= full && math::abs(now.rate) > KEEPS_UP * math::abs(asked.rate);
        if spent && lag * asked.rate > 0.0 && now.rate * asked.rate > 0.0 && !settling {
            self.goal -= math::sign(lag) * math::max(math::abs(asked.rate) - math::abs(now.rate), 0.0) * dt;
        }
        // Feedback may stop an axis, but never turn it against what the guard has seen, nor against the hand.
        let against = |asked: f32| rate * asked <= 0.0;
        self.back = settling && leaves(self.lag, SETTLED_FILLS * tracking.fill.toward(self.lag), self.back);
        let at_its_place = settling && !self.back;
        if at_its_place || against(asked.rate) || (asked.is_led(axis) && against(led)) {
            0.0
        } else {
            rate
        }
    }

    /// How much more the goal accelerates than the axis does.
    fn swing(&mut self, lag: f32, dt: f32) -> f32 {
        let low_pass = dt / (DAMP_FILTER_S + dt);
        self.swing.0 += (lag - self.swing.0) * low_pass;
        let change = (lag - self.swing.0) / DAMP_FILTER_S;
        self.swing.1 += (change - self.swing.1) * low_pass;
        (change - self.swing.1) / DAMP_FILTER_S
    }
}

/// A lag is outside its band; one that was is so until it is within half of it.
fn leaves(lag: f32, band: f32, was: bool) -> bool {
    math::abs(lag) > if was { 0.5 * band } else { band }
}
