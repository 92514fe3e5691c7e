//! How near an arm's parts come to a zone, in f64 and by another way than the core's guard: as a check on it.
//!
//! The squared distance from a box to a point moving along a line is piecewise quadratic; its pieces meet where the line crosses
//! the planes of the box's faces. So the least distance is at one of those crossings, at an end, or at the lowest point of one
//! piece: all of them are tried.

use bellcrank_machine::description::{Arm, Description, Zone};
use nalgebra::Vector3;

use crate::plant::Pose;

/// Distance from a link's capsule to a zone, m; negative where it is inside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clearance {
    /// The distance.
    pub distance: f64,
    /// The zone.
    pub zone: usize,
    /// The axis whose link it is.
    pub axis: usize,
}

/// The clearance of each link of an arm, its grip included, to each zone.
pub fn of_arm<'m>(machine: &'m Description, arm: &'m Arm, pose: &'m Pose) -> impl Iterator<Item = Clearance> + 'm {
    arm.axes.iter().chain(&arm.grip).flat_map(move |&axis| {
        let joint = &machine.axes[axis].joint;
        let (start, end) = (pose.origin(axis), pose.point(axis, &joint.link));
        let to_zone = move |(zone, bounds)| Clearance {
            distance: line_to_box(bounds, start, end) - joint.radius,
            zone,
            axis,
        };
        machine.zones.iter().enumerate().map(to_zone)
    })
}

/// Least distance from the line between two points to a box, m.
fn line_to_box(zone: &Zone, start: Vector3<f64>, end: Vector3<f64>) -> f64 {
    let along = end - start;
    // The ends, and the cut of each face's plane; one that misses the line counts as its end once more.
    let mut cuts = [0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0];
    for k in 0..3 {
        for (face, plane) in [zone.min[k], zone.max[k]].into_iter().enumerate() {
            let cut = (plane - start[k]) / along[k];
            if cut > 0.0 && cut < 1.0 {
                cuts[2 + 2 * k + face] = cut;
            }
        }
    }
    cuts.sort_unstable_by(f64::total_cmp);
    let square = |t: f64| beyond(zone, start + along * t).norm_squared();
    let mut least = f64::INFINITY;
    for piece in cuts.windows(2) {
        let (low, high) = (piece[0], piece[1]);
        // Within a piece the same coordinates are outside, each linear in t: the square is a parabola through three points.
        let (f0, f1, f2) = (square(low), square(0.5 * (low + high)), square(high));
        let curvature = f0 - 2.0 * f1 + f2;
        let lowest = if curvature > 0.0 {
            0.5 + 0.25 * (f0 - f2) / curvature
        } else {
            0.0
        };
        for t in [0.0, lowest.clamp(0.0, 1.0), 1.0] {
            least = least.min(square(low + t * (high - low)));
        }
    }
    least.sqrt()
}

/// From the nearest point of the box to a point.
fn beyond(zone: &Zone, point: Vector3<f64>) -> Vector3<f64> {
    Vector3::from_fn(|k, _| point[k] - point[k].clamp(zone.min[k], zone.max[k]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn against_a_search_in_small_steps() {
        let zone = Zone {
            name: "box".into(),
            min: Vector3::new(-0.5, -0.4, 0.5),
            max: Vector3::new(0.5, 0.4, 2.1),
            margin: 0.0,
        };
        let mut seed = 1_u64;
        let mut next = || {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (seed >> 33) as f64 / f64::from(1_u32 << 31) * 5.0 - 2.5
        };
        for _ in 0..500 {
            let (start, end) = (Vector3::from_fn(|_, _| next()), Vector3::from_fn(|_, _| next()));
            let steps = 2000;
            let searched = (0..=steps)
                .map(|i| beyond(&zone, start + (end - start) * (f64::from(i) / f64::from(steps))).norm())
                .fold(f64::INFINITY, f64::min);
            let found = line_to_box(&zone, start, end);
            assert!(
                found <= searched + 1e-12 && searched - found < 2e-3,
                "{found} against {searched}"
            );
        }
    }
}
