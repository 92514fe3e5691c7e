//! What is found out about each axis: along its own range, and over the grid of the arm it belongs to.

use bellcrank_machine::description::{Actuator, ActuatorKind, Axis, Description};
use bellcrank_machine::geometry::Geometry;

use super::grid::Chain;
use super::oil;
use super::report::{ActuatorSurvey, AxisSurvey, EachWay, Holding, Natural};
use crate::plant::{Bodies, PerJoint, Pose, statics};

/// Poses along a joint's own range.
const SAMPLES: u32 = 200;
/// A holding pressure this little above the tank's is no load, bar.
const NO_LOAD: f64 = 1.0;

/// What has been seen so far.
pub(super) struct Found<'m> {
    machine: &'m Description,
    geometry: &'m [Geometry],
    bare: &'m Bodies,
    loaded: Option<&'m Bodies>,
    axes: Vec<Seen>,
}

/// The worst that was seen of one axis.
#[derive(Debug, Clone, Default)]
struct Seen {
    holding: Option<Holding>,
    holding_payload: Option<Holding>,
    /// Way of the tip for each stroke, m/m (m/rad for a motor).
    tip_per_stroke: Option<f64>,
    natural: Option<Natural>,
    natural_payload: Option<Natural>,
    /// Whether gravity loads the extending and the retracting chamber in some pose.
    loaded: [bool; 2],
}

impl<'m> Found<'m> {
    pub(super) fn new(
        machine: &'m Description,
        geometry: &'m [Geometry],
        bare: &'m Bodies,
        loaded: Option<&'m Bodies>,
    ) -> Self {
        Found {
            machine,
            geometry,
            bare,
            loaded,
            axes: vec![Seen::default(); machine.axes.len()],
        }
    }

    /// Looks at one pose of the grid.
    pub(super) fn look(&mut self, chain: &Chain, angles: &PerJoint, pose: &Pose) {
        let torque = statics::gravity_torque(self.bare, pose);
        let torque_payload = self.loaded.map(|bodies| {
            let mut pose = Pose::default();
            bodies.place(angles, &mut pose);
            statics::gravity_torque(bodies, &pose)
        });
        let columns = chain.tip.map(|tip| {
            let point = pose.point(tip, &self.machine.axes[tip].joint.link);
            self.bare.jacobian(pose, tip, &point)
        });
        for &index in &chain.judged {
            let Ok(ratio) = self.geometry[index].ratio(angles[index]) else {
                continue;
            };
            let holding = |torque: f64| self.holding(index, chain, angles, torque, ratio);
            let (bare, payload) = (
                holding(torque[index]),
                torque_payload.map(|torque| holding(torque[index])),
            );
            let seen = &mut self.axes[index];
            for hold in std::iter::once(&bare).chain(&payload) {
                let side = usize::from(hold.torque_nm / ratio < 0.0);
                seen.loaded[side] |= hold.above_tank_bar > NO_LOAD;
            }
            keep_worst(&mut seen.holding, Some(bare));
            keep_worst(&mut seen.holding_payload, payload);
            if let Some(columns) = &columns
                && chain.joints.contains(&index)
            {
                let way = columns.fixed_view::<3, 1>(0, index).norm() / ratio.abs();
                seen.tip_per_stroke = Some(seen.tip_per_stroke.map_or(way, |before| before.max(way)));
            }
        }
    }

    fn holding(&self, index: usize, chain: &Chain, angles: &PerJoint, torque: f64, ratio: f64) -> Holding {
        let actuator = &self.machine.axes[index].actuator;
        let tank = self.machine.supply_of(&self.machine.axes[index]).tank;
        let hold = statics::hold(torque, ratio, [actuator.area_a, actuator.area_b], tank);
        Holding {
            bar: hold.pressure_a.max(hold.pressure_b) / 1e5,
            above_tank_bar: (hold.pressure_a.max(hold.pressure_b) - tank) / 1e5,
            torque_nm: torque,
            angles_deg: chain.joints.iter().map(|&joint| angles[joint].to_degrees()).collect(),
        }
    }

    /// Finds the greatest inertia that each actuator of a chain feels at a stroke, and from it how slowly it swings on the oil.
    pub(super) fn weigh(&mut self, chain: &Chain) {
        for &index in &chain.judged {
            let axis = &self.machine.axes[index];
            let geometry = &self.geometry[index];
            let felt = |bodies, stroke| {
                let angle = geometry.angle(stroke).ok()?;
                let ratio = geometry.ratio(angle).ok()?;
                Some(greatest_inertia(chain, bodies, index, angle) / (ratio * ratio))
            };
            let span = Along::new(axis, geometry).stroke;
            // At half its supply's pressure: what an actuator at work stands at, more or less.
            let pressure = 0.5 * self.machine.supply_of(axis).pressure;
            let natural = |bodies| oil::natural(axis, &self.machine.oil, pressure, span, |stroke| felt(bodies, stroke));
            let (bare, payload) = (natural(self.bare), self.loaded.map(natural));
            self.axes[index].natural = bare;
            self.axes[index].natural_payload = payload.flatten();
        }
    }

