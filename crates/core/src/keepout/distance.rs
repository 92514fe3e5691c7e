//! How near a line comes to the shape of a zone, and to another line.
//!
//! Errors, over lines of up to 4 m: the distance is never more than 0.05 mm under the true one, and no more than 0.1 mm over it (0.5 mm
//! between lines that are parallel to within a milliradian). Held by the tests against a search in f64.

use crate::machine::Shape;
use crate::math;
use crate::vec3::{Vec3, add, dot, norm, scale, sub};

/// Most steps of the search along a line past a box. A Newton step looks at each of the seven pieces of the slope once at most; all
/// others halve: 2^-16 of a line of 2 m is 0.03 mm.
const STEPS: u32 = 23;
/// A line shorter than this counts as a point, m².
const POINT_SQUARE: f32 = 1e-12;
/// Lines whose directions differ by less than this (sine squared) count as parallel.
const PARALLEL: f32 = 1e-7;

/// Where a line comes nearest to something.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Nearest {
    /// From the surface (for lines: from the other line), m; 0 in a box or a crossing, below 0 behind a plane or in a capsule.
    pub distance: f32,
    /// How far along the line, 0 to 1.
    pub share: f32,
    /// The point on the line.
    pub point: Vec3,
    /// Unit vector to that point from what it is near; zero where no direction leads away for certain.
    pub outward: Vec3,
}

/// Where the line from `start` to `end` comes nearest to a shape.
pub fn to_shape(shape: &Shape, start: Vec3, end: Vec3) -> Nearest {
    match shape {
        Shape::Box { min, max } => {
            let share = along_box(*min, *max, start, sub(end, start));
            from_shape(shape, start, end, share)
        }
        Shape::Capsule { from, to, .. } => {
            let (share, _) = between_lines((start, end), (*from, *to));
            from_shape(shape, start, end, share)
        }
        Shape::HalfSpace { outward, .. } => {
            let share = if dot(*outward, sub(end, start)) < 0.0 { 1.0 } else { 0.0 };
            from_shape(shape, start, end, share)
        }
    }
}

/// How near one point of a line is, `share` of the way from `start` to `end`.
pub fn from_shape(shape: &Shape, start: Vec3, end: Vec3, share: f32) -> Nearest {
    let point = on_line((start, end), share);
    let (from_surface, radius) = match shape {
        Shape::Box { min, max } => (beyond(*min, *max, point), 0.0),
        Shape::Capsule { from, to, radius } => {
            let other = on_line((*from, *to), along_line((*from, *to), point));
            (sub(point, other), *radius)
        }
        Shape::HalfSpace { point: on, outward } => {
            return Nearest {
                distance: dot(*outward, sub(point, *on)),
                share,
                point,
                outward: *outward,
            };
        }
    };
    apart(from_surface, radius, share, point)
}

/// Where a line comes nearest to another, and how far along the other that is, 0 to 1.
pub fn to_line(line: (Vec3, Vec3), other: (Vec3, Vec3)) -> (Nearest, f32) {
    let (share, theirs) = between_lines(line, other);
    from_line(line, share, other, theirs)
}

/// How near a point of a line is to a point of another, each told by its share of the way.
pub fn from_line(line: (Vec3, Vec3), share: f32, other: (Vec3, Vec3), theirs: f32) -> (Nearest, f32) {
    let point = on_line(line, share);
    (apart(sub(point, on_line(other, theirs)), 0.0, share, point), theirs)
}

/// How far along a line, 0 to 1, it comes nearest to a point.
pub fn along_line((start, end): (Vec3, Vec3), point: Vec3) -> f32 {
    let along = sub(end, start);
    let square = dot(along, along);
    if square > POINT_SQUARE {
        math::clamp(dot(sub(point, start), along) / square, 0.0, 1.0)
    } else {
        0.0
    }
}

fn apart(way: Vec3, radius: f32, share: f32, point: Vec3) -> Nearest {
    let length = norm(way);
    Nearest {
        distance: length - radius,
        share,
        point,
        outward: if length > 0.0 {
            scale(way, 1.0 / length)
        } else {
            [0.0; 3]
        },
    }
}

