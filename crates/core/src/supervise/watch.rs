//! One axis watched in motion: not asked for, missing, the wrong way, too far behind.
//!
//! An axis under power is held against a small model of itself. The openings that its valve was commanded to of late account for stroke
//! rates from [`Due::least`] to the one of [`Due::out`] and [`Due::inward`] that lies the same way. What is known, and how well:
//!
//! - **The curve**: an opening gives a stroke rate, m/s or rad/s, which is flow over area (PV-23): [`ValveCurve::rate`] of the machine's file.
//! - **The opening** may be off by `opening_doubt` either way. Spools have a hysteresis of some per cent and a deadband that is never quite
//!   known (common practice, no source; the machine files say what theirs is made of).
//! - **The gain** lies from `rate_least` to `rate_most` times the curve. The flow of an edge goes with the root of the pressure left over
//!   it (PV-25): a load that pulls, or thin oil, makes more of it, a load that pushes back, cold oil or a pump shared with others less.
//! - **Time**: what an opening causes comes after a dead time and a lag, and is there within `settle`. So the far ends rise at once and
//!   run out within `settle`, from full opening. The near end is that of now, but what is short of it is given `no_motion` to come, and
//!   that is no less than `settle`.
//!
//! - **Trapped oil** gives. A load that swings, is picked up or is dropped moves an axis whose valve is closed, by no more than `give` one
//!   way: the change of pressure times the volume over modulus and area, and what the hoses swell. That is a way and no rate.
//!
//! The rate is then within these, or one residual is left: beyond a far end, or short of the near one. Each diagnostic is a method below.
//! What is healthy: an axis of first order whose curve is anywhere within that doubt, and whose dead time and time constant are no more
//! than a quarter of `unasked` each, does not trip on any commands tried (`tests/watch.rs`); nor do the built-in machines in ten hours of
//! simulated work (`cargo xtask healthy`). What it cannot tell: a tool that is pushed into the ground from a fault.
//!
//! [`ValveCurve::rate`]: crate::machine::ValveCurve::rate

use crate::cause::Cause;
use crate::last_tick::AxisDriven;
use crate::machine::Axis;
use crate::math;
use crate::sense::AxisPosture;
use crate::units::{Duration, Held, seconds};

/// What is remembered of one axis while it has power. Without power, nothing is.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisWatch {
    due: Due,
    beyond: Held,
    /// How far it has gone in that time, m or rad.
    way: f32,
    short: Held,
    not_short: Held,
    /// How far it has come its way from where it was furthest back, m or rad.
    come: f32,
}

impl AxisWatch {
    /// What is wrong with the motion of an axis under power, given how it was last driven.
    pub fn step(&mut self, axis: &Axis, now: &AxisPosture, driven: &AxisDriven, dt: Duration) -> Option<Cause> {
        self.due.step(axis, driven.opening, dt);
        let still = axis.watch.still_rate;
        let beyond = self.due.is_beyond(now.rate, still);
        self.beyond.step(beyond, dt);
        self.way = if beyond {
            self.way + math::abs(now.rate) * seconds(dt)
        } else {
            0.0
        };
        // Noise lifts the rate of an axis that stands over a low near end now and then, and so does the swing of its load: what counts as
        // motion lasts for longer than the one and leads further than the other. Until then the time in which it is short stands still.
        let short = self.due.is_short(now.rate, still);
        let lasts = self.not_short.step(!short, dt) >= axis.watch.sensor_confirm;
        self.come = math::max(self.come + self.due.along(now.rate) * seconds(dt), 0.0);
        if self.due.least == 0.0 || lasts && self.come > axis.watch.give {
            self.short.restart();
            self.come = 0.0;
        } else if short {
            self.short.step(true, dt);
        }
        if self.wrong_way(axis, now) {
            Some(Cause::WrongWay)
        } else if self.motion_unasked(axis, now) {
            Some(Cause::MotionUnasked)
        } else if self.sensor_frozen(axis, now) {
            Some(Cause::SensorFrozen)
        } else if self.no_motion(axis) {
            Some(Cause::NoMotion)
        } else {
            following(axis, driven).then_some(Cause::Following)
        }
    }

    /// [`Cause::MotionUnasked`]: a valve that sticks open, a hose that bursts, a load that drops.
    ///
    /// - *Trigger*: faster than a far end by `still_rate`, one way all the time, and by more than `give` in all.
    /// - *Noticed*: after `unasked`, or at a rate r after `give` / r if that is longer; from when the far end has run out to less than what
    ///   moves: at once where the valve had been closed, within `settle` where it had been all open.
    /// - *Scope*: the axis is named, the machine stops. *Category* 0: its valve does not obey, so no ramp would.
    /// - *Cleared*: with the power; a reset then finds nothing standing.
    fn motion_unasked(&self, axis: &Axis, now: &AxisPosture) -> bool {
        !self.due.is_against(now.rate) && self.has_gone(axis, axis.watch.unasked)
    }