    pub(super) fn report(self) -> Vec<AxisSurvey> {
        let reports = self
            .machine
            .axes
            .iter()
            .zip(self.geometry)
            .zip(&self.axes)
            .map(|((axis, geometry), seen)| {
                let along = Along::new(axis, geometry);
                let speeds = Speeds::new(axis, self.machine);
                let count = axis.sensor.step_stroke();
                let least_arm = along.arm.0;
                let holdings = || seen.holding.iter().chain(&seen.holding_payload);
                let supply = self.machine.supply_of(axis).pressure / 1e5;
                AxisSurvey {
                    axis: axis.name.clone(),
                    range_deg: [axis.joint.range.0.to_degrees(), axis.joint.range.1.to_degrees()],
                    actuator: actuator(axis, self.machine, &along, &speeds, count),
                    joint_pump_deg_s: speeds.pump.map(|speed| (speed / least_arm).to_degrees()),
                    joint_valve_deg_s: speeds.valve.map(|speed| (speed / least_arm).to_degrees()),
                    count_joint_deg: (count / least_arm).to_degrees(),
                    count_tip_mm: seen.tip_per_stroke.map(|way| count * way * 1e3),
                    holds: holdings().all(|hold| hold.bar <= supply),
                    holding: seen.holding.clone(),
                    holding_payload: seen.holding_payload.clone(),
                    natural: seen.natural.clone(),
                    natural_payload: seen.natural_payload.clone(),
                    lacks_load_holding_valve: needs_load_holding(axis, seen.loaded),
                }
            });
        reports.collect()
    }
}

/// The greatest inertia about a joint at an angle, whatever the other joints of its chain do, kg m².
fn greatest_inertia(chain: &Chain, bodies: &Bodies, joint: usize, angle: f64) -> f64 {
    let mut greatest: f64 = 0.0;
    chain.each_coarse(&[(joint, angle)], bodies, |_, pose| {
        greatest = greatest.max(bodies.mass_matrix(pose).get(bodies.tree(), joint, joint));
    });
    greatest
}

/// Whether an axis lacks a load-holding valve on a side that gravity loads.
fn needs_load_holding(axis: &Axis, loaded: [bool; 2]) -> bool {
    let on = axis.holding.as_ref().map_or([false; 2], |holding| holding.on);
    (0..2).any(|side| loaded[side] && !on[side])
}

fn keep_worst(worst: &mut Option<Holding>, now: Option<Holding>) {
    let Some(now) = now else { return };
    if worst.as_ref().is_none_or(|worst| now.bar > worst.bar) {
        *worst = Some(now);
    }
}

/// An axis along its own range.
struct Along {
    /// Least and greatest stroke.
    stroke: (f64, f64),
    /// Least and greatest size of the moment arm.
    arm: (f64, f64),
}

impl Along {
    fn new(axis: &Axis, geometry: &Geometry) -> Along {
        let (low, high) = axis.joint.range;
        let none = (f64::INFINITY, f64::NEG_INFINITY);
        let mut along = Along {
            stroke: none,
            arm: none,
        };
        let widen = |span: &mut (f64, f64), value: f64| *span = (span.0.min(value), span.1.max(value));
        for sample in 0..=SAMPLES {
            let angle = low + (high - low) * f64::from(sample) / f64::from(SAMPLES);
            if let (Ok(stroke), Ok(ratio)) = (geometry.stroke(angle), geometry.ratio(angle)) {
                widen(&mut along.stroke, stroke);
                widen(&mut along.arm, ratio.abs());
            }
        }
        along
    }
}

/// Stroke rates, m/s (rad/s for a motor).
struct Speeds {
    /// With the pump's whole flow.
    pump: EachWay,
    /// With the rated flow over the busiest land: that of the greater area, whichever way the actuator moves.
    valve: EachWay,
}

impl Speeds {
    fn new(axis: &Axis, machine: &Description) -> Speeds {
        let (a, b) = (axis.actuator.area_a, axis.actuator.area_b);
        let flow = machine.supply_of(axis).flow;
        let valve = axis.valve.rated_flow / a.max(b);
        Speeds {
            pump: EachWay {
                extend: flow / a,
                retract: flow / b,
            },
            valve: EachWay {
                extend: valve,
                retract: valve,
            },
        }
    }
}

/// Force out and in at a pressure, the other chamber at tank pressure, N (N m for a motor).
pub(super) fn forces(actuator: &Actuator, pressure: f64, tank: f64) -> EachWay {
    let (a, b) = (actuator.area_a, actuator.area_b);
    EachWay {
        extend: pressure * a - tank * b,
        retract: pressure * b - tank * a,
    }
}

fn actuator(axis: &Axis, machine: &Description, along: &Along, speeds: &Speeds, count: f64) -> ActuatorSurvey {
    let supply = machine.supply_of(axis);
    let EachWay {
        extend: push,
        retract: pull,
    } = forces(&axis.actuator, supply.pressure, supply.tank);
    let mm = |speed: f64| speed * 1e3;
    match axis.actuator.kind {
        ActuatorKind::Cylinder { .. } => ActuatorSurvey::Cylinder {
            stroke_mm: [along.stroke.0 * 1e3, along.stroke.1 * 1e3],
            travel_mm: axis.actuator.travel * 1e3,
            moment_arm_mm: [along.arm.0 * 1e3, along.arm.1 * 1e3],
            push_kn: push / 1e3,
            pull_kn: pull / 1e3,
            pump_mm_s: speeds.pump.map(mm),
            valve_mm_s: speeds.valve.map(mm),
            count_mm: count * 1e3,
        },
        ActuatorKind::Motor { .. } => ActuatorSurvey::Motor {
            stroke_deg: [along.stroke.0.to_degrees(), along.stroke.1.to_degrees()],
            travel_deg: axis.actuator.travel.to_degrees(),
            torque_knm: push / 1e3,
        },
    }
}
