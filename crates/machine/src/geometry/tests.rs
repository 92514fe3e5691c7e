//! Geometry against textbook values (each with its source) and against itself.

use super::{Geometry, GeometryError, Pins};
use crate::description::{Circuit, JointAxis, Linkage};
use nalgebra::Vector3;
use proptest::prelude::*;

const DEG: f64 = std::f64::consts::PI / 180.0;

#[track_caller]
fn near(got: f64, expect: f64, tolerance: f64) {
    assert!(
        (got - expect).abs() <= tolerance,
        "got {got}, expected {expect} +- {tolerance}"
    );
}

/// A clevis about z with both arms along x at angle zero, so that the joint angle is the included angle.
fn triangle(a: f64, b: f64) -> Geometry {
    let linkage = Linkage::Clevis {
        barrel_pin: Vector3::x() * a,
        rod_pin: Vector3::x() * b,
        closed: 1e-12,
    };
    Geometry::new(&linkage, JointAxis::Z, (0.0, 180.0 * DEG)).unwrap()
}

/// Four bars about z: crank = rocker at the origin of the textbook, its rocker = our child at (ground, 0). The cylinder is
/// only there because one has to be: its pin is on the rocker's coupler arm. The joint's range is `at` (deg) and 1 degree around.
fn four_bar([crank, coupler, rocker, ground]: [f64; 4], circuit: Circuit, at: f64) -> Geometry {
    let linkage = Linkage::FourBar {
        barrel_pin: Vector3::new(-ground - 300.0, 0.0, 0.0),
        rocker_pivot: Vector3::new(-ground, 0.0, 0.0),
        rocker_rod: 50.0,
        rocker_coupler: crank,
        rocker_angle: 0.0,
        coupler,
        child_pin: Vector3::new(rocker, 0.0, 0.0),
        closed: 1e-12,
        circuit,
    };
    Geometry::new(&linkage, JointAxis::Z, ((at - 1.0) * DEG, (at + 1.0) * DEG)).unwrap()
}

/// Length of that cylinder with the crank at theta2, rad, and its change with theta2.
fn crank_cylinder(theta2: f64) -> (f64, f64) {
    let (x, y) = (300.0 + 50.0 * theta2.cos(), 50.0 * theta2.sin());
    let length = x.hypot(y);
    (length, (x * -y + y * (x - 300.0)) / length)
}

/// Directions of coupler (theta3) and crank (theta2) of the textbook, rad.
fn directions(geometry: &Geometry, theta4: f64) -> (f64, f64) {
    let Pins::FourBar {
        pivot, rocker, child, ..
    } = geometry.pins(theta4).unwrap()
    else {
        panic!("a four-bar")
    };
    let (bar, crank) = (child - rocker, rocker - pivot);
    (bar.y.atan2(bar.x), crank.y.atan2(crank.x))
}

const NORTON: [f64; 4] = [40.0, 120.0, 80.0, 100.0];

#[test]
fn pv01_included_angle_from_cylinder_length() {
    // Law of cosines, cos t = (a2+b2-L2)/(2ab): a = 0.80, b = 0.35; L = 0.90 / 0.60 m -> 94.8658 / 44.0486 deg (1e-4 deg).
    let t = triangle(0.80, 0.35);
    near(t.angle(0.90).unwrap() / DEG, 94.8658, 1e-4);
    near(t.angle(0.60).unwrap() / DEG, 44.0486, 1e-4);
}

#[test]
fn pv02_right_angle_and_inverse() {
    // 3-4-5 triangle: a = 0.6, b = 0.8, L = 1.0 -> 90 deg exactly; 60 deg -> L = sqrt 0.52 = 0.721110 m (1e-6).
    let t = triangle(0.6, 0.8);
    near(t.angle(1.0).unwrap() / DEG, 90.0, 1e-6);
    near(t.stroke(60.0 * DEG).unwrap(), 0.721110, 1e-6);
}

#[test]
fn pv03_effective_lever() {
    // dL/dt = ab sin t / L: (0.6, 0.8) at 90 and 60 deg: 0.480000, 0.576461 m; (0.80, 0.35) at L = 0.90: 0.309990 m (1e-6).
    let t = triangle(0.6, 0.8);
    near(t.ratio(90.0 * DEG).unwrap(), 0.480000, 1e-6);
    near(t.ratio(60.0 * DEG).unwrap(), 0.576461, 1e-6);
    let t = triangle(0.80, 0.35);
    near(t.ratio(t.angle(0.90).unwrap()).unwrap(), 0.309990, 1e-6);
}

