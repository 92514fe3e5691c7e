//! Keeping the arms out of the zones and from each other.
//!
//! Each joint brakes on its own, so what a pair of parts may still come nearer by is the sum over the joints that close the gap: closing speed
//! times reaction time plus half the time that the joint takes to stop. That sum may be no more than the gap beyond the margin, and the rates are
//! cut until it is. A joint that does not close the gap passes untouched, and does not make up for one that does: it may stop first. A joint that
//! still closes it faster than it is now asked to counts with what it does. A reading that is old counts with where the joint may be by now.
//!
//! Of the rates that close the gap each is cut in proportion to how much its joint closes it: the least change of the rates, seen as a vector,
//! which leaves the arm sliding along a zone where it can. What is then left of a rate and too slow for a valve to follow evenly is none: an arm
//! comes to rest before the margin, and does not creep towards it in bursts.

use heapless::Vec;

use super::{WORTH_TELLING, share_of};
use crate::keepout::{Closing, MOVERS, Pair, Surroundings, With};
use crate::last_tick::{Guarded, Held};
use crate::machine::{ARMS_MAX, Arm, AxisId, Machine, PerAxis};
use crate::math;
use crate::plan::Rates;
use crate::sense::Posture;

/// Halvings in the search for the cut: what is left over is 2^-12 of the fastest rate.
const HALVINGS: u32 = 12;
/// A rate that has been cut below this share of the axis's full rate is none.
const LEAST_SHARE: f32 = 0.02;

/// A joint of an arm, its grip included, as far as it moves the arm.
#[derive(Debug, Clone, Copy)]
struct Mover {
    axis: AxisId,
    /// What it was asked for, and what is left of that, rad/s.
    asked: f32,
    rate: f32,
    /// What it does, rad/s.
    measured: f32,
    /// Deceleration that can be trusted, rad/s².
    braking: f32,
    /// How far it may be from where it was read, rad.
    spread: f32,
    /// Less than this is none, rad/s.
    least: f32,
    held: Option<Held>,
}

type Movers = [Vec<Mover, MOVERS>; ARMS_MAX];

/// Slows the arms so that no part comes nearer to what it must keep from than can be braked.
pub fn hold_back(machine: &Machine, posture: &Posture, reaction: f32, rates: &mut Rates, guarded: &mut Guarded) {
    let ids = || machine.arms().iter().flat_map(Arm::movers).map(|joint| joint.axis);
    // Arms that are asked for nothing need no holding back.
    if ids().all(|id| rates.axes.get(id) == 0.0) {
        return;
    }
    if posture.arms.iter().any(Option::is_none) {
        // Where one arm is not known, nobody knows how near another is to it.
        for id in ids() {
            rates.axes.set(id, 0.0);
        }
        return;
    }
    let mut movers = Movers::default();
    for (arm, movers) in machine.arms().iter().zip(&mut movers) {
        movers.extend(
            arm.movers()
                .filter_map(|joint| mover(machine, posture, joint.axis, &rates.axes)),
        );
    }
    let surroundings = Surroundings::new(machine, &posture.arms);
    let mut within = [0.0; ARMS_MAX];
    for (arm, (within, movers)) in within.iter_mut().zip(&movers).enumerate() {
        let reach = surroundings.reach(arm);
        *within = movers
            .iter()
            .zip(reach)
            .map(|(mover, reach)| reach * mover.furthest(reaction))
            .sum();
    }
    let limit = |arm: usize, other: Option<usize>| {
        let of = |arm: usize| within.get(arm).copied().unwrap_or(0.0);
        of(arm) + other.map_or(0.0, of)
    };
    surroundings.scan(limit, |pair| {
        cut(pair, &surroundings.closing(pair), reaction, &mut movers);
    });
    for mover in movers.iter().flatten() {
        let cut = mover.rate != mover.asked;
        let rate = if cut && math::abs(mover.rate) < mover.least {
            0.0
        } else {
            mover.rate
        };
        rates.axes.set(mover.axis, rate);
        if math::abs(rate) < WORTH_TELLING * math::abs(mover.asked) {
            guarded.axes.set(mover.axis, mover.held);
        }
    }
}

