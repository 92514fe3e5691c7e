//! What a machine's geometry, hydraulics and sensing allow, before anything moves.
//!
//! Poses are looked at on a coarse grid over the joints' ranges, ends included (`grid`); what depends on one joint alone, finely along its
//! range. Nothing here is a limit that the core keeps: it is what whoever builds the machine should know first.
//!
//! - Force: pressure times area, the other chamber at tank pressure. Speed: flow over area, at the pump's whole flow, and where the busiest land of the
//!   valve passes its rated flow.
//! - Holding pressure: gravity torque over moment arm over area, the other chamber at tank pressure, in the worst pose of the grid.
//! - Natural frequency of the mass on the oil, at mid stroke and where it is least: `oil`.
//! - The load that the tip can hold over reach and height, by pressure and by tipping: [`lift`].
//! - How far away somebody must be who walks up and presses a stop button, or has it pressed for him: `separation`.

mod axis;
mod grid;
pub mod lift;
mod oil;
mod report;
pub(crate) mod separation;

use std::collections::BTreeMap;

use bellcrank_machine::description::{Axis, Description};
use bellcrank_machine::geometry::Geometry;
use nalgebra::Vector3;

use crate::clearance::{self, Clearance};
use crate::plant::tree::TreeError;
use crate::plant::{Bodies, Pose};
use grid::Chain;

pub use report::{
    ActuatorSurvey, ArmSurvey, AxisSurvey, EachWay, Holding, Lift, LiftCell, LiftLimit, Natural, Place, Survey,
    ZoneSurvey,
};

/// Surveys a machine, with `payload` kg at the tip of each arm beside the bare machine (0: the bare machine only).
///
/// # Errors
/// [`TreeError`] if the arms of an unchecked description are no chains.
///
/// # Panics
/// If a linkage of an unchecked description does not close.
pub fn survey(machine: &Description, payload: f64) -> Result<Survey, TreeError> {
    let geometry: Vec<Geometry> = machine.axes.iter().map(settle).collect();
    let bare = Bodies::of_machine(machine)?;
    let loaded = (payload > 0.0).then(|| with_payload(&bare, machine, payload));

    let mut found = axis::Found::new(machine, &geometry, &bare, loaded.as_ref());
    let mut arms = Vec::new();
    for (index, arm) in machine.arms.iter().enumerate() {
        let mut seen = SeenArm::default();
        let chain = Chain::of_arm(machine, arm);
        chain.each(&bare, |angles, pose| {
            found.look(&chain, angles, pose);
            seen.look(machine, index, angles, pose);
        });
        found.weigh(&chain);
        arms.push(seen.report(machine, index, lift::chart(machine, &geometry, &bare, arm)));
    }
    for chain in Chain::of_loose_axes(machine) {
        chain.each(&bare, |angles, pose| found.look(&chain, angles, pose));
        found.weigh(&chain);
    }

    let axes = found.report();
    let names = |wanted: fn(&AxisSurvey) -> bool| {
        let wanted = axes.iter().filter(|axis| wanted(axis));
        wanted.map(|axis| axis.axis.clone()).collect()
    };
    Ok(Survey {
        machine: machine.name.clone(),
        supply_bar: machine.supply.pressure / 1e5,
        tank_bar: machine.supply.tank / 1e5,
        pump_lpm: machine.supply.flow * 60e3,
        payload_kg: payload,
        tipping_known: machine.carrier.is_some(),
        without_load_holding_valve: names(|axis| axis.lacks_load_holding_valve),
        too_weak: names(|axis| !axis.holds),
        separation_mm: 1e3 * separation::walking(machine.timing.reaction + machine.timing.stop_budget),
        axes,
        arms,
    })
}

fn settle(axis: &Axis) -> Geometry {
    Geometry::of(axis).expect("a checked machine's linkages close")
}

fn with_payload(bodies: &Bodies, machine: &Description, mass: f64) -> Bodies {
    let mut bodies = bodies.clone();
    for arm in &machine.arms {
        bodies.hang(machine, arm, mass);
    }
    bodies
}

/// Extremes of one arm's tip, and how near its links come to each zone.
#[derive(Default)]
struct SeenArm {
    tips: Option<[Seen; 4]>,
    /// For each zone the least distance, and the axis whose link it is.
    zones: BTreeMap<usize, (Seen, usize)>,
}

/// The value of an extreme, where the tip is, and the pose.
#[derive(Clone)]
struct Seen {
    value: f64,
    tip: Vector3<f64>,
    angles: Vec<f64>,
}

impl SeenArm {
    fn look(&mut self, machine: &Description, index: usize, angles: &[f64], pose: &Pose) {
        let arm = &machine.arms[index];
        let tip = pose.tip(machine, arm);
        let from_base = (tip - arm.base).xy().norm();
        let seen = |value: f64| Seen {
            value,
            tip,
            angles: arm.axes.iter().map(|&axis| angles[axis]).collect(),
        };
        // Each is kept where it is greatest.
        let values = [from_base, -from_base, tip.z, -tip.z];
        match &mut self.tips {
            None => self.tips = Some(values.map(seen)),
            Some(tips) => {
                for (best, value) in tips.iter_mut().zip(values) {
                    if value > best.value {
                        *best = seen(value);
                    }
                }
            }
        }
        for Clearance { distance, zone, axis } in clearance::of_arm(machine, arm, pose) {
            let nearest = self.zones.entry(zone).or_insert_with(|| (seen(distance), axis));
            if distance < nearest.0.value {
                *nearest = (seen(distance), axis);
            }
        }
    }

    fn report(self, machine: &Description, index: usize, lift: Option<Lift>) -> ArmSurvey {
        let arm = &machine.arms[index];
        let place = |seen: &Seen| Place {
            from_base_mm: (seen.tip - arm.base).xy().norm() * 1e3,
            tip_mm: (seen.tip * 1e3).into(),
            angles_deg: degrees(&seen.angles),
        };
        let [furthest, nearest, highest, lowest] = self.tips.expect("a grid has poses").each_ref().map(place);
        let zones = self.zones.iter().map(|(&zone, (seen, axis))| ZoneSurvey {
            zone: machine.zones[zone].name.clone(),
            clearance_mm: seen.value * 1e3,
            margin_mm: machine.zones[zone].margin * 1e3,
            nearest_link: machine.axes[*axis].name.clone(),
            angles_deg: degrees(&seen.angles),
        });
        let axes = arm.axes.iter().map(|&axis| machine.axes[axis].name.clone());
        ArmSurvey {
            arm: arm.name.clone(),
            axes: axes.collect(),
            furthest,
            nearest,
            highest,
            lowest,
            zones: zones.collect(),
            lift,
        }
    }
}

fn degrees(angles: &[f64]) -> Vec<f64> {
    angles.iter().map(|angle| angle.to_degrees()).collect()
}