#[test]
fn pv04_angle_error_from_length_error() {
    // Inverse of PV-03: (0.6, 0.8) at 90 deg, 1 mm, tip at 3.0 m: 0.119366 deg and 6.25 mm (0.1 %, first order).
    let t = triangle(0.6, 0.8);
    let error = t.angle(1.001).unwrap() - t.angle(1.0).unwrap();
    near(error / DEG, 0.119366, 0.119366e-3);
    near(error * 3000.0, 6.25, 6.25e-3);
}

#[test]
fn pv05_reachability() {
    // Triangle inequality: a = 0.6, b = 0.8 is valid only for 0.2 <= L <= 1.4 m, there 0 and 180 deg; outside an error, never NaN.
    let t = triangle(0.6, 0.8);
    near(t.angle(0.2).unwrap() / DEG, 0.0, 1e-4);
    near(t.angle(1.4).unwrap() / DEG, 180.0, 1e-4);
    assert!(matches!(t.angle(0.199), Err(GeometryError::TooShort { .. })));
    assert!(matches!(t.angle(1.401), Err(GeometryError::TooLong { .. })));
    assert!(t.angle(f64::NAN).is_err());
}

#[test]
fn pv06_four_bar_open_circuit() {
    // Norton, Design of Machinery, ch. 4: a, b, c, d = 40, 120, 80, 100 mm, theta2 = 40 deg -> theta3 = 20.2979,
    // theta4 = 57.3249 deg (1e-3 deg).
    let g = four_bar(NORTON, Circuit::Open, 57.0);
    let theta4 = g.angle(crank_cylinder(40.0 * DEG).0).unwrap();
    near(theta4 / DEG, 57.3249, 1e-3);
    let (theta3, theta2) = directions(&g, theta4);
    near(theta3 / DEG, 20.2979, 1e-3);
    near(theta2 / DEG, 40.0, 1e-9);
}

#[test]
fn pv07_four_bar_crossed_circuit() {
    // As PV-06, crossed: theta3 = -60.9780, theta4 = -98.0050 deg (1e-3 deg); closure below 1e-12 mm.
    let g = four_bar(NORTON, Circuit::Crossed, -98.0);
    let theta4 = g.angle(crank_cylinder(40.0 * DEG).0).unwrap();
    near(theta4 / DEG, -98.0050, 1e-3);
    let (theta3, theta2) = directions(&g, theta4);
    near(theta3 / DEG, -60.9780, 1e-3);
    near(theta2 / DEG, 40.0, 1e-9);
    let Pins::FourBar { rocker, child, .. } = g.pins(theta4).unwrap() else {
        panic!("a four-bar")
    };
    near((child - rocker).norm(), 120.0, 1e-12 * 120.0);
}

#[test]
fn pv08_freudenstein() {
    // Freudenstein, Trans. ASME 77 (1955): K1 = 2.5, K2 = 1.25, K3 = 0.5625 in
    // K1 cos t4 - K2 cos t2 + K3 = cos(t2 - t4), on both circuits.
    for (circuit, middle) in [(Circuit::Open, 57.0), (Circuit::Crossed, -98.0)] {
        let g = four_bar(NORTON, circuit, middle);
        for theta2 in [40.0, 60.0, 80.0] {
            let theta2 = theta2 * DEG;
            let theta4 = g.angle(crank_cylinder(theta2).0).unwrap();
            near(
                2.5 * theta4.cos() - 1.25 * theta2.cos() + 0.5625,
                (theta2 - theta4).cos(),
                1e-9,
            );
        }
    }
}

#[test]
fn pv09_velocity_ratios() {
    // Norton ch. 6: omega2 = 1 rad/s, open: omega3 = -0.164837, omega4 = +0.279919 rad/s (1e-5).
    let g = four_bar(NORTON, Circuit::Open, 57.0);
    let at = |theta2: f64| g.angle(crank_cylinder(theta2).0).unwrap();
    let theta4 = at(40.0 * DEG);
    near(crank_cylinder(40.0 * DEG).1 / g.ratio(theta4).unwrap(), 0.279919, 1e-5);
    let theta3 = |h: f64| directions(&g, at(40.0 * DEG + h)).0;
    near((theta3(1e-6) - theta3(-1e-6)) / 2e-6, -0.164837, 1e-5);
    // The crossed circuit has no published ratio: the difference quotient stands in.
    let g = four_bar(NORTON, Circuit::Crossed, -98.0);
    let at = |theta2: f64| g.angle(crank_cylinder(theta2).0).unwrap();
    let numeric = (at(40.0 * DEG + 1e-6) - at(40.0 * DEG - 1e-6)) / 2e-6;
    near(
        crank_cylinder(40.0 * DEG).1 / g.ratio(at(40.0 * DEG)).unwrap(),
        numeric,
        1e-7,
    );
}

