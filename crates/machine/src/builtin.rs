//! The machines that come with the software.

use crate::document::{self, BuiltIn};

/// The built-in machines: name and machine file.
pub const BUILTIN: [BuiltIn; 3] = [
    ("yard-digger", include_str!("../machines/yard-digger.toml")),
    ("drystone-setter", include_str!("../machines/drystone-setter.toml")),
    ("servo-digger", include_str!("../machines/servo-digger.toml")),
];

/// The machine file of a built-in machine; none for any other name. Blanks may stand for the dashes, as in the name that the file
/// itself gives.
pub fn builtin(name: &str) -> Option<&'static str> {
    document::builtin(name, &BUILTIN)
}

#[cfg(test)]
mod tests {
    use super::builtin;
    use crate::description::{Arm, Description, JointAxis};
    use crate::geometry::Geometry;
    use nalgebra::{Rotation3, Vector3};

    const GRAVITY: f64 = 9.80665;

    fn machine(name: &str) -> Description {
        crate::read(name, builtin(name).unwrap()).unwrap()
    }

    /// Where the joints of an arm are, the centres of its links, and its tip, at these joint angles (deg).
    fn pose(d: &Description, arm: &Arm, angles: &[f64]) -> (Vec<Vector3<f64>>, Vec<Vector3<f64>>, Vector3<f64>) {
        let (mut at, mut turned) = (arm.base, Rotation3::identity());
        let (mut joints, mut centres) = (Vec::new(), Vec::new());
        for (&index, angle) in arm.axes.iter().zip(angles) {
            let joint = &d.axes[index].joint;
            let about = match joint.axis {
                JointAxis::X => Vector3::x_axis(),
                JointAxis::Y => Vector3::y_axis(),
                JointAxis::Z => Vector3::z_axis(),
            };
            turned *= Rotation3::from_axis_angle(&about, angle.to_radians());
            joints.push(at);
            centres.push(at + turned * joint.centre);
            at += turned * joint.link;
        }
        (joints, centres, at)
    }

    /// No cylinder of an arm needs more than `share` of the pump's pressure to hold `payload` (kg) at the tip in any pose.
    #[track_caller]
    fn holds(name: &str, payload: f64, share: f64) {
        const STEPS: usize = 8;
        let d = machine(name);
        let arm = &d.arms[0];
        let lifting: Vec<usize> = (0..arm.axes.len())
            .filter(|&i| d.axes[arm.axes[i]].joint.axis == JointAxis::Y)
            .collect();
        let geometry: Vec<Geometry> = arm
            .axes
            .iter()
            .map(|&i| &d.axes[i])
            .map(|axis| Geometry::of(axis).unwrap())
            .collect();
        for combination in 0..(STEPS + 1).pow(3) {
            let mut angles = vec![0.0; arm.axes.len()];
            for (digit, &i) in lifting.iter().enumerate() {
                let (low, high) = d.axes[arm.axes[i]].joint.range;
                let step = combination / (STEPS + 1).pow(u32::try_from(digit).unwrap()) % (STEPS + 1);
                angles[i] = (low + (high - low) * step as f64 / STEPS as f64).to_degrees();
            }
            let (joints, centres, tip) = pose(&d, arm, &angles);
            for &i in &lifting {
                let axis = &d.axes[arm.axes[i]];
                let carried = (i..joints.len()).map(|j| d.axes[arm.axes[j]].joint.mass * (centres[j].x - joints[i].x));
                let grip = arm.grip.map_or(0.0, |grip| d.axes[grip].joint.mass);
                let torque = -GRAVITY * (carried.sum::<f64>() + (payload + grip) * (tip.x - joints[i].x));
                let force = torque / geometry[i].ratio(angles[i].to_radians()).unwrap();
                let area = if force > 0.0 {
                    axis.actuator.area_a
                } else {
                    axis.actuator.area_b
                };
                let needed = force.abs() / (area * d.supply.pressure);
                assert!(
                    needed < share,
                    "{}: {needed:.2} of the pressure at {angles:.0?} deg",
                    axis.name
                );
            }
        }
    }

    #[test]
    fn the_cylinders_hold_the_payload_in_every_pose() {
        holds("yard-digger", 150.0, 0.6);
        holds("servo-digger", 150.0, 0.6);
        holds("drystone-setter", 100.0, 0.6);
    }

    #[test]
    fn the_setter_works_well_in_front_and_could_reach_the_seat() {
        let d = machine("drystone-setter");
        let within = |angles: &[f64]| {
            let ranges = d.arms[0].axes.iter().map(|&i| d.axes[i].joint.range);
            ranges
                .zip(angles)
                .all(|((low, high), angle)| (low..=high).contains(&angle.to_radians()))
        };
        let at = |angles: &[f64]| {
            assert!(within(angles), "{angles:?} is out of range");
            pose(&d, &d.arms[0], angles).2
        };

        // A pose to start from, and the same with the tip 1 m higher: straight up, the grip still 55 degrees down.
        let (low, high) = (at(&LOW), at(&HIGH));
        assert!((high - low - Vector3::z()).norm() < 1e-3, "{low} to {high}");

        // Turned in and folded, the tip is in the seat.
        let tip = at(&[-110.0, -70.0, 130.0, 30.0, 0.0]);
        let (min, max) = d.zones[0].bounds().unwrap();
        assert!((0..3).all(|i| min[i] < tip[i] && tip[i] < max[i]), "{tip} is outside");
    }

    /// Left arm, deg: slew, lift, reach, tilt, turn.
    const LOW: [f64; 5] = [0.0, -31.365, 99.179, -12.815, 0.0];
    const HIGH: [f64; 5] = [0.0, -71.821, 80.986, 45.835, 0.0];
}
