//! What the guard keeps: zones, cylinders as things to be kept out, what the machine stands on.

use bellcrank_core::machine as core;
use nalgebra::Vector2;

use super::{BuildError, all, single, vec3};
use crate::description::{Arm, Axis, Description, Linkage, Shape, Zone};
use crate::geometry::{FourBar, Geometry, GeometryError};

/// The cylinder of an axis as something to be kept out; none where a motor sits on the joint.
pub(super) fn cylinder(axis: &Axis) -> Result<Option<core::Cylinder>, GeometryError> {
    let Some(radius) = axis.actuator.kind.outer_radius() else {
        return Ok(None);
    };
    let (barrel, rod) = match (&axis.linkage, Geometry::of(axis)?) {
        (
            Linkage::Clevis {
                barrel_pin, rod_pin, ..
            },
            _,
        ) => (barrel_pin, core::Rod::Link(vec3(*rod_pin))),
        (Linkage::FourBar { barrel_pin, .. }, Geometry::FourBar(bars)) => {
            (barrel_pin, core::Rod::Rocker(rocker(&bars)))
        }
        _ => return Ok(None),
    };
    Ok(Some(core::Cylinder {
        barrel: vec3(*barrel),
        rod,
        radius: single(radius),
    }))
}

fn rocker(bars: &FourBar) -> core::Rocker {
    let plane = |v: Vector2<f64>| [single(v.x), single(v.y)];
    // From the coupler's pin back to the rod's: the other way round than the angle of the file.
    let back = Vector2::new(bars.rocker_angle.cos(), -bars.rocker_angle.sin());
    core::Rocker {
        child: plane(bars.child),
        pivot: plane(bars.pivot),
        rocker: single(bars.rocker_coupler),
        coupler: single(bars.coupler),
        side: single(bars.rocker_side),
        rod: plane(back * (bars.rocker_rod / bars.rocker_coupler)),
    }
}

pub(super) fn zone(zone: &Zone, arms: &[Arm]) -> Result<core::Zone, BuildError> {
    let mut spares = core::Spares::default();
    for &axis in &zone.spares {
        let (arm, joint) = place(arms, axis).ok_or(BuildError::NoSuch("axis", axis))?;
        spares.add(arm, joint);
    }
    let carrier = |axis: usize| {
        let (arm, joint) = place(arms, axis).ok_or(BuildError::NoSuch("axis", axis))?;
        let small = |number| u8::try_from(number).map_err(|_| BuildError::NoSuch("joint", number));
        Ok(core::Carried {
            arm: small(arm)?,
            joint: small(joint)?,
        })
    };
    Ok(core::Zone {
        shape: match &zone.shape {
            Shape::Box { min, max } => core::Shape::Box {
                min: vec3(*min),
                max: vec3(*max),
            },
            Shape::Capsule { from, to, radius } => core::Shape::Capsule {
                from: vec3(*from),
                to: vec3(*to),
                radius: single(*radius),
            },
            Shape::HalfSpace { point, outward } => core::Shape::HalfSpace {
                point: vec3(*point),
                outward: vec3(*outward),
            },
        },
        carried: zone.on.map(carrier).transpose()?,
        spares,
        margin: single(zone.margin),
    })
}

/// The arm that an axis is in, and where in it: its joints from base to tip, its grip after them.
fn place(arms: &[Arm], axis: usize) -> Option<(usize, usize)> {
    arms.iter().enumerate().find_map(|(number, arm)| {
        let joint = arm.axes.iter().chain(&arm.grip).position(|&other| other == axis)?;
        Some((number, joint))
    })
}

/// What the arms stand on, if the file says. A slewing base turns over it: where it is then the core does not know, and does not look at tipping.
pub(super) fn footing(description: &Description) -> Result<Option<core::Footing>, BuildError> {
    let turns = description.arms.iter().any(|arm| arm.on.is_some());
    let Some(carrier) = description.carrier.as_ref().filter(|_| !turns) else {
        return Ok(None);
    };
    let corners = carrier
        .support
        .iter()
        .map(|corner| Ok([single(corner.x), single(corner.y)]));
    Ok(Some(core::Footing {
        mass: single(carrier.mass),
        centre: [single(carrier.centre.x), single(carrier.centre.y)],
        support: all("corners of the support", core::CORNERS_MAX, corners)?,
        tip_margin: single(carrier.tip_margin),
    }))
}