fn on_line((start, end): (Vec3, Vec3), share: f32) -> Vec3 {
    add(start, scale(sub(end, start), share))
}

/// How far along a line it comes nearest to a box.
///
/// The squared distance is convex along the line and its slope piecewise straight, so Newton's step from a piece ends where that
/// piece would have its zero. One that leaves what is left of the line is replaced by a halving.
fn along_box(min: Vec3, max: Vec3, start: Vec3, along: Vec3) -> f32 {
    let (mut low, mut high) = (0.0, 1.0);
    let mut share = 0.5;
    for _ in 0..STEPS {
        let outside = beyond(min, max, add(start, scale(along, share)));
        let slope = dot(outside, along);
        if slope > 0.0 {
            high = share;
        } else {
            low = share;
        }
        let active = |k: usize| match (outside.get(k), along.get(k)) {
            (Some(beyond), Some(step)) if *beyond != 0.0 => step * step,
            _ => 0.0,
        };
        let bend = active(0) + active(1) + active(2);
        let newton = share - slope / bend;
        let last = share;
        share = if newton > low && newton < high {
            newton
        } else if bend > 0.0 && newton <= 0.0 && low == 0.0 {
            // Its least lies beyond an end: there it is, once the end has been looked at.
            0.0
        } else if bend > 0.0 && newton >= 1.0 && high == 1.0 {
            1.0
        } else {
            0.5 * (low + high)
        };
        if share == last {
            break;
        }
    }
    share
}

/// From the nearest point of a box to a point: zero inside.
fn beyond(min: Vec3, max: Vec3, point: Vec3) -> Vec3 {
    let axis = |min: f32, max: f32, at: f32| at - math::clamp(at, min, max);
    let ([x0, y0, z0], [x1, y1, z1], [x, y, z]) = (min, max, point);
    [axis(x0, x1, x), axis(y0, y1, y), axis(z0, z1, z)]
}

/// How far along each of two lines they come nearest to each other: the least of a quadratic in both shares, each kept within 0 and 1 in
/// turn (any text on computational geometry).
fn between_lines(one: (Vec3, Vec3), two: (Vec3, Vec3)) -> (f32, f32) {
    let (along, across) = (sub(one.1, one.0), sub(two.1, two.0));
    let from = sub(one.0, two.0);
    let (a, b, e) = (dot(along, along), dot(along, across), dot(across, across));
    if a <= POINT_SQUARE {
        return (0.0, along_line(two, one.0));
    }
    if e <= POINT_SQUARE {
        return (along_line(one, two.0), 0.0);
    }
    let (c, f) = (dot(along, from), dot(across, from));
    let apart = a * e - b * b;
    let share = if apart > PARALLEL * a * e {
        math::clamp((b * f - c * e) / apart, 0.0, 1.0)
    } else {
        0.0
    };
    let theirs = (b * share + f) / e;
    if theirs < 0.0 {
        (math::clamp(-c / a, 0.0, 1.0), 0.0)
    } else if theirs > 1.0 {
        (math::clamp((b - c) / a, 0.0, 1.0), 1.0)
    } else {
        (share, theirs)
    }
}

#[cfg(test)]
mod tests {
    use std::vec::Vec;

    use super::*;

    const BOX: Shape = Shape::Box {
        min: [-1.0, -1.0, 0.0],
        max: [1.0, 1.0, 2.0],
    };

