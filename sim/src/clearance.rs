//! How near the arms' parts come to the zones and to each other, in f64 and by another way than the core's guard: as a check on it.
//!
//! A part is a link, a grip or a cylinder: a line with a radius. The squared distance from a box to a point moving along a line is
//! piecewise quadratic; its pieces meet where the line crosses the planes of the box's faces. So the least distance is at one of those crossings,
//! at an end, or at the lowest point of one piece: all of them are tried. Two lines are nearest at an end of one of them, or where both
//! are square to the way between them: all five are tried.
//!
//! Where only the least of many distances is wanted ([`least_of_arm`], [`least_between_arms`]), most lines are passed over without all that: the box
//! around a line is already further away than the least so far. What comes out is the same to the bit.

use bellcrank_machine::description::{Arm, Description, Linkage, Shape, Zone};
use bellcrank_machine::geometry::{Geometry, Pins, on_plane};
use nalgebra::{Matrix3, Vector2, Vector3};

use crate::plant::Pose;

/// Distance from a part of an arm to a zone, m; negative where it is inside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clearance {
    /// The distance.
    pub distance: f64,
    /// The zone.
    pub zone: usize,
    /// The axis whose link or cylinder it is.
    pub axis: usize,
}

/// A link, a grip or a cylinder where it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Part {
    /// The axis whose it is.
    pub(crate) axis: usize,
    /// From end to end.
    pub(crate) line: Line,
    /// m.
    pub(crate) radius: f64,
}

/// From a point to another, m.
pub(crate) type Line = (Vector3<f64>, Vector3<f64>);

/// The clearance of each part of an arm to each zone that keeps it out.
pub fn of_arm<'m>(machine: &'m Description, arm: &'m Arm, pose: &'m Pose) -> impl Iterator<Item = Clearance> + 'm {
    parts(machine, arm, pose).flat_map(move |part| {
        let zones = machine.zones.iter().enumerate();
        zones
            .filter(move |(_, zone)| zone.meets(part.axis))
            .map(move |(number, zone)| Clearance {
                distance: to_zone(zone, pose, &part),
                zone: number,
                axis: part.axis,
            })
    })
}

/// The least clearance of an arm to some of the zones, or `so_far` where that is less: the running least over many poses, m.
pub fn least_of_arm(machine: &Description, zones: &[Zone], arm: &Arm, pose: &Pose, so_far: Option<f64>) -> Option<f64> {
    let mut least = so_far;
    for part in parts(machine, arm, pose) {
        for zone in zones.iter().filter(|zone| zone.meets(part.axis)) {
            if may_be_nearer(zone, &part, least) {
                let distance = to_zone(zone, pose, &part);
                least = Some(least.map_or(distance, |least| least.min(distance)));
            }
        }
    }
    least
}

/// The least distance between parts of different arms, or `so_far` where that is less, m. None where there is one arm.
pub fn least_between_arms(machine: &Description, pose: &Pose, so_far: Option<f64>) -> Option<f64> {
    let [first, second] = &machine.arms[..] else {
        return so_far;
    };
    let others: Vec<Part> = parts(machine, second, pose).collect();
    least_between(parts(machine, first, pose), &others, so_far)
}

fn least_between(parts: impl Iterator<Item = Part>, others: &[Part], so_far: Option<f64>) -> Option<f64> {
    let mut least = so_far;
    for one in parts {
        for two in others {
            let radii = one.radius + two.radius;
            let bound = box_to_box(&around(&one.line), &around(&two.line)) - radii;
            if least.is_none_or(|least| bound < least + ROUNDING) {
                let distance = line_to_line(&one.line, &two.line) - radii;
                least = Some(least.map_or(distance, |least| least.min(distance)));
            }
        }
    }
    least
}

/// The least of every clearance over many poses, m; none where nothing has been seen yet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Least {
    /// Of each arm to any zone.
    pub arms: Vec<Option<f64>>,
    /// Of any arm to each zone.
    pub zones: Vec<Option<f64>>,
    /// Between the arms.
    pub between_arms: Option<f64>,
}

impl Least {
    /// Of a machine that has not been looked at yet.
    pub fn of(machine: &Description) -> Self {
        Self {
            arms: vec![None; machine.arms.len()],
            zones: vec![None; machine.zones.len()],
            between_arms: None,
        }
    }

    /// Looks at a pose.
    pub fn look(&mut self, machine: &Description, pose: &Pose) {
        let parts: Vec<Vec<Part>> = machine
            .arms
            .iter()
            .map(|arm| parts(machine, arm, pose).collect())
            .collect();
        for (parts, arm) in parts.iter().zip(&mut self.arms) {
            for part in parts {
                for (zone, least) in machine.zones.iter().zip(&mut self.zones) {
                    if zone.meets(part.axis)
                        && [&*arm, &*least]
                            .into_iter()
                            .any(|so_far| may_be_nearer(zone, part, *so_far))
                    {
                        let distance = to_zone(zone, pose, part);
                        for so_far in [&mut *arm, least] {
                            *so_far = Some(so_far.map_or(distance, |least| least.min(distance)));
                        }
                    }
                }
            }
        }
        if let [first, second] = &parts[..] {
            self.between_arms = least_between(first.iter().copied(), second, self.between_arms);
        }
    }
}