fn mover(machine: &Machine, posture: &Posture, id: AxisId, asked: &PerAxis<f32>) -> Option<Mover> {
    let (axis, now) = (machine.axis(id)?, posture.axes.get(id));
    let asked = asked.get(id);
    // Where the ratio is not known nothing is known of the axis, and `before_ends` has left it no rate.
    let of_joint = |stroke: f32| {
        if now.ratio == 0.0 {
            0.0
        } else {
            stroke / math::abs(now.ratio)
        }
    };
    Some(Mover {
        axis: id,
        asked,
        rate: asked,
        measured: of_joint(now.rate) * if now.ratio < 0.0 { -1.0 } else { 1.0 },
        braking: of_joint(axis.tracking.braking),
        spread: of_joint(now.spread),
        least: LEAST_SHARE * of_joint(axis.valve.full_rate.toward(asked * now.ratio)),
        held: None,
    })
}

/// A mover and how much it closes a gap.
struct Closer<'m> {
    mover: &'m mut Mover,
    /// m/rad, of motion in the direction that closes the gap.
    share: f32,
    /// In that direction, rad/s.
    rate: f32,
    measured: f32,
}

impl Mover {
    /// How far it turns before it has stopped from a rate, rad: `rate (reaction + rate / (2 braking))`. None where it cannot brake.
    fn stopping(&self, rate: f32, reaction: f32) -> f32 {
        if rate > 0.0 {
            rate * (reaction + 0.5 * rate / self.braking)
        } else {
            0.0
        }
    }

    /// The furthest that it may be from where it was read before it has stopped, rad.
    fn furthest(&self, reaction: f32) -> f32 {
        let fastest = math::max(math::abs(self.rate), math::abs(self.measured));
        self.stopping(fastest, reaction) + self.spread
    }
}

impl Closer<'_> {
    /// What it closes the gap by before it has stopped, m, if its rate is cut by `cut` times its share.
    fn needs(&self, cut: f32, reaction: f32) -> f32 {
        self.share * self.mover.stopping(self.rate - cut * self.share, reaction)
    }

    /// The same from what it does.
    fn on_its_way(&self, reaction: f32) -> f32 {
        self.share * self.mover.stopping(self.measured, reaction)
    }

    /// It is asked to close the gap no slower than it does.
    fn willing(&self) -> bool {
        self.rate >= self.measured
    }
}

/// Cuts the rates that close a gap faster than can be braked.
fn cut(pair: &Pair, closing: &Closing, reaction: f32, movers: &mut Movers) {
    let held = match pair.closest.with {
        With::Zone(number) => Held::FromZone(number),
        With::Arm(..) => Held::FromArm,
    };
    let mut room = pair.closest.room();
    let mut closers = Vec::<Closer, { MOVERS * ARMS_MAX }>::new();
    for (mover, closing) in movers
        .iter_mut()
        .zip(closing)
        .flat_map(|(movers, closing)| movers.iter_mut().zip(closing))
    {
        room -= math::abs(*closing) * mover.spread;
        // Where no direction leads away for certain, both close the gap.
        let either = pair.closest.outward == [0.0; 3] || closing.is_nan();
        let toward = |rate: f32| {
            if either {
                math::abs(rate)
            } else {
                math::sign(*closing) * rate
            }
        };
        let closer = Closer {
            share: math::abs(*closing),
            rate: toward(mover.rate),
            measured: toward(mover.measured),
            mover,
        };
        if closer.share != 0.0 && (closer.rate > 0.0 || closer.measured > 0.0) {
            // Cannot be full: there are no more movers than this has room for.
            let _ = closers.push(closer);
        }
    }
    let all = least_cut(&closers, false, room, reaction);
    let on_their_way: f32 = closers
        .iter()
        .filter(|closer| !closer.willing())
        .map(|closer| closer.on_its_way(reaction))
        .sum();
    let willing = least_cut(&closers, true, room - on_their_way, reaction);
    for closer in &mut closers {
        let cut = if closer.willing() { willing } else { all };
        let left = math::max(closer.rate - cut * closer.share, 0.0);
        let share = share_of(left, closer.rate);
        if closer.rate > 0.0 && share < 1.0 {
            closer.mover.rate *= share;
            closer.mover.held = Some(held);
        }
    }
}

/// The least cut with which all, or those who are willing, need no more than the room, m.
fn least_cut(closers: &[Closer], only_willing: bool, room: f32, reaction: f32) -> f32 {
    let counts = |closer: &&Closer| closer.rate > 0.0 && (!only_willing || closer.willing());
    let counting = || closers.iter().filter(counts);
    let needed = |cut: f32| counting().map(|closer| closer.needs(cut, reaction)).sum::<f32>();
    if needed(0.0) <= room {
        return 0.0;
    }
    // With this cut no rate is left.
    let mut high = counting().map(|closer| closer.rate / closer.share).fold(0.0, math::max);
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
