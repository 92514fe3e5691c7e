//! What is found out about each axis: along its own range, and over the grid of the arm it belongs to.

use bellcrank_machine::description::{Actuator, ActuatorKind, Axis, Description, Oil};
use bellcrank_machine::geometry::Geometry;

use super::grid::Chain;
use super::report::{ActuatorSurvey, AxisSurvey, EachWay, Holding};
use crate::plant::chambers::Chambers;
use crate::plant::oil::Law;
use crate::plant::{Bodies, PerJoint, Pose, statics};

/// Poses along a joint's own range.
const SAMPLES: u32 = 200;

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
    /// Least natural frequency, Hz.
    hz: Option<f64>,
    hz_payload: Option<f64>,
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
        let tank = self.machine.supply.tank;
        let hold = statics::hold(torque, ratio, [actuator.area_a, actuator.area_b], tank);
        Holding {
            bar: hold.pressure_a.max(hold.pressure_b) / 1e5,
            above_tank_bar: (hold.pressure_a.max(hold.pressure_b) - tank) / 1e5,
            torque_nm: torque,
            angles_deg: chain.joints.iter().map(|&joint| angles[joint].to_degrees()).collect(),
        }
    }

    /// Finds the greatest inertia that each actuator of a chain feels at mid stroke, and from it the least natural frequency.
    pub(super) fn weigh(&mut self, chain: &Chain) {
        for &index in &chain.judged {
            let axis = &self.machine.axes[index];
            let middle = 0.5 * axis.actuator.travel;
            let geometry = &self.geometry[index];
            let Ok((angle, ratio)) = geometry
                .angle(middle)
                .and_then(|angle| Ok((angle, geometry.ratio(angle)?)))
            else {
                continue;
            };
            let pressure = 0.5 * self.machine.supply_of(axis).pressure;
            let spring = oil_spring(&axis.actuator, &self.machine.oil, middle, pressure);
            let hz = |bodies| frequency(spring, greatest_inertia(chain, bodies, index, angle) / (ratio * ratio));
            let (bare, payload) = (hz(self.bare), self.loaded.map(hz));
            self.axes[index].hz = bare;
            self.axes[index].hz_payload = payload.flatten();
        }
    }

    pub(super) fn report(self) -> Vec<AxisSurvey> {
        let supply = self.machine.supply.pressure / 1e5;
        let reports = self
            .machine
            .axes
            .iter()
            .zip(self.geometry)
            .zip(&self.axes)
            .map(|((axis, geometry), seen)| {
                let along = Along::new(axis, geometry);
                let speeds = Speeds::new(axis, self.machine);
                let count = axis.sensor.converter_volts / f64::from(2_u32.pow(axis.sensor.converter_bits));
                let [(v0, s0), (v1, s1)] = axis.sensor.points;
                let count = count * ((s1 - s0) / (v1 - v0)).abs();
                let least_arm = along.arm.0;
                AxisSurvey {
                    axis: axis.name.clone(),
                    range_deg: [axis.joint.range.0.to_degrees(), axis.joint.range.1.to_degrees()],
                    actuator: actuator(axis, self.machine, &along, &speeds, count),
                    joint_pump_deg_s: speeds.pump.map(|speed| (speed / least_arm).to_degrees()),
                    joint_valve_deg_s: speeds.valve.map(|speed| (speed / least_arm).to_degrees()),
                    count_joint_deg: (count / least_arm).to_degrees(),
                    count_tip_mm: seen.tip_per_stroke.map(|way| count * way * 1e3),
                    holds: seen
                        .holding
                        .iter()
                        .chain(&seen.holding_payload)
                        .all(|hold| hold.bar <= supply),
                    holding: seen.holding.clone(),
                    holding_payload: seen.holding_payload.clone(),
                    natural_hz: seen.hz,
                    natural_payload_hz: seen.hz_payload,
                }
            });
        reports.collect()
    }
}

/// The greatest inertia about a joint at an angle, whatever the other joints of its chain do, kg m².
fn greatest_inertia(chain: &Chain, bodies: &Bodies, joint: usize, angle: f64) -> f64 {
    let mut greatest: f64 = 0.0;
    chain.each_coarse((joint, angle), bodies, |_, pose| {
        greatest = greatest.max(bodies.mass_matrix(pose).get(bodies.tree(), joint, joint));
    });
    greatest
}

/// Natural frequency, Hz. None where nothing moves: a slender bar that turns about itself weighs nothing to its actuator.
fn frequency(spring: f64, mass: f64) -> Option<f64> {
    (mass > 0.0).then(|| (spring / mass).sqrt() / std::f64::consts::TAU)
}

/// Stiffness of the trapped oil at a stroke and pressure, N/m (N m/rad for a motor).
fn oil_spring(actuator: &Actuator, oil: &Oil, stroke: f64, pressure: f64) -> f64 {
    let (chambers, squeezed) = (Chambers::new(actuator), [Law::new(oil).at(pressure); 2]);
    let rise = chambers.stiffness(stroke, [pressure; 2], squeezed);
    chambers
        .areas()
        .iter()
        .zip(rise)
        .map(|(area, rise)| area * area * rise)
        .sum()
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
        let flow = machine.supply.flow;
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

fn actuator(axis: &Axis, machine: &Description, along: &Along, speeds: &Speeds, count: f64) -> ActuatorSurvey {
    let (a, b) = (axis.actuator.area_a, axis.actuator.area_b);
    let (supply, tank) = (machine.supply.pressure, machine.supply.tank);
    let (push, pull) = (supply * a - tank * b, supply * b - tank * a);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Natural frequency of 2000 kg on a cylinder of 600 mm without hoses at mid stroke, rad/s; the oil's modulus is 1.4e9 Pa.
    #[track_caller]
    fn check(area_a: f64, area_b: f64, expect: f64) {
        let text = bellcrank_machine::builtin("yard-digger").expect("built in");
        let digger = bellcrank_machine::read("yard-digger", text).expect("good");
        let actuator = Actuator {
            area_a,
            area_b,
            travel: 0.6,
            dead_a: 0.0,
            dead_b: 0.0,
            swell: [0.0; 2],
            ..digger.axes[1].actuator.clone()
        };
        let spring = oil_spring(&actuator, &Oil::textbook(870.0, 1.4e9), 0.3, 100e5);
        let found = (spring / 2000.0).sqrt();
        assert!((found / expect - 1.0).abs() < 1e-5, "{found} is not {expect}");
    }

    /// Values of Merritt's formula (chapter 6) and of its form for unequal areas.
    #[test]
    fn natural_frequencies_are_the_textbooks() {
        check(25.635e-4, 25.635e-4, 109.376);
        let (bore, rod) = (0.080_f64, 0.056_f64);
        let quarter = std::f64::consts::PI / 4.0;
        check(quarter * bore * bore, quarter * (bore * bore - rod * rod), 133.080);
    }
}
