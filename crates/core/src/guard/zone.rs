//! Keeping the arms out of the zones and from each other: each pair that is near is a gap for [`Braking`].

use super::braking::Braking;
use crate::keepout::{ArmPart, PARTS_MAX, Surroundings, With};
use crate::last_tick::Held;
use crate::machine::{ARMS_MAX, Machine, ZONES_MAX};
use crate::sense::Posture;

/// Slows the arms so that no part comes nearer to what it must keep from than can be braked.
pub fn hold_back(machine: &Machine, posture: &Posture, braking: &mut Braking) {
    let mut surroundings = Surroundings::new(machine);
    surroundings.look(&posture.arms);
    // By arm and part.
    let mut within = [[0.0; PARTS_MAX]; ARMS_MAX];
    for (arm, within) in within.iter_mut().enumerate() {
        for (part, stray) in surroundings.strays(arm, &braking.moves_at_most(arm)) {
            if let Some(within) = within.get_mut(part.number()) {
                *within = stray;
            }
        }
    }
    let of = |(arm, part): ArmPart| {
        let within = within.get(arm).and_then(|within| within.get(part.number()));
        within.copied().unwrap_or(0.0)
    };
    // Nobody has said how far a zone gets that an arm carries.
    let mut carried = [0.0; ZONES_MAX];
    for (zone, carried) in machine.zones().iter().zip(&mut carried) {
        *carried = if zone.carried.is_some() { f32::INFINITY } else { 0.0 };
    }
    let limit = |part, with| match with {
        With::Zone(number) => of(part) + carried.get(usize::from(number)).unwrap_or(&0.0),
        With::Arm(arm, other) => of(part) + of((arm, other)),
    };
    surroundings.scan(limit, |pair| {
        let from = match pair.closest.with {
            With::Zone(number) => Held::FromZone(number),
            With::Arm(..) => Held::FromArm,
        };
        let either = pair.closest.outward == [0.0; 3];
        let closing = surroundings.closing(pair, |arm, joint| braking.moves(arm, joint));
        braking.keep(pair.closest.room(), &closing, either, from);
    });
}