    /// [`Cause::WrongWay`]: hoses or wires the wrong way round, a sensor turned round, a valve stuck on its other side.
    ///
    /// - *Trigger*: as for motion not asked for, while the openings account for motion the other way alone.
    /// - *Noticed*: after `wrong_way`, or `give` / r if that is longer; from when what was commanded before has run out: within `settle`.
    /// - *Scope*: the axis is named, the machine stops. *Category* 0: a ramp would go through the same valve.
    /// - *Cleared*: with the power; a reset then finds nothing standing.
    fn wrong_way(&self, axis: &Axis, now: &AxisPosture) -> bool {
        self.due.is_against(now.rate) && self.has_gone(axis, axis.watch.wrong_way)
    }

    /// Beyond a far end for so long, and further than a load moves an axis on its trapped oil.
    fn has_gone(&self, axis: &Axis, time: Duration) -> bool {
        self.beyond.duration() >= time && self.way > axis.watch.give
    }

    /// [`Cause::NoMotion`]: a valve without current, a jammed joint, no pressure.
    ///
    /// - *Trigger*: slower than the near end. That is 0, and nothing can be, while the opening is within its doubt of the deadband.
    /// - *Noticed*: after `no_motion`, from when the valve was commanded to open by more than that.
    /// - *Scope*: the axis is named, the machine stops. *Category* 1: the others can be ramped down.
    /// - *Cleared*: with the power; a reset then finds nothing standing.
    fn no_motion(&self, axis: &Axis) -> bool {
        self.short.duration() >= axis.watch.no_motion
    }

    /// [`Cause::SensorFrozen`]: no motion, by a reading that has not changed at all in that time. One that lives is never so still.
    ///
    /// Trigger, time, scope, category and what clears it: as for no motion.
    fn sensor_frozen(&self, axis: &Axis, now: &AxisPosture) -> bool {
        self.no_motion(axis) && now.unchanged >= axis.watch.no_motion
    }
}

/// [`Cause::Following`]: anything that lets an axis move, but not as it is asked: too slow a pump, a weak coil, a curve that is far off.
///
/// - *Trigger*: the stroke lags behind what was asked for, or runs ahead of it, by more than `following`.
/// - *Noticed*: in the tick in which it does: at a rate that is off by r after `following` / r.
/// - *Scope*: the axis is named, the machine stops. *Category* 0: it is not where the guard's braking counts on it to be.
/// - *Cleared*: with the ramp or the cut, at which what was asked for is forgotten.
fn following(axis: &Axis, driven: &AxisDriven) -> bool {
    math::abs(driven.lag) > axis.watch.following
}

/// The stroke rates that the openings of late account for, m/s or rad/s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Due {
    /// The far end where it extends: 0 or above.
    out: f32,
    /// The far end where it retracts: 0 or below.
    inward: f32,
    /// The near end: it has this rate at least, the way of its sign. 0 where it may as well stand, or go either way.
    least: f32,
}

impl Due {
    fn step(&mut self, axis: &Axis, opening: f32, dt: Duration) {
        let (valve, watch) = (&axis.valve, &axis.watch);
        let (dt, settle) = (seconds(dt), seconds(watch.settle));
        let low = valve.rate(opening - watch.opening_doubt);
        let high = valve.rate(opening + watch.opening_doubt);

        let run_out = watch.rate_most * dt / math::max(settle, dt);
        self.out = math::max(watch.rate_most * high, self.out - run_out * valve.full_rate.out);
        self.out = math::max(self.out, 0.0);
        self.inward = math::min(watch.rate_most * low, self.inward + run_out * valve.full_rate.inward);
        self.inward = math::min(self.inward, 0.0);

        self.least = watch.rate_least * (math::max(low, 0.0) + math::min(high, 0.0));
    }

    /// Faster than all that is accounted for that way, and moving at all.
    fn is_beyond(&self, rate: f32, still: f32) -> bool {
        rate > self.out + still || rate < self.inward - still
    }

    /// Slower than the slowest that is accounted for, but not under way against it: that is beyond the other end, or will be.
    fn is_short(&self, rate: f32, still: f32) -> bool {
        let along = self.along(rate);
        along < math::abs(self.least) && along >= -still
    }

    /// A rate counted the way of the near end; 0 where there is none.
    fn along(&self, rate: f32) -> f32 {
        rate * math::sign(self.least)
    }

    /// What is accounted for goes one way, and this the other.
    fn is_against(&self, rate: f32) -> bool {
        self.least * rate < 0.0
    }
}
