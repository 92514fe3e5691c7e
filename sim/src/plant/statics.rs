//! What it takes to hold the machine still.

use super::bodies::{Bodies, Pose};
use super::mechanics::Mechanism;
use super::model::Model;
use super::tree::JOINTS_MAX;

/// What one actuator must do to hold its joint.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold {
    /// Torque on the joint, positive about its axis, N m (force on a test bench's mass, N).
    pub torque: f64,
    /// Force of the actuator, positive when it pushes out, N (N m for a motor). Infinite where the linkage is at its
    /// dead point.
    pub force: f64,
    /// Pressure in the extending chamber, Pa.
    pub pressure_a: f64,
    /// Pressure in the retracting chamber, Pa.
    pub pressure_b: f64,
}

/// Torque of gravity that each joint's actuator must hold in a pose, N m.
pub fn gravity_torque(bodies: &Bodies, pose: &Pose) -> [f64; JOINTS_MAX] {
    bodies.torque(pose, &[0.0; JOINTS_MAX], &[0.0; JOINTS_MAX])
}

/// The hold of one actuator: force from torque and ratio (d stroke / d angle), pressures from the areas of the
/// extending and the retracting chamber, the less loaded chamber standing at `low`.
pub fn hold(torque: f64, ratio: f64, area: [f64; 2], low: f64) -> Hold {
    let force = if torque == 0.0 { 0.0 } else { torque / ratio };
    let (a, b) = ((force + low * area[1]) / area[0], (low * area[0] - force) / area[1]);
    let (pressure_a, pressure_b) = if a >= low { (a, low) } else { (low, b) };
    Hold {
        torque,
        force,
        pressure_a,
        pressure_b,
    }
}

/// All holds of a model where it was placed last, the less loaded chamber of each `above` tank pressure.
pub(super) fn holds(model: &Model, above: f64) -> Vec<Hold> {
    let torque = match &model.mechanics.mechanism {
        Mechanism::Arms(bodies) => gravity_torque(bodies, model.mechanics.pose()),
        Mechanism::Mass(_) => [model.inputs.load; JOINTS_MAX],
    };
    let one = |i: usize| {
        let axis = &model.axes[i];
        let low = model.source.tank(axis.pump) + above;
        hold(torque[i], model.stroke_and_ratio(i).1, axis.chambers.areas(), low)
    };
    (0..model.axes.len()).map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pressures_carry_the_force_whichever_way_it_points() {
        let area = [5e-3, 2.5e-3];
        for torque in [3000.0, 0.0, -3000.0] {
            let hold = hold(torque, -0.3, area, 2e5);
            assert!((hold.pressure_a * area[0] - hold.pressure_b * area[1] - hold.force).abs() < 1e-9);
            assert!(hold.pressure_a.min(hold.pressure_b) >= 2e5 - 1e-9, "{hold:?}");
        }
    }
}
