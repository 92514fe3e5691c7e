//! The core's linkages against textbook geometry.

#![allow(
    clippy::cast_possible_truncation,
    reason = "narrowing to what the core is given is what is tested"
)]

use std::f64::consts::PI;

use bellcrank_core::linkage::{FourBar, Linkage, LinkageError, Triangle};
use proptest::prelude::*;

/// A clevis whose angle is the included angle itself, whose stroke is the pin-to-pin length.
fn clevis(a: f32, b: f32) -> Linkage {
    Linkage::Clevis(Triangle {
        a,
        b,
        closed: 1e-6,
        zero: 0.0,
        sense: 1.0,
    })
}

/// Source: law of cosines, cos θ = (a²+b²-L²)/(2ab) (any trigonometry text); PV-01, PV-02.
#[test]
fn included_angle_of_the_law_of_cosines() {
    for (a, b, length, degrees) in [
        (0.8, 0.35, 0.9, 94.865756),
        (0.8, 0.35, 0.6, 44.048626),
        (0.6, 0.8, 1.0, 90.0),
    ] {
        let angle = clevis(a, b).angle(length).unwrap().to_degrees();
        assert!((f64::from(angle) - degrees).abs() < 2e-4, "{angle}, wanted {degrees}");
    }
    let length = clevis(0.6, 0.8).stroke(60_f32.to_radians()).unwrap();
    assert!((f64::from(length) - 0.7211102551).abs() < 2e-6);
}

/// Source: dL/dθ = ab sin θ / L, by differentiating the law of cosines; PV-03.
#[test]
fn effective_lever() {
    for (a, b, degrees, lever) in [
        (0.6, 0.8, 90.0_f32, 0.48),
        (0.6, 0.8, 60.0, 0.576461),
        (0.8, 0.35, 94.865756, 0.30999),
    ] {
        let found = clevis(a, b).ratio(degrees.to_radians()).unwrap();
        assert!((f64::from(found) - lever).abs() < 5e-6, "{found}, wanted {lever}");
    }
}

/// Source: triangle inequality; PV-05. Outside is an error, never NaN.
#[test]
fn unreachable_lengths_are_errors() {
    let linkage = clevis(0.6, 0.8);
    assert_eq!(linkage.angle(0.19), Err(LinkageError::TooShort));
    assert_eq!(linkage.angle(1.41), Err(LinkageError::TooLong));
    assert_eq!(linkage.angle(f32::NAN), Err(LinkageError::NotFinite));
    assert_eq!(linkage.ratio(0.0), Err(LinkageError::DeadCentre));
    assert_eq!(linkage.ratio(f32::NAN), Err(LinkageError::NotFinite));
}

/// Links 40, 120, 80, 100 mm in metres; the rocker is the textbook's crank at θ2, the child its rocker at θ4. The textbook's
/// ground runs from crank pivot to rocker pivot along +x, so the rocker pivot is at (-0.1, 0) seen from the joint.
fn four_bar(child_side: f32, rocker_side: f32) -> Linkage {
    Linkage::FourBar(FourBar {
        // A cylinder whose stroke is a measure of the crank's angle: θ2 = included angle of a triangle with its zero at 0.
        cylinder: Triangle {
            a: 0.1,
            b: 0.1,
            closed: 1e-6,
            zero: 0.0,
            sense: 1.0,
        },
        pivot: [-0.1, 0.0],
        rocker: 0.04,
        coupler: 0.12,
        child: 0.08,
        child_zero: 0.0,
        child_side,
        rocker_side,
    })
}

/// Pin-to-pin length of the crank's cylinder at θ2.
fn stroke_at(degrees: f64) -> f32 {
    (0.2 * (degrees.to_radians() / 2.0).sin()) as f32 - 1e-6
}

