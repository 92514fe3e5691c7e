//! Keeping the arms out of the zones and from each other: each pair that is near is a gap for [`Braking`].

use super::braking::Braking;
use crate::keepout::{Surroundings, With};
use crate::last_tick::Held;
use crate::machine::{ARMS_MAX, Machine};
use crate::sense::Posture;

/// Slows the arms so that no part comes nearer to what it must keep from than can be braked.
pub fn hold_back(machine: &Machine, posture: &Posture, braking: &mut Braking) {
    let surroundings = Surroundings::new(machine, &posture.arms);
    let mut within = [0.0; ARMS_MAX];
    for (arm, within) in within.iter_mut().enumerate() {
        *within = braking.furthest(arm, &surroundings.reach(arm));
    }
    let of = |arm: usize| within.get(arm).copied().unwrap_or(0.0);
    let limit = |arm: usize, other: Option<usize>| of(arm) + other.map_or(0.0, of);
    surroundings.scan(limit, |pair| {
        let from = match pair.closest.with {
            With::Zone(number) => Held::FromZone(number),
            With::Arm(..) => Held::FromArm,
        };
        let either = pair.closest.outward == [0.0; 3];
        braking.keep(pair.closest.room(), &surroundings.closing(pair), either, from);
    });
}
