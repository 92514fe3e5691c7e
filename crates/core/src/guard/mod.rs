//! Guard: how far the wanted rates may go.
//!
//! Takes the [`Posture`] and the wanted [`Rates`]; gives rates that brake before the ends of each axis's range, keep every
//! part of the arms out of the keep-out zones and the arms from each other, and ask for no more oil than the pumps give; and says what it
//! held back. It holds no state, and it only ever makes less motion: every rate it gives lies between zero and the rate it was given, what the
//! drive takes for led lies between zero and that where it has held something back, and what is
//! no number becomes none.

mod braking;
mod footing;
mod zone;

use crate::chain::ArmPose;
use crate::last_tick::{Guarded, Held};
use crate::machine::{Arm, Axis, AxisId, Machine, PerAxis};
use crate::math;
use crate::plan::Rates;
use crate::sense::{AxisPosture, Posture};
use crate::stamp::Stage;
use crate::supervise::Permit;
use crate::units::seconds;
use crate::vec3::{Vec3, add, dot, norm, scale};

use braking::Braking;

/// Worth an event once less than this share of a rate is left.
const WORTH_TELLING: f32 = 0.9;

/// A rate that has been cut to less than this share of its axis's full rate is too slow for a valve to follow evenly.
const LEAST_SHARE: f32 = 0.02;

/// One tick of guarding.
pub fn step(machine: &Machine, posture: &Posture, permit: &Permit, wanted: &Rates) -> (Rates, Guarded) {
    let mut rates = Rates {
        stamp: wanted.stamp.through(Stage::Guard),
        ..*wanted
    };
    let mut guarded = Guarded::default();
    let reaction = seconds(machine.timing().reaction);
    for (_, rate) in rates.axes.iter_mut().filter(|(_, rate)| !rate.is_finite()) {
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
    around_arms(machine, posture, &mut rates.axes, &mut guarded);
    with_the_lead(machine, posture, wanted, &mut rates.axes);
    if let Some(cap) = permit.limits.tip_speed {
        within_tip_speed(machine, posture, cap, &mut rates.axes);
    }
    within_flow(machine, posture, &mut rates);
    if wanted.together {
        hold_together(machine, wanted, &mut rates);
    }
    for id in AxisId::all() {
        rates.corrections.set(id, correction(wanted, id, rates.axes.get(id)));
    }
    (rates, guarded)
}

/// What is left of a correction where a rate has been held back: as much of it, and no more than leaves the drive as led what lies between
/// nothing and that rate.
fn correction(wanted: &Rates, id: AxisId, rate: f32) -> f32 {
    let (asked, back) = (wanted.axes.get(id), wanted.corrections.get(id));
    if !back.is_finite() {
        return 0.0;
    }
    if rate == asked {
        return back;
    }
    let left = back * share_of(math::abs(rate), math::abs(asked));
    math::clamp(left, math::min(rate, 0.0), math::max(rate, 0.0))
}

/// No part of an arm gets where it must not be, and the machine stays on its feet. Where one arm is not known, none moves: nobody knows how near
/// another is to it.
fn around_arms(machine: &Machine, posture: &Posture, rates: &mut PerAxis<f32>, guarded: &mut Guarded) {
    let ids = || machine.arms().iter().flat_map(Arm::movers).map(|joint| joint.axis);
    // Arms that are asked for nothing need no holding back.
    if ids().all(|id| rates.get(id) == 0.0) {
        return;
    }
    if posture.arms.iter().any(Option::is_none) {
        for id in ids() {
            rates.set(id, 0.0);
        }
        return;
    }
    let mut braking = Braking::new(machine, posture, rates);
    zone::hold_back(machine, posture, &mut braking);
    if let Some(footing) = machine.footing() {
        footing::hold_back(machine, footing, posture, &mut braking);
    }
    braking.finish(rates, guarded);
}

/// A tip that is led goes that way or not at all. Where a joint of its arm is held back, the others would take it along what holds it, which is
/// as it should be while that is nearly the way it is led; but one that is led up must not come down. From 60° aside its joints are slowed alike,
/// until at 90° nothing is left.
fn with_the_lead(machine: &Machine, posture: &Posture, wanted: &Rates, rates: &mut PerAxis<f32>) {
    for ((arm, pose), led) in machine.arms().iter().zip(&posture.arms).zip(&wanted.tip_velocities) {
        let (Some(pose), Some(led)) = (pose, led) else { continue };
        if arm
            .joints
            .iter()
            .all(|joint| rates.get(joint.axis) == wanted.axes.get(joint.axis))
        {
            continue;
        }
        let velocity = tip_velocity(arm, pose, rates);
        let along = math::max(2.0 * dot(velocity, *led), 0.0);
        let share = share_of(along, norm(velocity) * norm(*led));
        for joint in &arm.joints {
            rates.set(joint.axis, rates.get(joint.axis) * share);
        }
    }
}

/// The velocity of the tip at these joint rates, m/s.
fn tip_velocity(arm: &Arm, pose: &ArmPose, rates: &PerAxis<f32>) -> Vec3 {
    let moves = pose.point_columns(arm.joints.len(), pose.tip).zip(&arm.joints);
    moves.fold([0.0; 3], |sum, (column, joint)| {
        add(sum, scale(column, rates.get(joint.axis)))
    })
}

/// No tip faster than the cap, m/s: the joints of its arm are slowed alike, so that it keeps its path.
fn within_tip_speed(machine: &Machine, posture: &Posture, cap: f32, rates: &mut PerAxis<f32>) {
    for (arm, pose) in machine.arms().iter().zip(&posture.arms) {
        let Some(pose) = pose else { continue };
        let share = share_of(cap, norm(tip_velocity(arm, pose, rates)));
        for joint in &arm.joints {
            rates.set(joint.axis, rates.get(joint.axis) * share);
        }
    }
}

/// The speed from which a distance suffices to react and then brake to rest: `distance = v reaction + v² / (2 braking)`.
fn speed_for(distance: f32, reaction: f32, braking: f32) -> f32 {
    if distance <= 0.0 {
        return 0.0;
    }
    let lost = braking * reaction;
    math::sqrt(lost * lost + 2.0 * braking * distance) - lost
}

/// The joint rate of one axis that can still be braked before the end of its range, down to a creep into its cushion. Nothing where its place
/// is not known.
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
    let creep = LEAST_SHARE * axis.valve.full_rate.toward(stroke_rate);
    let most = if left > creep * reaction {
        math::max(speed_for(left, reaction, axis.tracking.braking), creep)
    } else {
        0.0
    };
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

#[cfg(test)]
mod tests {
    use super::*;

    /// PV-70. Source: s = v t + v² / (2 a); 250 mm/s, a delay of 0.3 s, then 1 m/s²: 106.25 mm.
    #[test]
    fn a_stopping_distance_and_its_speed() {
        assert!((speed_for(0.10625, 0.3, 1.0) - 0.25).abs() < 1e-6);
        assert_eq!(speed_for(0.0, 0.3, 1.0), 0.0);
        assert_eq!(speed_for(-1.0, 0.3, 1.0), 0.0);
    }
}
