//! The oil as a spring, and where along the stroke the mass swings slowest on it.
//!
//! `w² = E/m (A²/VA + B²/VB)`, m being what the actuator feels: the joint's inertia over the moment arm squared. Source: Merritt,
//! *Hydraulic Control Systems* (1967), chapter 6, here with both chambers apart and with their hoses; it is the check by hand of the
//! single-cylinder benchmark too. A mass that is the same all along a cylinder of stroke s without hoses swings slowest at
//! `s sqrt(A) / (sqrt(A) + sqrt(B))` from the cap end, with `w = sqrt(E/(m s)) (sqrt(A) + sqrt(B))`.

use bellcrank_machine::description::{Axis, Oil};

use super::report::Natural;
use crate::plant::chambers::Chambers;
use crate::plant::oil::Law;

/// Strokes looked at before the search between the slowest one's neighbours.
const STROKES: u32 = 16;
/// Steps of that search: each leaves 0.618 of the span.
const STEPS: u32 = 20;
/// Values nearer to each other than this share are the same.
const SAME: f64 = 1e-9;

/// Natural frequency at mid stroke, and the least within a span of strokes, both chambers at a pressure, Pa. `mass` is what the actuator feels at a stroke, kg (kg m² for
/// a motor). None where nothing moves: a slender bar that turns about itself weighs nothing to its actuator.
pub(super) fn natural(
    axis: &Axis,
    oil: &Oil,
    pressure: f64,
    span: (f64, f64),
    mass: impl Fn(f64) -> Option<f64>,
) -> Option<Natural> {
    let (chambers, squeezed) = (Chambers::new(&axis.actuator), [Law::new(oil).at(pressure); 2]);
    let spring = |stroke: f64| -> f64 {
        let rise = chambers.stiffness(stroke, [pressure; 2], squeezed);
        let each = chambers.areas().into_iter().zip(rise);
        each.map(|(area, rise)| area * area * rise).sum()
    };
    let hz = |stroke: f64| {
        let mass = mass(stroke).filter(|mass| *mass > 0.0)?;
        Some((spring(stroke) / mass).sqrt() / std::f64::consts::TAU)
    };
    let travel = axis.actuator.travel;
    let (at, least_hz) = least(span, |stroke| hz(stroke).unwrap_or(f64::INFINITY));
    Some(Natural {
        mid_hz: hz(0.5 * travel)?,
        least_hz,
        least_at_percent: 100.0 * at / travel,
    })
}

/// Where a function is least within a span, and its value there: the best of a few, then a golden-section search around it.
fn least((start, end): (f64, f64), value: impl Fn(f64) -> f64) -> (f64, f64) {
    let step = (end - start) / f64::from(STROKES);
    // The middle first: where nothing changes along the stroke, that is where it is said to be.
    let strokes =
        std::iter::once(f64::midpoint(start, end)).chain((0..=STROKES).map(|number| start + step * f64::from(number)));
    let pairs = strokes.map(|stroke| (stroke, value(stroke)));
    let better = |a: (f64, f64), b: (f64, f64)| if b.1 < a.1 * (1.0 - SAME) { b } else { a };
    let best = pairs.reduce(better).unwrap_or((start, value(start)));

    let (mut low, mut high) = ((best.0 - step).max(start), (best.0 + step).min(end));
    let share = 0.5 * (5.0_f64.sqrt() - 1.0);
    let inner = |low: f64, high: f64| (high - share * (high - low), low + share * (high - low));
    let (a, b) = inner(low, high);
    let (mut a, mut b) = ((a, value(a)), (b, value(b)));
    for _ in 0..STEPS {
        if a.1 < b.1 {
            high = b.0;
            b = a;
            a.0 = inner(low, high).0;
            a.1 = value(a.0);
        } else {
            low = a.0;
            a = b;
            b.0 = inner(low, high).1;
            b.1 = value(b.0);
        }
    }
    [a, b].into_iter().fold(best, better)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use bellcrank_machine::description::Actuator;

    use super::*;

    /// 2000 kg on a cylinder of 600 mm without hoses; the oil's modulus is 1.4e9 Pa.
    fn swing(area_a: f64, area_b: f64) -> Natural {
        let text = bellcrank_machine::builtin("yard-digger").expect("built in");
        let digger = bellcrank_machine::read("yard-digger", text).expect("good");
        let boom = digger.axes.into_iter().nth(1).expect("the boom");
        let axis = Axis {
            actuator: Actuator {
                area_a,
                area_b,
                travel: 0.6,
                dead_a: 0.0,
                dead_b: 0.0,
                swell: [0.0; 2],
                ..boom.actuator
            },
            ..boom
        };
        let oil = Oil::textbook(870.0, 1.4e9);
        natural(&axis, &oil, 100e5, (0.0, 0.6), |_| Some(2000.0)).expect("it moves")
    }

    #[track_caller]
    fn near(found: f64, expect: f64) {
        assert!((found / expect - 1.0).abs() < 1e-5, "{found} is not {expect}");
    }

    /// PV-35 (Merritt 1967, chapter 6, from memory): equal areas.
    #[test]
    fn equal_areas_swing_slowest_in_the_middle() {
        let natural = swing(25.635e-4, 25.635e-4);
        near(natural.mid_hz * TAU, 109.376);
        near(natural.least_hz * TAU, 109.376);
        assert!((natural.least_at_percent - 50.0).abs() < 0.01, "{natural:?}");
    }

    /// PV-36: 80/56 mm. The least is `sqrt(E/(m s)) (sqrt(A) + sqrt(B))`, at 0.350029 m from the cap end (derived from the same formula).
    #[test]
    fn a_single_rod_swings_slowest_beyond_the_middle() {
        let (bore, rod) = (0.080_f64, 0.056_f64);
        let quarter = std::f64::consts::PI / 4.0;
        let (a, b) = (quarter * bore * bore, quarter * (bore * bore - rod * rod));
        let natural = swing(a, b);
        near(natural.mid_hz * TAU, 133.080);
        near(natural.least_hz * TAU, 131.267);
        near(
            natural.least_hz * TAU,
            (1.4e9_f64 / (2000.0 * 0.6)).sqrt() * (a.sqrt() + b.sqrt()),
        );
        // Around the least the frequency is flat: where it is comes out less sharply than what it is.
        let at = 0.6 * natural.least_at_percent / 100.0;
        assert!((at - 0.350029).abs() < 2e-5, "{at} m");
    }
}