/// Source: Norton, Design of Machinery, ch. 4, worked four-bar (40, 120, 80, 100 mm at 40°): θ4 = 57.325° open, -98.005° crossed;
/// PV-06, PV-07. Velocity ratio: ch. 6, ω4/ω2 = 0.279919; PV-09. (Values recomputed, book named from memory.)
#[test]
fn textbook_four_bar() {
    let open = four_bar(-1.0, 1.0);
    let angle = open.angle(stroke_at(40.0)).unwrap();
    assert!(
        (f64::from(angle).to_degrees() - 57.3249).abs() < 1e-3,
        "{}",
        angle.to_degrees()
    );
    let crossed = four_bar(1.0, -1.0);
    let other = crossed.angle(stroke_at(40.0)).unwrap();
    assert!(
        (f64::from(other).to_degrees() + 98.005).abs() < 1e-3,
        "{}",
        other.to_degrees()
    );

    // d stroke / d θ4 = (d stroke / d θ2) / (ω4/ω2); d stroke / d θ2 = 0.1 cos(θ2/2) for two arms of 0.1 m.
    let wanted = 0.1 * (20_f64.to_radians()).cos() / 0.279919;
    assert!((f64::from(open.ratio(angle).unwrap()) - wanted).abs() < 2e-5);
    assert!((f64::from(open.stroke(angle).unwrap()) - f64::from(stroke_at(40.0))).abs() < 1e-6);
}

/// Source: triangle inequality. A coupler that cannot reach, a joint angle beyond the textbook rocker's limit (crank and coupler in one
/// line: cos = (100² + 80² - 160²) / (2·100·80), so 54.90°), and that limit itself, where the crank has no hold of the rocker.
#[test]
fn a_four_bar_that_does_not_close_is_an_error() {
    let with_coupler = |coupler| {
        let Linkage::FourBar(bars) = four_bar(-1.0, 1.0) else {
            unreachable!()
        };
        Linkage::FourBar(FourBar { coupler, ..bars })
    };
    assert_eq!(with_coupler(0.02).angle(stroke_at(150.0)), Err(LinkageError::TooShort));
    assert_eq!(with_coupler(0.3).angle(stroke_at(40.0)), Err(LinkageError::TooLong));
    let limit = (180.0 - (-0.575_f64).acos().to_degrees()).to_radians();
    let open = four_bar(-1.0, 1.0);
    for beyond in [1e-5, 0.01, 0.3] {
        assert_eq!(
            open.stroke((limit - beyond) as f32),
            Err(LinkageError::TooShort),
            "{beyond}"
        );
    }
    // To the last bit, the limit may lie on either side.
    let mut at = limit as f32;
    while open.ratio(at) == Err(LinkageError::TooShort) {
        at = at.next_up();
    }
    assert_eq!(open.ratio(at), Err(LinkageError::DeadCentre), "{at}");
    assert!(open.ratio(limit as f32 + 0.01).is_ok());
    for linkage in [
        open,
        Linkage::Direct { zero: 0.1 },
        Linkage::Slide { zero: 0.1, gear: 2.0 },
    ] {
        assert_eq!(linkage.angle(f32::NAN), Err(LinkageError::NotFinite));
        assert_eq!(linkage.stroke(f32::NAN), Err(LinkageError::NotFinite));
        assert_eq!(linkage.ratio(f32::NAN), Err(LinkageError::NotFinite));
        let infinite = f32::INFINITY;
        assert!(
            linkage.angle(infinite).is_err() && linkage.stroke(infinite).is_err() && linkage.ratio(infinite).is_err()
        );
    }
}

/// Freudenstein's equation in f64, open circuit: the textbook's θ4 at θ2 (PV-08).
fn theta4(theta2: f64) -> f64 {
    let (k1, k2, k3) = (2.5, 1.25, 0.5625);
    let (sin, cos) = theta2.sin_cos();
    let (a, b, c) = (cos - k1 - k2 * cos + k3, -2.0 * sin, k1 - (k2 + 1.0) * cos + k3);
    2.0 * (-b - (b * b - 4.0 * a * c).sqrt()).atan2(2.0 * a)
}

/// Angle from the triangle of two arms of 0.1 m and the pin-to-pin length of a stroke.
fn theta2(stroke: f64) -> f64 {
    2.0 * ((stroke + f64::from(1e-6_f32)) / 0.2).asin()
}

