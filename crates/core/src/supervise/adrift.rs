//! One axis watched without power: it must come to rest, and stay there.

use crate::machine::{Axis, Timing};
use crate::math;
use crate::sense::AxisPosture;
use crate::units::{Duration, Held};

/// What is remembered of an axis that has no power.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Adrift {
    moves: Held,
    way: f32,
}

impl Adrift {
    /// [`crate::cause::Cause::MotionUnasked`], of an axis without power: a spool that sticks open while the dump valve sticks closed, a hose that
    /// bursts, a load-holding valve that lets go.
    ///
    /// - *Trigger*: it moves faster than `still_rate`, one way all the time: the ring of a load on trapped oil changes sign.
    /// - *Noticed*: after the stop budget, `settle` and `unasked`: until then a stop may still be under way.
    /// - *Scope*: the axis is named, the machine faults: that stops the engine, the path that is left.
    /// - *Cleared*: when it has come to rest.
    pub fn step(&mut self, axis: &Axis, timing: &Timing, now: &AxisPosture, dt: Duration) -> bool {
        let way = if math::abs(now.rate) > axis.watch.still_rate {
            math::sign(now.rate)
        } else {
            0.0
        };
        let goes_on = now.known && way != 0.0 && way == self.way;
        self.way = way;
        let times = [timing.stop_budget, axis.watch.settle, axis.watch.unasked];
        let longest = times
            .into_iter()
            .fold(0_u32, |sum, time| sum.saturating_add(time.as_ticks()));
        self.moves.reaches(Duration::from_ticks(longest), goes_on, dt)
    }
}
