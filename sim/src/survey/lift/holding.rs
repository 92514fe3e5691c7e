//! The load that the pressure can hold in one pose.
//!
//! A load at the tip adds `g dz/dq` N m of torque to each joint for each kilogram, so the force of each actuator is linear in the load,
//! and the load at which it takes all the pressure there is follows at once.

use bellcrank_machine::description::{Arm, Description};
use bellcrank_machine::geometry::Geometry;

use super::super::axis::forces;
use crate::plant::{Bodies, PerJoint, Pose, statics};

/// The load, kg, and the axis (its index) that can hold no more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Holds {
    pub(super) load: f64,
    pub(super) axis: usize,
}

/// The greatest load at an arm's tip that all its actuators hold, the loaded chamber at supply pressure (or where its port relief opens, if
/// that is less), the other at tank pressure; zero where they do not even hold the bare arm. None where nothing limits it, or a linkage
/// does not close.
pub(super) fn load(
    machine: &Description,
    geometry: &[Geometry],
    bodies: &Bodies,
    arm: &Arm,
    angles: &PerJoint,
    pose: &Pose,
) -> Option<Holds> {
    let &last = arm.axes.last()?;
    let bare = statics::gravity_torque(bodies, pose);
    let lifts = bodies.jacobian(pose, last, &pose.tip(machine, arm));
    let mut least: Option<Holds> = None;
    for &axis in &arm.axes {
        let ratio = geometry[axis].ratio(angles[axis]).ok()?;
        let per_kg = -bodies.gravity.dot(&lifts.fixed_view::<3, 1>(0, axis));
        let (force, per_kg) = (bare[axis] / ratio, per_kg / ratio);
        let described = &machine.axes[axis];
        let supply = machine.supply_of(described);
        let relief = described.valve.port_relief.unwrap_or(f64::INFINITY);
        let pressure = supply.pressure.min(relief);
        let most = forces(&described.actuator, pressure, supply.tank);
        let load = if !(-most.retract..=most.extend).contains(&force) {
            0.0
        } else if per_kg > 0.0 {
            (most.extend - force) / per_kg
        } else if per_kg < 0.0 {
            (-most.retract - force) / per_kg
        } else {
            continue;
        };
        if least.is_none_or(|least| load < least.load) {
            least = Some(Holds { load, axis });
        }
    }
    least
}
