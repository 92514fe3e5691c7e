//! The law of braking: what may still be closed of a gap, by all the joints that close it.
//!
//! A gap is anything that must not get too small: the distance between two parts, or the moment that keeps the machine on its feet. Each
//! joint brakes on its own, so what may still be lost of it is the sum over the joints that close it: what the joint turns before it has stopped,
//! `rate (reaction + rate / (2 braking))`, times how much it closes. That sum may be no more than the room that is left, and the rates are cut until
//! it is. A joint that does not close the gap passes untouched, and does not make up for one that does: it may stop first. A joint that still
//! closes it faster than it is now asked to counts with what it does; one whose reading is old, with where it may be by now. Cutting any rate makes no other sum
//! greater: gap after gap can be seen to, in any order, and all of them hold in the end. What a gap closes by is taken as straight: what a part
//! turns towards something on its arc while it brakes, and what the oil lets it swing after, is for the margin to take up.
//!
//! Of the rates that close a gap each is cut in proportion to how much its joint closes it: the least change of the rates, seen as a vector,
//! which leaves an arm sliding along a zone where it can. What is then left of a rate and too slow for a valve to follow evenly is none: an arm
//! comes to rest before the margin, and does not creep towards it in bursts.

use heapless::Vec;

use super::{LEAST_SHARE, WORTH_TELLING, share_of};
use crate::keepout::{Closing, MOVERS};
use crate::last_tick::{Guarded, Held};
use crate::machine::{ARMS_MAX, AxisId, Machine, PerAxis};
use crate::math;
use crate::sense::Posture;
use crate::units::seconds;

/// Halvings in the search for the cut: what is left over is 2^-12 of the fastest rate.
const HALVINGS: u32 = 12;

/// The joints of all arms, their grips included, as they brake.
pub struct Braking {
    arms: [Vec<Mover, MOVERS>; ARMS_MAX],
    reaction: f32,
}

/// A joint. Rates are rad/s (m/s where it slides).
#[derive(Debug, Clone, Copy)]
struct Mover {
    axis: AxisId,
    /// What it was asked for.
    asked: f32,
    /// What is left of that.
    rate: f32,
    /// What it does.
    measured: f32,
    /// Deceleration that can be trusted, rad/s².
    braking: f32,
    /// How far it may be from where it was read, rad.
    spread: f32,
    /// Less than this is none.
    least: f32,
    /// How far it turns forth and back before it has stopped, rad.
    turns: [f32; 2],
    held: Option<Held>,
}

/// A mover and how much it closes a gap.
struct Closer<'m> {
    mover: &'m mut Mover,
    /// What the gap loses by its motion that way, m/rad for a distance.
    share: f32,
    /// What is left of what it was asked for, and what it does, towards closing.
    rate: f32,
    measured: f32,
    /// What the gap loses by it whatever it is asked for now.
    on_its_way: f32,
}

impl Braking {
    /// Asked for these rates.
    pub fn new(machine: &Machine, posture: &Posture, asked: &PerAxis<f32>) -> Self {
        let reaction = seconds(machine.timing().reaction);
        let mover = |id| Mover::new(machine, posture, id, asked.get(id));
        let mut arms = [Vec::new(), Vec::new()];
        for (arm, movers) in machine.arms().iter().zip(&mut arms) {
            for mut mover in arm.movers().filter_map(|joint| mover(joint.axis)) {
                mover.look_ahead(reaction);
                // Cannot be full: an arm has no more movers than this has room for.
                let _ = movers.push(mover);
            }
        }
        Self { arms, reaction }
    }

    /// How far each joint of an arm, the grip's after the last, moves at most before it has stopped, rad.
    pub fn moves_at_most(&self, arm: usize) -> [f32; MOVERS] {
        let mut moves = [0.0; MOVERS];
        for (mover, moves) in self.arms.get(arm).into_iter().flatten().zip(&mut moves) {
            let [forth, back] = mover.turns;
            *moves = math::max(forth, back) + mover.spread;
        }
        moves
    }

    /// A joint, the grip's after the last, may move.
    pub fn moves(&self, arm: usize, joint: usize) -> bool {
        let mover = self.arms.get(arm).and_then(|movers| movers.get(joint));
        mover.is_some_and(|mover| mover.turns != [0.0; 2] || mover.spread != 0.0)
    }

    /// Cuts the rates that may close a gap by more than the `room` that it has left. Where `either` way closes it, `closing` has no sign.
    pub fn keep(&mut self, room: f32, closing: &Closing, either: bool, from: Held) {
        let mut lost = 0.0;
        for (movers, closing) in self.arms.iter().zip(closing) {
            for (mover, closing) in movers.iter().zip(closing) {
                lost += mover.loses(*closing, either);
            }
        }
        // Most gaps are wide enough for all that moves.
        if lost <= room {
            return;
        }
        self.cut(room, closing, either, from);
    }

