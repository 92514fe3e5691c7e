//! One axis watched in motion: not asked for, missing, the wrong way, too far behind.

use crate::cause::Cause;
use crate::last_tick::AxisDriven;
use crate::machine::{Axis, FASTER_THAN_CURVE};
use crate::math;
use crate::sense::AxisPosture;
use crate::units::{Duration, Held, seconds};

/// Command, as a share of full, above which motion must follow.
const CLEARLY_ASKED: f32 = 0.05;
/// Motion is missing when it is slower than this share of what was asked.
const HARDLY_MOVING: f32 = 0.1;

/// What is remembered of one axis.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisWatch {
    /// The command that motion may still be due to: the greatest of late, running out within the time to settle.
    excuse: f32,
    same_way: Held,
    last_sign: f32,
    unasked: Held,
    missing: Held,
    wrong: Held,
}

impl AxisWatch {
    /// What is wrong with the motion of an axis under power, given what it was last commanded.
    pub fn step(&mut self, axis: &Axis, now: &AxisPosture, driven: &AxisDriven, dt: Duration) -> Option<Cause> {
        let watch = &axis.watch;
        let sign = math::sign(driven.command);
        let same_way = self.same_way.step(sign != 0.0 && sign == self.last_sign, dt);
        self.last_sign = sign;
        // Faster than any command of late accounts for, and one way all the time: the ring of a load on trapped oil changes sign.
        let run_out = seconds(dt) / math::max(seconds(watch.settle), seconds(dt));
        self.excuse = math::max(math::abs(driven.command), self.excuse - run_out);
        let accounted = FASTER_THAN_CURVE * self.excuse * axis.valve.full_rate.toward(now.rate) + watch.still_rate;
        let moving = math::abs(now.rate) > watch.still_rate;
        if self.unasked.step(math::abs(now.rate) > accounted, dt) >= watch.unasked {
            return Some(Cause::MotionUnasked);
        }

        let asked = math::abs(driven.command) > CLEARLY_ASKED && math::abs(driven.asked) > watch.still_rate;
        let hardly = math::abs(now.rate) < HARDLY_MOVING * math::abs(driven.asked);
        if self.missing.step(asked && hardly, dt) >= watch.no_motion {
            return Some(if now.unchanged >= watch.no_motion {
                Cause::SensorFrozen
            } else {
                Cause::NoMotion
            });
        }

        let against = moving && now.rate * sign < 0.0 && asked && same_way > watch.settle;
        if self.wrong.step(against, dt) >= watch.wrong_way {
            return Some(Cause::WrongWay);
        }

        (math::abs(driven.lag) > watch.following).then_some(Cause::Following)
    }
}