/// Whether a part can be nearer to a zone than the least so far: its box tells, where it tells anything.
fn may_be_nearer(zone: &Zone, part: &Part, so_far: Option<f64>) -> bool {
    let bound = zone.bounds().map_or(f64::NEG_INFINITY, |bounds| {
        box_to_box(&bounds, &around(&part.line)) - part.radius
    });
    so_far.is_none_or(|least| bound < least + ROUNDING)
}

/// The parts of an arm, from base to tip.
pub(crate) fn parts<'m>(machine: &'m Description, arm: &'m Arm, pose: &'m Pose) -> impl Iterator<Item = Part> + 'm {
    let axes = arm.axes.iter().chain(&arm.grip);
    let parents = std::iter::once(None).chain(arm.axes.iter().map(|&axis| Some(axis)));
    axes.zip(parents).flat_map(move |(&axis, parent)| {
        let joint = &machine.axes[axis].joint;
        let link = Part {
            axis,
            line: (pose.origin(axis), pose.point(axis, &joint.link)),
            radius: joint.radius,
        };
        std::iter::once(link).chain(cylinder(machine, axis, parent, pose))
    })
}

/// The cylinder that moves an axis, from pin to pin. None where a motor does.
fn cylinder(machine: &Description, axis: usize, parent: Option<usize>, pose: &Pose) -> Option<Part> {
    let described = &machine.axes[axis];
    let radius = described.actuator.kind.outer_radius()?;
    let before = parent.map_or_else(Matrix3::identity, |parent| pose.rotation(parent));
    let origin = pose.origin(axis);
    let line = match described.linkage {
        Linkage::Clevis {
            barrel_pin, rod_pin, ..
        } => (origin + before * barrel_pin, pose.point(axis, &rod_pin)),
        Linkage::FourBar { barrel_pin, .. } => {
            // The plane of the joint, in the axes of the part before it, and how far the joint has turned in it.
            let about = described.joint.axis;
            let along = |v: Vector2<f64>| Vector3::from_fn(|k, _| on_plane(about, Vector3::ith(k, 1.0)).dot(&v));
            let turned = on_plane(about, before.tr_mul(&(pose.rotation(axis) * along(Vector2::x()))));
            let pins = Geometry::of(described).and_then(|bars| bars.pins(turned.y.atan2(turned.x)));
            let Ok(Pins::FourBar { rod, .. }) = pins else {
                return None;
            };
            let beside = barrel_pin - along(on_plane(about, barrel_pin));
            (origin + before * barrel_pin, origin + before * (along(rod) + beside))
        }
        Linkage::Direct { .. } => return None,
    };
    Some(Part { axis, line, radius })
}

/// From a part to a zone, m.
fn to_zone(zone: &Zone, pose: &Pose, part: &Part) -> f64 {
    let place = |point: &Vector3<f64>| zone.on.map_or(*point, |axis| pose.point(axis, point));
    let distance = match &zone.shape {
        Shape::Box { min, max } => {
            let into = |point: Vector3<f64>| {
                zone.on
                    .map_or(point, |axis| pose.rotation(axis).tr_mul(&(point - pose.origin(axis))))
            };
            line_to_box(&(*min, *max), into(part.line.0), into(part.line.1))
        }
        Shape::Capsule { from, to, radius } => line_to_line(&part.line, &(place(from), place(to))) - radius,
        Shape::HalfSpace { point, outward } => {
            let outward = zone.on.map_or(*outward, |axis| pose.rotation(axis) * outward);
            let height = |end: &Vector3<f64>| outward.dot(&(end - place(point)));
            height(&part.line.0).min(height(&part.line.1))
        }
    };
    distance - part.radius
}

/// The corners of the box around a line, m.
fn around((start, end): &Line) -> (Vector3<f64>, Vector3<f64>) {
    (start.inf(end), start.sup(end))
}

/// Far more than rounding can make of a distance on a machine, m.
const ROUNDING: f64 = 1e-9;

/// Distance between two boxes, m: what is in them is no nearer.
fn box_to_box(one: &(Vector3<f64>, Vector3<f64>), two: &(Vector3<f64>, Vector3<f64>)) -> f64 {
    let gap = |k: usize| (one.0[k] - two.1[k]).max(two.0[k] - one.1[k]).max(0.0);
    Vector3::from_fn(|k, _| gap(k)).norm()
}

