//! `[[zone]]` and `[guard]`: what the arms keep out of, and how far from each other.

use std::ops::RangeInclusive;

use nalgebra::Vector3;

use super::{MM, TIP_MM_S, Table};
use crate::description::{Arm, Axis, Guard, Shape, Zone};

/// How far to keep off.
const MARGIN_MM: RangeInclusive<f64> = 0.0..=2000.0;

/// Kinds of zones.
#[derive(Debug, Clone, Copy)]
enum Kind {
    Box,
    Capsule,
    HalfSpace,
}

const KINDS: [(&str, Kind); 3] = [
    ("box", Kind::Box),
    ("capsule", Kind::Capsule),
    ("half_space", Kind::HalfSpace),
];

pub(super) fn zone(t: &Table, axes: &[Axis], arms: &[Arm]) -> Zone {
    let in_arm = |key: &'static str, name: &str| {
        let index = axes.iter().position(|axis| axis.name == name);
        let found = index.filter(|index| {
            arms.iter()
                .any(|arm| arm.axes.contains(index) || arm.grip == Some(*index))
        });
        if found.is_none() && !name.is_empty() {
            t.complain(key, format!("{name:?}"), "the axis of an arm");
        }
        found
    };
    let kind = t.optional("kind").map_or(Some(Kind::Box), |key| t.choice(key, &KINDS));
    Zone {
        name: t.text("name"),
        shape: kind.map_or_else(
            || {
                // Nobody knows which keys such a zone should have.
                t.pass_over_rest();
                Shape::Box {
                    min: Vector3::zeros(),
                    max: Vector3::zeros(),
                }
            },
            |kind| shape(t, kind),
        ),
        on: t.optional("on").and_then(|key| {
            let axis = in_arm(key, &t.text(key));
            if axis.is_some_and(|axis| arms.iter().any(|arm| arm.grip == Some(axis))) {
                t.complain(key, "a grip", "an axis that moves an arm's tip");
            }
            axis
        }),
        spares: t.optional("spares").map_or_else(Vec::new, |key| {
            t.texts(key).iter().filter_map(|name| in_arm(key, name)).collect()
        }),
        margin: t.number("margin_mm", MARGIN_MM),
    }
}

fn shape(t: &Table, kind: Kind) -> Shape {
    match kind {
        Kind::Box => {
            let (min, max) = (t.vector3("min_mm", MM), t.vector3("max_mm", MM));
            if min.iter().zip(&max).any(|(min, max)| min >= max) {
                let wanted = format!("each coordinate greater than in min_mm ({})", t.words("min_mm"));
                t.wrong("max_mm", wanted);
            }
            Shape::Box { min, max }
        }
        Kind::Capsule => Shape::Capsule {
            from: t.vector3("from_mm", MM),
            to: t.vector3("to_mm", MM),
            radius: t.number("radius_mm", 1.0..=5000.0),
        },
        Kind::HalfSpace => {
            let outward = t.vector3("outward", -1.0..=1.0);
            if outward.norm() < 0.1 && t.clean() {
                t.wrong("outward", "a direction, such as [0, 0, 1] for up");
            }
            Shape::HalfSpace {
                point: t.vector3("point_mm", MM),
                outward: outward.try_normalize(0.0).unwrap_or_else(Vector3::z),
            }
        }
    }
}

/// `[guard]`: only where there are arms that could meet must the file say how far they keep from each other.
pub(super) fn guard(t: &Table, arms: usize) -> Guard {
    let guard = |t: &Table| Guard {
        arms_margin: if arms > 1 {
            t.number("arms_margin_mm", MARGIN_MM)
        } else {
            0.0
        },
        commissioning_speed: t.optional("commissioning_mm_s").map(|key| t.number(key, TIP_MM_S)),
    };
    match t.optional("guard") {
        None if arms < 2 => Guard::default(),
        _ => t.table("guard", guard),
    }
}