    fn cut(&mut self, room: f32, closing: &Closing, either: bool, from: Held) {
        let reaction = self.reaction;
        let mut room = room;
        let mut closers = Vec::<Closer, { MOVERS * ARMS_MAX }>::new();
        let all = self
            .arms
            .iter_mut()
            .zip(closing)
            .flat_map(|(movers, closing)| movers.iter_mut().zip(closing));
        for (mover, closing) in all {
            room -= math::abs(*closing) * mover.spread;
            // What is no number closes it, whichever way.
            let toward = |rate: f32| {
                if either || closing.is_nan() {
                    math::abs(rate)
                } else {
                    math::sign(*closing) * rate
                }
            };
            let (wanted, rate, measured) = (toward(mover.asked), toward(mover.rate), toward(mover.measured));
            if *closing != 0.0 && (rate > 0.0 || measured > 0.0) {
                // Cannot be full: there are no more movers than this has room for.
                let _ = closers.push(Closer {
                    on_its_way: math::abs(*closing) * mover.goes_on(wanted, measured, reaction),
                    mover,
                    share: math::abs(*closing),
                    rate,
                    measured,
                });
            }
        }
        let cut = least_cut(&closers, room, reaction);
        if cut == 0.0 {
            return;
        }
        for closer in closers.iter_mut().filter(|closer| closer.rate > 0.0) {
            let left = math::max(closer.rate - cut * closer.share, 0.0);
            // What is faster than it may be, by more than it slows down in its reaction time, is asked for nothing until it is not: a drive that
            // still has something to catch up would go on doing so.
            let lag = math::min(reaction * closer.mover.braking, left) + closer.mover.least;
            let left = if closer.measured > left + lag { 0.0 } else { left };
            let share = share_of(left, closer.rate);
            if share < 1.0 {
                closer.mover.rate *= share;
                closer.mover.held = Some(from);
                closer.mover.look_ahead(reaction);
            }
        }
    }

    /// Puts what is left of the rates into `rates`, and says what was held back.
    pub fn finish(&self, rates: &mut PerAxis<f32>, guarded: &mut Guarded) {
        for mover in self.arms.iter().flatten().filter(|mover| mover.held.is_some()) {
            let rate = if math::abs(mover.rate) < mover.least {
                0.0
            } else {
                mover.rate
            };
            rates.set(mover.axis, rate);
            if math::abs(rate) < WORTH_TELLING * math::abs(mover.asked) {
                guarded.axes.set(mover.axis, mover.held);
            }
        }
    }
}

impl Mover {
    fn new(machine: &Machine, posture: &Posture, id: AxisId, asked: f32) -> Option<Self> {
        let (axis, now) = (machine.axis(id)?, posture.axes.get(id));
        // Where the ratio is not known nothing is known of the axis, and what is before this has left it no rate.
        let of_joint = |stroke: f32| if now.ratio == 0.0 { 0.0 } else { stroke / now.ratio };
        let size_of_joint = |stroke: f32| math::abs(of_joint(stroke));
        Some(Self {
            axis: id,
            asked,
            rate: asked,
            measured: of_joint(now.rate),
            braking: size_of_joint(axis.tracking.braking),
            spread: size_of_joint(now.spread),
            least: LEAST_SHARE * size_of_joint(axis.valve.full_rate.toward(asked * now.ratio)),
            turns: [0.0; 2],
            held: None,
        })
    }

    /// How far it turns before it has stopped from a rate, rad.
    fn stopping(&self, rate: f32, reaction: f32) -> f32 {
        if rate > 0.0 {
            rate * (reaction + 0.5 * rate / self.braking)
        } else {
            0.0
        }
    }

    /// How far it turns before it has stopped, whatever it is asked for now, rad. One that is asked to go no slower than it does has been braking
    /// where it must, all but for its reaction time; of one that the hands have just slowed nobody knows.
    fn goes_on(&self, wanted: f32, measured: f32, reaction: f32) -> f32 {
        if measured <= 0.0 {
            0.0
        } else if wanted >= measured {
            let lag = self.braking * reaction;
            math::max(measured * measured - lag * lag, 0.0) / (2.0 * self.braking)
        } else {
            self.stopping(measured, reaction)
        }
    }

    /// Works out how far it turns each way before it has stopped.
    fn look_ahead(&mut self, reaction: f32) {
        self.turns = [1.0, -1.0].map(|way| {
            let on_its_way = self.goes_on(way * self.asked, way * self.measured, reaction);
            math::max(self.stopping(way * self.rate, reaction), on_its_way)
        });
    }

    /// What a gap loses by it at most, with this closing.
    fn loses(&self, closing: f32, either: bool) -> f32 {
        let [forth, back] = self.turns;
        let turns = if either {
            math::max(forth, back)
        } else if closing < 0.0 {
            back
        } else {
            forth
        };
        math::abs(closing) * (turns + self.spread)
    }
}

impl Closer<'_> {
    /// What the gap loses before it has stopped, if its rate is cut by `cut` times its share.
    fn needs(&self, cut: f32, reaction: f32) -> f32 {
        self.share * self.mover.stopping(self.rate - cut * self.share, reaction)
    }
}

/// The least cut with which all need no more than the room.
fn least_cut(closers: &[Closer], room: f32, reaction: f32) -> f32 {
    let needed = |cut: f32| {
        let each = closers
            .iter()
            .map(|closer| math::max(closer.needs(cut, reaction), closer.on_its_way));
        each.sum::<f32>()
    };
    if needed(0.0) <= room {
        return 0.0;
    }
    // With this cut no rate is left.
    let mut high = closers
        .iter()
        .map(|closer| closer.rate / closer.share)
        .fold(0.0, math::max);
    if room <= 0.0 || room.is_nan() {
        return high;
    }
    let mut low = 0.0;
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if needed(middle) <= room {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}