/// Least distance between two lines, m.
fn line_to_line(one: &Line, two: &Line) -> f64 {
    let ends = [(one.0, two), (one.1, two), (two.0, one), (two.1, one)].map(|(end, line)| point_to_line(&end, line));
    let least = ends.into_iter().fold(f64::INFINITY, f64::min);
    let (u, v) = (one.1 - one.0, two.1 - two.0);
    let square = u.cross(&v);
    let from = two.0 - one.0;
    // How far along each the foot of the common perpendicular is: Cramer's rule.
    let (s, t) = (from.cross(&v).dot(&square), from.cross(&u).dot(&square));
    let whole = square.norm_squared();
    if whole > 0.0 && (0.0..=whole).contains(&s) && (0.0..=whole).contains(&t) {
        least.min((from.dot(&square) / whole.sqrt()).abs())
    } else {
        least
    }
}

fn point_to_line(point: &Vector3<f64>, (start, end): &Line) -> f64 {
    let along = end - start;
    let share = (point - start).dot(&along) / along.norm_squared();
    // A line without length is its start.
    let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 };
    (start + along * share - point).norm()
}

/// Least distance from the line between two points to a box, m.
fn line_to_box((min, max): &(Vector3<f64>, Vector3<f64>), start: Vector3<f64>, end: Vector3<f64>) -> f64 {
    let along = end - start;
    // The ends, and the cut of each face's plane; one that misses the line counts as its end once more.
    let mut cuts = [0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0];
    for k in 0..3 {
        for (face, plane) in [min[k], max[k]].into_iter().enumerate() {
            let cut = (plane - start[k]) / along[k];
            if cut > 0.0 && cut < 1.0 {
                cuts[2 + 2 * k + face] = cut;
            }
        }
    }
    cuts.sort_unstable_by(f64::total_cmp);
    let square = |t: f64| beyond(min, max, start + along * t).norm_squared();
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
fn beyond(min: &Vector3<f64>, max: &Vector3<f64>, point: Vector3<f64>) -> Vector3<f64> {
    Vector3::from_fn(|k, _| point[k] - point[k].clamp(min[k], max[k]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{Bodies, JOINTS_MAX};

    fn seat() -> (Vector3<f64>, Vector3<f64>) {
        (Vector3::new(-0.5, -0.4, 0.5), Vector3::new(0.5, 0.4, 2.1))
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
            let mut between = (None, None);
            let mut least = Least::of(&machine);
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
                    passing[i] = least_of_arm(&machine, &machine.zones, arm, &pose, passing[i]);
                    assert_eq!(
                        all[i].map(f64::to_bits),
                        passing[i].map(f64::to_bits),
                        "{name}, step {step}"
                    );
                }
                if step % 20 == 0 {
                    between = (None, None);
                    least = Least::of(&machine);
                }
                least.look(&machine, &pose);
                assert_eq!(least.arms, passing, "{name}, step {step}");
                let nearest = least.zones.iter().flatten().copied().reduce(f64::min);
                assert_eq!(
                    nearest,
                    passing.iter().flatten().copied().reduce(f64::min),
                    "{name}, step {step}"
                );
                let now = least_between_arms(&machine, &pose, None);
                between.0 = between.0.into_iter().chain(now).reduce(f64::min);
                between.1 = least_between_arms(&machine, &pose, between.1);
                assert_eq!(
                    between.0.map(f64::to_bits),
                    between.1.map(f64::to_bits),
                    "{name}, step {step}"
                );
            }
        }
    }

    #[test]
    fn lines_against_a_search_in_small_steps() {
        let mut next = numbers();
        for round in 0..200 {
            let mut point = || Vector3::from_fn(|_, _| 2.5 * next());
            let (one, mut two) = ((point(), point()), (point(), point()));
            match round % 4 {
                0 => two.1 = two.0,
                1 => two.1 = two.0 + (one.1 - one.0),
                _ => {}
            }
            let along = |line: &Line, i: u32| line.0 + (line.1 - line.0) * (f64::from(i) / 500.0);
            let searched = (0..=500)
                .map(|i| point_to_line(&along(&one, i), &two))
                .fold(f64::INFINITY, f64::min);
            let found = line_to_line(&one, &two);
            assert!(
                found <= searched + 1e-9 && searched - found < 1e-2,
                "{found} against {searched}"
            );
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
                .map(|i| {
                    beyond(
                        &zone.0,
                        &zone.1,
                        start + (end - start) * (f64::from(i) / f64::from(steps)),
                    )
                    .norm()
                })
                .fold(f64::INFINITY, f64::min);
            let found = line_to_box(&zone, start, end);
            assert!(
                found <= searched + 1e-12 && searched - found < 2e-3,
                "{found} against {searched}"
            );
        }
    }
}