#[test]
fn pv10_transmission_angle_and_parallelogram() {
    // As PV-06 the transmission angle is 37.03 deg; in a parallelogram (a = c, b = d) theta4 = theta2 and theta3 = 0.
    let g = four_bar(NORTON, Circuit::Open, 57.0);
    let theta4 = g.angle(crank_cylinder(40.0 * DEG).0).unwrap();
    near((theta4 - directions(&g, theta4).0) / DEG, 37.03, 1e-2);
    let g = four_bar([40.0, 100.0, 40.0, 100.0], Circuit::Open, 60.0);
    for theta2 in [30.0, 60.0, 100.0] {
        let theta4 = g.angle(crank_cylinder(theta2 * DEG).0).unwrap();
        near(theta4 / DEG, theta2, 1e-6);
        near(directions(&g, theta4).0, 0.0, 1e-9);
    }
}

#[test]
fn a_pose_past_a_dead_centre_is_refused_not_mirrored() {
    let t = triangle(0.6, 0.8);
    assert!(matches!(t.stroke(-10.0 * DEG), Err(GeometryError::DeadCentre(_))));
    assert!(matches!(t.stroke(190.0 * DEG), Err(GeometryError::DeadCentre(_))));
}

#[test]
fn a_positive_angle_turns_e1_towards_e2_about_every_axis() {
    for axis in [JointAxis::X, JointAxis::Y, JointAxis::Z] {
        let about = match axis {
            JointAxis::X => Vector3::x_axis(),
            JointAxis::Y => Vector3::y_axis(),
            JointAxis::Z => Vector3::z_axis(),
        };
        let v = Vector3::new(0.3, -0.5, 0.7);
        let in_space = super::on_plane(axis, nalgebra::Rotation3::from_axis_angle(&about, 0.4) * v);
        let in_plane = super::turned(super::on_plane(axis, v), 0.4);
        assert!((in_space - in_plane).norm() < 1e-12, "{axis:?}");
    }
}

proptest! {
    #[test]
    fn a_clevis_round_trips_and_its_slopes_are_derivatives(
        a in 0.2..1.0f64, b in 0.15..0.6f64, barrel in -3.0..3.0f64, rod in -3.0..3.0f64,
        included in 0.2..2.9f64, ahead in any::<bool>(),
    ) {
        let included = if ahead { included } else { -included };
        let q = included + barrel - rod;
        let pin = |length: f64, heading: f64| Vector3::new(length * heading.cos(), 0.0, -length * heading.sin());
        let linkage = Linkage::Clevis { barrel_pin: pin(a, barrel), rod_pin: pin(b, rod), closed: 0.1 };
        let g = Geometry::new(&linkage, JointAxis::Y, (q - 0.05, q + 0.05)).unwrap();
        holds(&g, q)?;
    }

    #[test]
    fn a_four_bar_round_trips_and_its_slopes_are_derivatives(
        ground in 0.2..0.5f64, rocker in 0.2..0.5f64, coupler in 0.3..0.6f64, child in 0.15..0.4f64,
        rod in 0.2..0.5f64, rocker_angle in -0.5..0.5f64, barrel in 0.6..1.2f64, q in -3.0..3.0f64, open in any::<bool>(),
    ) {
        let linkage = Linkage::FourBar {
            barrel_pin: Vector3::new(-barrel, 0.0, 0.1),
            rocker_pivot: Vector3::new(-ground, 0.0, 0.0),
            rocker_rod: rod,
            rocker_coupler: rocker,
            rocker_angle,
            coupler,
            child_pin: Vector3::new(child, 0.0, 0.0),
            closed: 0.1,
            circuit: if open { Circuit::Open } else { Circuit::Crossed },
        };
        let Ok(g) = Geometry::new(&linkage, JointAxis::Y, (q - 0.02, q + 0.02)) else { return Ok(()) };
        if g.clearance(q).is_ok_and(|clear| clear > 0.15) {
            holds(&g, q)?;
        }
    }
}

fn holds(g: &Geometry, q: f64) -> Result<(), TestCaseError> {
    let h = 1e-5;
    let stroke = g.stroke(q).unwrap();
    let back = g.angle(stroke).unwrap();
    prop_assert!((back - q).abs() < 1e-9, "{} came back as {}", q, back);
    let slope = (g.stroke(q + h).unwrap() - g.stroke(q - h).unwrap()) / (2.0 * h);
    prop_assert!((g.ratio(q).unwrap() - slope).abs() < 1e-7 * (1.0 + slope.abs()));
    let bend = (g.ratio(q + h).unwrap() - g.ratio(q - h).unwrap()) / (2.0 * h);
    prop_assert!((g.second(q).unwrap() - bend).abs() < 1e-6 * (1.0 + bend.abs()));
    Ok(())
}
