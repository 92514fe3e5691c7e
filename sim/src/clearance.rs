//! How near an arm's parts come to a zone, in f64 and by another way than the core's guard: as a check on it.
//!
//! The squared distance from a box to a point moving along a line is piecewise quadratic; its pieces meet where the line crosses
//! the planes of the box's faces. So the least distance is at one of those crossings, at an end, or at the lowest point of one
//! piece: all of them are tried.
//!
//! Where only the least of many distances is wanted ([`least_of_arm`]), most lines are passed over without all that: the box around a
//! line is already further away than the least so far. What comes out is the same to the bit.

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

/// The least clearance of an arm, or `so_far` where that is less: the running least over many poses, m.
pub fn least_of_arm(machine: &Description, arm: &Arm, pose: &Pose, so_far: Option<f64>) -> Option<f64> {
    let mut least = so_far;
    for &axis in arm.axes.iter().chain(&arm.grip) {
        let joint = &machine.axes[axis].joint;
        let (start, end) = (pose.origin(axis), pose.point(axis, &joint.link));
        for zone in &machine.zones {
            if least.is_none_or(|least| box_to_box(zone, &start, &end) - joint.radius < least + ROUNDING) {
                let distance = line_to_box(zone, start, end) - joint.radius;
                least = Some(least.map_or(distance, |least| least.min(distance)));
            }
        }
    }
    least
}

/// Far more than rounding can make of a distance on a machine, m.
const ROUNDING: f64 = 1e-9;

/// Distance from the box around a line to a zone, m: the line itself is no nearer.
fn box_to_box(zone: &Zone, start: &Vector3<f64>, end: &Vector3<f64>) -> f64 {
    let gap = |k: usize| {
        let (low, high) = (start[k].min(end[k]), start[k].max(end[k]));
        (zone.min[k] - high).max(low - zone.max[k]).max(0.0)
    };
    Vector3::from_fn(|k, _| gap(k)).norm()
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
        if low == high {
            least = least.min(square(low));
            continue;
        }
        // Within a piece the same coordinates are outside, each linear in t: the square is a parabola through three points.
        let (f0, f1, f2) = (square(low), square(0.5 * (low + high)), square(high));
        let curvature = f0 - 2.0 * f1 + f2;
        let lowest = if curvature > 0.0 {
            0.5 + 0.25 * (f0 - f2) / curvature
        } else {
            0.0
        };
        least = least.min(f0);
        for t in [lowest.clamp(0.0, 1.0), 1.0] {
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
    use crate::plant::{Bodies, JOINTS_MAX};

    fn seat() -> Zone {
        Zone {
            name: "box".into(),
            min: Vector3::new(-0.5, -0.4, 0.5),
            max: Vector3::new(0.5, 0.4, 2.1),
            margin: 0.0,
        }
    }

    /// Numbers from -1 to 1.
    fn numbers() -> impl FnMut() -> f64 {
        let mut seed = 1_u64;
        move || {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (seed >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
        }
    }

    /// To the bit, over a walk of each machine's arms, begun anew from time to time.
    #[test]
    fn passing_lines_over_changes_nothing() {
        let mut next = numbers();
        for (name, text) in bellcrank_machine::BUILTIN {
            let machine = bellcrank_machine::read(name, text).expect("built in");
            let bodies = Bodies::of_machine(&machine).expect("a tree");
            let mut pose = Pose::default();
            let mut angles = [0.0; JOINTS_MAX];
            let mut all: Vec<Option<f64>> = vec![None; machine.arms.len()];
            let mut passing = all.clone();
            for step in 0..2000 {
                if step % 20 == 0 {
                    angles = std::array::from_fn(|_| 2.0 * next());
                    all.fill(None);
                    passing.fill(None);
                }
                for angle in &mut angles {
                    *angle += 0.02 * next();
                }
                bodies.place(&angles, &mut pose);
                for (i, arm) in machine.arms.iter().enumerate() {
                    let each = of_arm(&machine, arm, &pose).map(|now| now.distance);
                    all[i] = each.chain(all[i]).reduce(f64::min);
                    passing[i] = least_of_arm(&machine, arm, &pose, passing[i]);
                    assert_eq!(
                        all[i].map(f64::to_bits),
                        passing[i].map(f64::to_bits),
                        "{name}, step {step}"
                    );
                }
            }
        }
    }

    #[test]
    fn against_a_search_in_small_steps() {
        let zone = seat();
        let mut next = numbers();
        for _ in 0..500 {
            let (start, end) = (
                Vector3::from_fn(|_, _| 2.5 * next()),
                Vector3::from_fn(|_, _| 2.5 * next()),
            );
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
