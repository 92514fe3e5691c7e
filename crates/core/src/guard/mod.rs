//! Guard: how far the wanted rates may go.
//!
//! Takes the [`Posture`] and the wanted [`Rates`]; gives rates that brake before the ends of each axis's range, keep every
//! part of the arms out of the keep-out zones and the arms from each other, and ask for no more oil than the pumps give; and says what it
//! held back. It holds no state, and it only ever makes less motion: every rate it gives lies between zero and the rate it was given, and what is
//! no number becomes none.

mod zone;

use crate::last_tick::{Guarded, Held};
use crate::machine::{Axis, AxisId, Machine, PerAxis};
use crate::math;
use crate::plan::Rates;
use crate::sense::{AxisPosture, Posture};
use crate::units::seconds;

/// Worth an event once less than this share of a rate is left.
const WORTH_TELLING: f32 = 0.9;

/// One tick of guarding.
pub fn step(machine: &Machine, posture: &Posture, wanted: &Rates) -> (Rates, Guarded) {
    let mut rates = *wanted;
    let mut guarded = Guarded::default();
    let reaction = seconds(machine.timing().reaction);
    for (_, rate) in rates.axes.iter_mut().filter(|(_, rate)| rate.is_nan()) {
        *rate = 0.0;
    }
    for (id, axis) in machine.axes() {
        let asked = rates.axes.get(id);
        let allowed = before_ends(axis, &posture.axes.get(id), asked, reaction);
        rates.axes.set(id, allowed);
        if math::abs(allowed) < WORTH_TELLING * math::abs(asked) {
            guarded.axes.set(id, Some(Held::FromEnd));
        }
    }
    zone::hold_back(machine, posture, reaction, &mut rates, &mut guarded);
    within_flow(machine, posture, &mut rates);
    if wanted.together {
        hold_together(machine, wanted, &mut rates);
    }
    (rates, guarded)
}

/// The speed from which a distance suffices to react and then brake to rest: `distance = v reaction + v² / (2 braking)`.
fn speed_for(distance: f32, reaction: f32, braking: f32) -> f32 {
    if distance <= 0.0 {
        return 0.0;
    }
    let lost = braking * reaction;
    math::sqrt(lost * lost + 2.0 * braking * distance) - lost
}

/// The joint rate of one axis that can still be braked before the end of its range. Nothing where its place is not known.
fn before_ends(axis: &Axis, now: &AxisPosture, asked: f32, reaction: f32) -> f32 {
    let stroke_rate = asked * now.ratio;
    if !now.known || stroke_rate == 0.0 {
        return 0.0;
    }
    let (low, high) = axis.stroke;
    let left = if stroke_rate > 0.0 {
        high - now.stroke
    } else {
        now.stroke - low
    };
    // From where the stroke may be by now at worst.
    let left = left - now.spread;
    let most = speed_for(left, reaction, axis.tracking.braking);
    asked * share_of(most, math::abs(stroke_rate))
}

/// No more rate than the pumps have oil for: the axes of one pump alike, and those of one arm alike, so that its tip
/// keeps its path.
fn within_flow(machine: &Machine, posture: &Posture, rates: &mut Rates) {
    let mut flows = [0.0; 2];
    for (id, axis) in machine.axes() {
        let stroke_rate = rates.axes.get(id) * posture.axes.get(id).ratio;
        let flow = math::abs(stroke_rate) * axis.area.toward(stroke_rate);
        let [first, second] = &mut flows;
        *(if axis.second_pump { second } else { first }) += flow;
    }
    let [first, second] = flows;
    let (first, second) = (
        share_of(machine.pump_flow(false), first),
        share_of(machine.pump_flow(true), second),
    );
    let mut shares = PerAxis::all(1.0);
    for (id, axis) in machine.axes() {
        shares.set(id, if axis.second_pump { second } else { first });
    }
    for arm in machine.arms() {
        let ids = || arm.joints.iter().map(|joint| joint.axis);
        let least = ids().fold(1.0, |least, id| math::min(least, shares.get(id)));
        for id in ids() {
            shares.set(id, least);
        }
    }
    for id in AxisId::all() {
        rates.axes.set(id, rates.axes.get(id) * shares.get(id));
    }
}

/// Slows all joints of all arms by what slows one of them most: what they hold between them stays as it is.
fn hold_together(machine: &Machine, wanted: &Rates, rates: &mut Rates) {
    let joints = || {
        machine
            .arms()
            .iter()
            .flat_map(|arm| &arm.joints)
            .map(|joint| joint.axis)
    };
    let share = |id| share_of(math::abs(rates.axes.get(id)), math::abs(wanted.axes.get(id)));
    let least = joints().map(share).fold(1.0, math::min);
    for id in joints() {
        rates.axes.set(id, wanted.axes.get(id) * least);
    }
}

/// The share of `asked` that is `most`, 0 to 1. Neither is negative.
fn share_of(most: f32, asked: f32) -> f32 {
    // Where the quotient has no value the rates have none either, and none is what is given.
    if asked <= most {
        1.0
    } else if asked > most {
        most / asked
    } else {
        0.0
    }
}
