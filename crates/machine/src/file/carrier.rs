//! `[carrier]`: what the arms stand on, for tipping.

use std::ops::RangeInclusive;

use nalgebra::Vector2;

use super::{MM, Table};
use crate::description::Carrier;

/// Corners that a support may have.
const CORNERS: RangeInclusive<usize> = 3..=8;
/// A corner is at least this far inside of every edge that does not end in it, m: nearer, and three corners lie in line.
const CLEAR: f64 = 0.01;

pub(super) fn carrier(t: &Table) -> Carrier {
    let mut support = t.points("support_mm", MM);
    if t.clean() {
        match fault(&support) {
            Some((found, wanted)) => t.complain("support_mm", found, wanted),
            None if area(&support) < 0.0 => support.reverse(),
            None => {}
        }
    }
    let carrier = Carrier {
        mass: t.number("mass_kg", 1.0..=1e6),
        centre: t.vector3("centre_mm", MM),
        support,
        tip_margin: t.number("tip_margin_percent", 0.0..=90.0) / 100.0,
    };
    let on_its_feet =
        |(start, end): (&Vector2<f64>, &Vector2<f64>)| (end - start).perp(&(carrier.centre.xy() - start)) > 0.0;
    if t.clean() && !edges(&carrier.support).all(on_its_feet) {
        t.wrong(
            "centre_mm",
            "a centre of mass over the support: else it tips with its arms off",
        );
    }
    carrier
}

/// From each corner to the next, round the polygon.
fn edges(corners: &[Vector2<f64>]) -> impl Iterator<Item = (&Vector2<f64>, &Vector2<f64>)> {
    corners.iter().zip(corners.iter().cycle().skip(1))
}

/// What is wrong with a support, and what would be right.
fn fault(corners: &[Vector2<f64>]) -> Option<(String, String)> {
    let count = corners.len();
    if !CORNERS.contains(&count) {
        let (least, most) = (CORNERS.start(), CORNERS.end());
        return Some((format!("{count} corners"), format!("{least} to {most}")));
    }
    let way = area(corners).signum();
    for (i, &start) in corners.iter().enumerate() {
        let next = (i + 1) % count;
        let along = (corners[next] - start).try_normalize(0.0).unwrap_or_default();
        for (k, corner) in corners.iter().enumerate().filter(|&(k, _)| k != i && k != next) {
            if way * along.perp(&(corner - start)) < CLEAR {
                let [i, next, k] = [i, next, k].map(|number| number + 1);
                return Some((
                    format!("corner {k} not inside of the edge from corner {i} to corner {next}"),
                    format!(
                        "a convex polygon: its corners in order round it, each at least {} mm inside of the edges that do not end in it",
                        CLEAR * 1e3
                    ),
                ));
            }
        }
    }
    None
}

/// Area of a polygon, m²; negative where its corners go round clockwise.
fn area(corners: &[Vector2<f64>]) -> f64 {
    edges(corners).map(|(a, b)| 0.5 * a.perp(b)).sum()
}
