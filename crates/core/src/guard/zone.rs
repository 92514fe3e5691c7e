//! Keep-out zones: boxes fixed to the machine that no link of an arm may enter.
//!
//! Each link is a capsule: its line from joint to joint with a radius. The nearer it is to a zone, the slower the arm may
//! bring it nearer: never faster than it can react and brake in the distance that is left beyond the margin. Where that is
//! too slow, all joints of the arm are slowed alike.

use super::{WORTH_TELLING, share_of, speed_for};
use crate::chain::ArmPose;
use crate::last_tick::{Guarded, Held};
use crate::machine::{Arm, Machine, Zone};
use crate::math;
use crate::plan::Rates;
use crate::vec3::{Vec3, add, dot, norm, scale, sub};

/// Halvings of the line in the search for its nearest point: 2^-16 of a link of 2 m is 0.03 mm.
const HALVINGS: u32 = 16;

/// Where a line comes nearest to a box.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Nearest {
    /// Distance, m; 0 where the line passes through the box.
    pub distance: f32,
    /// The point on the line.
    pub point: Vec3,
    /// Unit vector from the box to that point; zero where the distance is.
    pub outward: Vec3,
}

/// Where the line from `start` to `end` comes nearest to a zone's box.
///
/// The squared distance is convex along the line, so the sign of its slope tells which half the least lies in.
pub fn distance(zone: &Zone, start: Vec3, end: Vec3) -> Nearest {
    let along = sub(end, start);
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        let outside = beyond(zone, add(start, scale(along, middle)));
        if dot(outside, along) > 0.0 {
            high = middle;
        } else {
            low = middle;
        }
    }
    let point = add(start, scale(along, 0.5 * (low + high)));
    let outside = beyond(zone, point);
    let distance = norm(outside);
    let outward = if distance > 0.0 {
        scale(outside, 1.0 / distance)
    } else {
        [0.0; 3]
    };
    Nearest {
        distance,
        point,
        outward,
    }
}

/// From the nearest point of the box to a point: zero inside.
fn beyond(zone: &Zone, point: Vec3) -> Vec3 {
    let axis = |min: f32, max: f32, at: f32| at - math::clamp(at, min, max);
    let ([x0, y0, z0], [x1, y1, z1], [x, y, z]) = (zone.min, zone.max, point);
    [axis(x0, x1, x), axis(y0, y1, y), axis(z0, z1, z)]
}

/// Slows an arm so that no link of it comes nearer to a zone faster than can be braked.
pub fn hold_back(
    machine: &Machine,
    arm: &Arm,
    pose: Option<&ArmPose>,
    reaction: f32,
    rates: &mut Rates,
    guarded: &mut Guarded,
) {
    // An arm that is asked for nothing needs no holding back.
    if arm.joints.iter().all(|joint| rates.axes.get(joint.axis) == 0.0) {
        return;
    }
    let Some(pose) = pose else {
        // Where the arm is not known, it does not move.
        for joint in &arm.joints {
            rates.axes.set(joint.axis, 0.0);
        }
        return;
    };
    let mut share = 1.0;
    let mut held_by = None;
    for (number, zone) in (0_u8..).zip(machine.zones()) {
        for (link, (place, joint)) in pose.joints.iter().zip(&arm.joints).enumerate() {
            let nearest = distance(zone, place.origin, place.end);
            let mut velocity = [0.0; 3];
            for (column, joint) in pose.point_columns(link, nearest.point).zip(&arm.joints) {
                velocity = add(velocity, scale(column, rates.axes.get(joint.axis)));
            }
            // Inside a box there is no direction that leads away from it for certain: any motion counts as approach. The rough
            // length will do: it is never low, so it can only hold the arm back the more.
            let approach = if nearest.distance > 0.0 {
                -dot(velocity, nearest.outward)
            } else {
                math::rough_norm3(velocity[0], velocity[1], velocity[2])
            };
            if approach > 0.0 {
                let left = nearest.distance - joint.radius - zone.margin;
                let this = share_of(speed_for(left, reaction, arm.tip_braking), approach);
                if this < share {
                    share = this;
                    held_by = Some(number);
                }
            }
        }
    }
    for joint in &arm.joints {
        let asked = rates.axes.get(joint.axis);
        rates.axes.set(joint.axis, asked * share);
        if let Some(number) = held_by.filter(|_| share < WORTH_TELLING && asked != 0.0) {
            guarded.axes.set(joint.axis, Some(Held::FromZone(number)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BOX: Zone = Zone {
        min: [-1.0, -1.0, 0.0],
        max: [1.0, 1.0, 2.0],
        margin: 0.1,
    };

    #[track_caller]
    fn check(start: Vec3, end: Vec3, wanted: f32) {
        let found = distance(&BOX, start, end).distance;
        assert!((found - wanted).abs() < 1e-4, "found {found}, wanted {wanted}");
        assert_eq!(found, distance(&BOX, start, end).distance);
    }

    #[test]
    fn nearest_point_of_a_line() {
        check([3.0, 0.0, 1.0], [2.0, 0.0, 1.0], 1.0); // its end, against a face
        check([2.0, -3.0, 1.0], [2.0, 3.0, 1.0], 1.0); // its middle, along a face
        check([4.0, 4.0, 1.0], [2.0, 2.0, 1.0], 2.0_f32.sqrt()); // its end, against an edge
        check([3.0, 3.0, 4.0], [2.0, 2.0, 3.0], 3.0_f32.sqrt()); // its end, against a corner
        check([3.0, 0.0, 1.0], [1.0, 2.0, 1.0], 0.5 * 2.0_f32.sqrt()); // its middle, against an edge
        check([-3.0, 0.0, 1.0], [3.0, 0.0, 1.0], 0.0); // through
        check([2.0, 0.0, 5.0], [2.0, 0.0, 5.0], 10.0_f32.sqrt()); // a point
    }
}