    #[track_caller]
    fn check(start: Vec3, end: Vec3, wanted: f32) {
        let found = to_shape(&BOX, start, end).distance;
        assert!((found - wanted).abs() < 1e-4, "found {found}, wanted {wanted}");
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

    /// Numbers from -1 to 1.
    fn numbers() -> impl FnMut() -> f64 {
        let mut seed = 1_u64;
        move || {
            seed = seed.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (seed >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
        }
    }

    type Wide = [f64; 3];

    fn wide(v: Vec3) -> Wide {
        v.map(f64::from)
    }

    fn between(a: Wide, b: Wide, t: f64) -> Wide {
        std::array::from_fn(|k| a[k] + t * (b[k] - a[k]))
    }

    fn far(a: Wide, b: Wide) -> f64 {
        (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt()
    }

    /// The least of a convex function on 0 to 1: golden section down to rounding.
    fn least(f: impl Fn(f64) -> f64) -> f64 {
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..80 {
            let third = (high - low) / 3.0;
            if f(low + third) < f(high - third) {
                high -= third;
            } else {
                low += third;
            }
        }
        f(0.5 * (low + high)).min(f(0.0)).min(f(1.0))
    }

    fn to_box(point: Wide) -> f64 {
        let Shape::Box { min, max } = BOX else { unreachable!() };
        far(
            point,
            std::array::from_fn(|k| point[k].clamp(min[k].into(), max[k].into())),
        )
    }

    fn to_segment(point: Wide, line: (Wide, Wide)) -> f64 {
        least(|t| far(point, between(line.0, line.1, t)))
    }

    /// Lines of all kinds: anywhere, along an axis, nearly so, without length.
    fn lines() -> Vec<(Vec3, Vec3)> {
        let mut numbers = numbers();
        #[allow(clippy::cast_possible_truncation)]
        let mut next = || numbers() as f32;
        let mut lines = Vec::new();
        for kind in 0..4000 {
            let start: Vec3 = std::array::from_fn(|_| 2.5 * next());
            let mut end: Vec3 = std::array::from_fn(|_| 2.5 * next());
            let axis = kind % 3;
            for k in 0..3 {
                match kind % 7 {
                    0 if k != axis => end[k] = start[k],
                    1 if k != axis => end[k] = start[k] + 1e-4 * next(),
                    2 => end[k] = start[k],
                    _ => {}
                }
            }
            lines.push((start, end));
        }
        lines
    }

    #[test]
    fn against_a_search_in_f64_for_boxes() {
        for (start, end) in lines() {
            let found = to_shape(&BOX, start, end);
            let searched = least(|t| to_box(between(wide(start), wide(end), t)));
            let off = f64::from(found.distance) - searched;
            assert!((-5e-5..1e-4).contains(&off), "{off} from {start:?} to {end:?}");
            assert!((0.0..=1.0).contains(&found.share));
        }
    }

    #[test]
    fn against_a_search_in_f64_for_lines_and_capsules() {
        let lines = lines();
        for (one, two) in lines.iter().zip(lines.iter().skip(1).step_by(3)) {
            for two in [*two, (add(one.0, [0.2, 0.1, 0.0]), add(one.1, [0.2, 0.1, 1e-4]))] {
                let searched = least(|t| to_segment(between(wide(one.0), wide(one.1), t), (wide(two.0), wide(two.1))));
                let (found, theirs) = to_line(*one, two);
                let capsule = Shape::Capsule {
                    from: two.0,
                    to: two.1,
                    radius: 0.3,
                };
                let off = f64::from(found.distance) - searched;
                assert!((-5e-5..5e-4).contains(&off), "{off} between {one:?} and {two:?}");
                assert!((0.0..=1.0).contains(&theirs));
                assert!((to_shape(&capsule, one.0, one.1).distance - (found.distance - 0.3)).abs() < 1e-4);
            }
        }
    }

    #[test]
    fn behind_a_plane_the_distance_is_negative() {
        let ground = Shape::HalfSpace {
            point: [0.0, 0.0, 0.5],
            outward: [0.0, 0.0, 1.0],
        };
        let found = to_shape(&ground, [0.0, 0.0, 2.0], [1.0, 0.0, 0.25]);
        assert_eq!(
            (found.distance, found.share, found.outward),
            (-0.25, 1.0, [0.0, 0.0, 1.0])
        );
    }

    #[test]
    fn what_is_no_number_has_no_distance() {
        for shape in [
            BOX,
            Shape::Capsule {
                from: [0.0; 3],
                to: [1.0; 3],
                radius: 0.1,
            },
            Shape::HalfSpace {
                point: [0.0; 3],
                outward: [0.0, 0.0, 1.0],
            },
        ] {
            assert!(to_shape(&shape, [f32::NAN; 3], [1.0; 3]).distance.is_nan());
        }
    }
}