proptest! {
    /// Against the law of cosines in f64, 5 degrees and more away from the dead centres.
    #[test]
    fn clevis_to_its_stated_error(a in 0.1_f64..2.0, b in 0.1_f64..2.0, share in 0.0_f64..1.0) {
        let angle = (5.0 + 170.0 * share).to_radians();
        let (a32, b32) = (a as f32, b as f32);
        let (a, b) = (f64::from(a32), f64::from(b32));
        let length = (a * a + b * b - 2.0 * a * b * angle.cos()).sqrt();
        let linkage = Linkage::Clevis(Triangle { a: a32, b: b32, closed: 0.01, zero: 0.0, sense: 1.0 });
        let stroke = (length - f64::from(0.01_f32)) as f32;
        // What f32 makes of the stroke is not the linkage's error.
        let length = f64::from(stroke) + f64::from(0.01_f32);
        let cosine: f64 = (a * a + b * b - length * length) / (2.0 * a * b);
        let wanted = cosine.clamp(-1.0, 1.0).acos();
        let lever = a * b * wanted.sin() / length;
        let found = linkage.angle(stroke).unwrap();
        // A rounding of the length, up to 2e-7 m, moves the angle by that over the lever.
        let rounding = 2.4e-7 / lever;
        prop_assert!((f64::from(found) - wanted).abs() < 1e-6 + rounding, "{found} {wanted}");
        prop_assert!((f64::from(linkage.stroke(found).unwrap()) - f64::from(stroke)).abs() < 1e-6);
        let ratio = f64::from(linkage.ratio(found).unwrap());
        prop_assert!((ratio / lever - 1.0).abs() < 1e-4, "{ratio} {lever}");
        // The same by differences of the angle in f64; and monotone.
        let included = |length: f64| ((a * a + b * b - length * length) / (2.0 * a * b)).acos();
        let h = 1e-6 * length;
        let by_differences = 2.0 * h / (included(length + h) - included(length - h));
        prop_assert!((ratio / by_differences - 1.0).abs() < 1e-4, "{ratio} {by_differences}");
        let (below, above) = (linkage.angle(stroke - 1e-4).unwrap(), linkage.angle(stroke + 1e-4).unwrap());
        prop_assert!(below < found && found < above && f64::from(found) < PI);
    }

    /// Crank and coupler are in one line at 24.1 degrees, which is a dead centre. Against Freudenstein's equation: there and back, the ratio by differences of the f64 angle, and monotone.
    #[test]
    fn four_bar_to_its_stated_error(degrees in 30.0_f64..150.0) {
        let linkage = four_bar(-1.0, 1.0);
        let stroke = stroke_at(degrees);
        let wanted = |stroke: f64| {
            let angle = theta4(theta2(stroke));
            if angle < -PI { angle + 2.0 * PI } else { angle }
        };
        let found = linkage.angle(stroke).unwrap();
        // The cylinder's angle is rounded with its stroke, up to 2e-8 m, over its least lever of 0.026 m.
        prop_assert!((f64::from(found) - wanted(f64::from(stroke))).abs() < 2e-6, "{found}");
        prop_assert!((linkage.stroke(found).unwrap() - stroke).abs() < 1e-6);
        // Differences in f64: their own error is the square of the step, 1e-10, over the square of the least length, 1e-3.
        let (h, at) = (1e-5, f64::from(stroke));
        let by_differences = 2.0 * h / (wanted(at + h) - wanted(at - h));
        let ratio = f64::from(linkage.ratio(found).unwrap());
        prop_assert!((ratio / by_differences - 1.0).abs() < 1e-4, "{ratio} {by_differences}");
        let (below, above) = (stroke - 1e-4, stroke + 1e-4);
        prop_assert!(linkage.angle(above).unwrap() > found && found > linkage.angle(below).unwrap());
    }

    /// Motor and telescope: exact but for two roundings, monotone in the direction of their gear.
    #[test]
    fn straight_linkages_there_and_back(zero in -3.0_f32..3.0, gear in 0.2_f32..2.0, back: bool, stroke in 0.0_f32..3.0) {
        let gear = if back { -gear } else { gear };
        let slide = Linkage::Slide { zero, gear };
        let rounding = |size: f32| 2.0 * f32::EPSILON * (size.abs() + zero.abs());
        let place = slide.angle(stroke).unwrap();
        prop_assert!((place - (zero + gear * stroke)).abs() <= rounding(place));
        prop_assert!((slide.stroke(place).unwrap() - stroke).abs() <= rounding(place + gear * stroke) / gear.abs() + rounding(stroke));
        prop_assert_eq!(slide.ratio(place).unwrap(), 1.0 / gear);
        prop_assert_eq!(slide.angle(stroke + 0.1).unwrap() > place, gear > 0.0);
        let motor = Linkage::Direct { zero };
        prop_assert!((motor.stroke(motor.angle(stroke).unwrap()).unwrap() - stroke).abs() <= rounding(stroke));
        prop_assert_eq!(motor.ratio(stroke).unwrap(), 1.0);
    }
}
