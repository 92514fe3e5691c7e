//! One arm in one pose: from angles, strokes or a tip position to the other two, and to torques, forces and pressures.
//!
//! Kinematics and dynamics come from the simulated machine's own bodies, in f64. The core works the tip out a second time, in its own
//! f32 way, and both are reported with the distance between them.

mod reach;
mod report;
mod table;

use bellcrank_core::chain::ArmPose;
use bellcrank_core::machine::{Arm as CoreArm, Machine};
use bellcrank_machine::description::{ActuatorKind, Arm, Axis, Description};
use bellcrank_machine::geometry::{Geometry, GeometryError};
use miette::Diagnostic;
use nalgebra::Vector3;

use crate::plant::bodies::GRAVITY;
use crate::plant::{Bodies, JOINTS_MAX, Pose, statics};

pub use report::{ActuatorPose, AxisPose, PoseReport, PoseRow};
pub(crate) use table::line_of;
pub use table::{MAX_ROWS, TableError, read, write};

/// Angles this near to the end of a range count as inside it, rad.
const SAME_ANGLE: f64 = 1e-9;
/// The same for strokes, m or rad.
const SAME_STROKE: f64 = 1e-9;

/// What a pose is asked by.
#[derive(Debug, Clone, PartialEq)]
pub enum Ask {
    /// Joint angles, rad.
    Angles(Vec<f64>),
    /// Strokes in the unit that people use: mm (degrees for a motor).
    Strokes(Vec<f64>),
    /// Where the tip should be in the machine frame, m. Which way it points is left free.
    Tip(Vec<f64>),
}

/// A pose and how it moves.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The pose.
    pub pose: Ask,
    /// Joint rates, rad/s.
    pub rates: Vec<f64>,
    /// Joint accelerations, rad/s².
    pub accelerations: Vec<f64>,
}

/// Something that cannot be asked of this arm.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error, Diagnostic)]
#[error("{key}: found {found}, wanted {wanted}")]
pub struct Refusal {
    /// What it is about: an axis, the tip, a list.
    pub key: String,
    /// What was asked.
    pub found: String,
    /// What could have been.
    pub wanted: String,
}

impl Refusal {
    fn new(key: impl Into<String>, found: impl Into<String>, wanted: impl Into<String>) -> Refusal {
        Refusal {
            key: key.into(),
            found: found.into(),
            wanted: wanted.into(),
        }
    }
}

/// One arm of a machine, ready to be posed.
#[derive(Debug)]
pub struct ArmModel<'m> {
    machine: &'m Description,
    arm: &'m Arm,
    core: CoreArm,
    geometry: Vec<Geometry>,
    bodies: Bodies,
    payload: f64,
}

impl<'m> ArmModel<'m> {
    /// The arm called `name`, or the only one where none is given, with `payload` kg hanging from its tip.
    ///
    /// # Errors
    /// [`Refusal`] if there is no such arm, or the payload is no mass.
    ///
    /// # Panics
    /// If `core` was not made from `machine`, or `machine` was not checked.
    pub fn new(machine: &'m Description, core: &Machine, name: Option<&str>, payload: f64) -> Result<Self, Refusal> {
        let known: Vec<String> = machine.arms.iter().map(|arm| format!("{:?}", arm.name)).collect();
        let index = match name {
            Some(name) => machine.arms.iter().position(|arm| arm.name == name),
            None if known.len() == 1 => Some(0),
            None => None,
        };
        let Some(index) = index else {
            let found = name.map_or("none named".to_owned(), |name| format!("{name:?}"));
            let wanted = if known.is_empty() {
                "a machine with an arm".to_owned()
            } else {
                known.join(" or ")
            };
            return Err(Refusal::new("arm", found, wanted));
        };
        if !(0.0..=1e6).contains(&payload) {
            return Err(Refusal::new(
                "payload",
                format!("{payload} kg"),
                "a mass from 0 to 1000000 kg",
            ));
        }
        let arm = &machine.arms[index];
        let settle = |&axis: &usize| Geometry::of(&machine.axes[axis]).expect("a checked machine's linkages close");
        let mut bodies = Bodies::of_machine(machine).expect("a checked machine's arms are chains");
        bodies.hang(machine, arm, payload);
        let core = core.arms()[index].clone();
        Ok(ArmModel {
            machine,
            arm,
            core,
            geometry: arm.axes.iter().map(settle).collect(),
            bodies,
            payload,
        })
    }

    /// Number of joints.
    pub fn joints(&self) -> usize {
        self.arm.axes.len()
    }

    /// Its axes from base to tip.
    pub fn axes(&self) -> impl Iterator<Item = &'m Axis> {
        let machine = self.machine;
        self.arm.axes.iter().map(move |&axis| &machine.axes[axis])
    }

    /// Everything about some poses.
    pub fn report(&self, poses: Vec<PoseRow>) -> PoseReport {
        PoseReport {
            machine: self.machine.name.clone(),
            arm: self.arm.name.clone(),
            axes: self.axes().map(|axis| axis.name.clone()).collect(),
            payload_kg: self.payload,
            gravity_m_s2: GRAVITY,
            supply_bar: self.machine.supply.pressure / 1e5,
            poses,
        }
    }

    /// Everything about one pose.
    ///
    /// # Errors
    /// [`Refusal`] if there is not one number for each joint, or the pose is outside the arm's ranges or reach.
    pub fn pose(&self, asked: &Asked) -> Result<PoseRow, Refusal> {
        let angles = match &asked.pose {
            Ask::Angles(angles) => self.check_angles(angles)?,
            Ask::Strokes(strokes) => self.angles_at(strokes)?,
            Ask::Tip(target) => self.reach(target)?,
        };
        self.check_list("rates", &asked.rates)?;
        self.check_list("accelerations", &asked.accelerations)?;
        self.answer(&angles, &asked.rates, &asked.accelerations)
    }

    fn check_list(&self, what: &str, numbers: &[f64]) -> Result<(), Refusal> {
        if numbers.len() != self.joints() {
            let names: Vec<&str> = self.axes().map(|axis| axis.name.as_str()).collect();
            let wanted = format!("{}: {}", self.joints(), names.join(", "));
            return Err(Refusal::new(what, format!("{} of them", numbers.len()), wanted));
        }
        match numbers.iter().position(|number| !number.is_finite()) {
            Some(i) => Err(Refusal::new(what, numbers[i].to_string(), "finite numbers")),
            None => Ok(()),
        }
    }

    fn check_angles(&self, angles: &[f64]) -> Result<Vec<f64>, Refusal> {
        self.check_list("angles", angles)?;
        for (axis, &angle) in self.axes().zip(angles) {
            let (least, greatest) = axis.joint.range;
            if angle < least - SAME_ANGLE || angle > greatest + SAME_ANGLE {
                let found = format!("{:.3} deg", angle.to_degrees());
                let wanted = format!(
                    "{:.3} to {:.3} deg, the joint's range",
                    least.to_degrees(),
                    greatest.to_degrees()
                );
                return Err(Refusal::new(&axis.name, found, wanted));
            }
        }
        Ok(angles.to_vec())
    }

    fn angles_at(&self, strokes: &[f64]) -> Result<Vec<f64>, Refusal> {
        self.check_list("strokes", strokes)?;
        let mut angles = Vec::new();
        for ((axis, geometry), &told) in self.axes().zip(&self.geometry).zip(strokes) {
            let travel = axis.actuator.travel;
            let (scale, unit) = stroke_unit(axis);
            let stroke = told / scale;
            let found = format!("a stroke of {told:.3} {unit}");
            if stroke < -SAME_STROKE || stroke > travel + SAME_STROKE {
                return Err(Refusal::new(
                    &axis.name,
                    found,
                    format!("0 to {:.3} {unit}", travel * scale),
                ));
            }
            angles.push(geometry.angle(stroke).map_err(|why| unclosed(axis, found, why))?);
        }
        self.check_angles(&angles)
    }

    fn answer(&self, angles: &[f64], rates: &[f64], accelerations: &[f64]) -> Result<PoseRow, Refusal> {
        let (all, pose) = self.place(angles);
        let tip = self.tip(&pose);
        let torque = self
            .bodies
            .torque(&pose, &self.spread(rates), &self.spread(accelerations));
        let gravity = statics::gravity_torque(&self.bodies, &pose);
        let (jacobian, matrix) = (self.jacobian(&pose), self.bodies.mass_matrix(&pose));
        let entry = |i: usize, j: usize| matrix.get(self.bodies.tree(), i, j);

        let mut axes = Vec::new();
        for (k, (axis, &index)) in self.axes().zip(&self.arm.axes).enumerate() {
            let angle = all[index];
            let found = || format!("{:.3} deg", angle.to_degrees());
            let geometry = &self.geometry[k];
            let stroke = geometry.stroke(angle).map_err(|why| unclosed(axis, found(), why))?;
            let ratio = geometry.ratio(angle).map_err(|why| unclosed(axis, found(), why))?;
            let actuator = &axis.actuator;
            let areas = [actuator.area_a, actuator.area_b];
            let hold = statics::hold(torque[index], ratio, areas, self.machine.supply_of(axis).tank);
            axes.push(AxisPose {
                axis: axis.name.clone(),
                angle_deg: angle.to_degrees(),
                angle_rad: angle,
                rate_rad_s: rates[k],
                acceleration_rad_s2: accelerations[k],
                torque_nm: torque[index],
                gravity_torque_nm: gravity[index],
                actuator: match actuator.kind {
                    ActuatorKind::Cylinder { .. } => ActuatorPose::Cylinder {
                        stroke_mm: stroke * 1e3,
                        moment_arm_mm: ratio * 1e3,
                        rate_mm_s: ratio * rates[k] * 1e3,
                        force_n: hold.force,
                    },
                    ActuatorKind::Motor { .. } => ActuatorPose::Motor {
                        stroke_deg: stroke.to_degrees(),
                        torque_nm: hold.force,
                    },
                },
                pressure_a_bar: hold.pressure_a / 1e5,
                pressure_b_bar: hold.pressure_b / 1e5,
            });
        }

        let core_tip = self.core_tip(angles);
        let last = self.arm.axes[self.joints() - 1];
        let rotation = pose.rotation(last);
        Ok(PoseRow {
            axes,
            tip_mm: (tip * 1e3).into(),
            tip_rotation: std::array::from_fn(|i| std::array::from_fn(|j| rotation[(i, j)])),
            jacobian_m_rad: (0..6).map(|i| jacobian.row(i).iter().copied().collect()).collect(),
            mass_matrix_kg_m2: self
                .arm
                .axes
                .iter()
                .map(|&i| self.arm.axes.iter().map(|&j| entry(i, j)).collect())
                .collect(),
            core_tip_mm: (core_tip * 1e3).into(),
            core_apart_mm: (core_tip - tip).norm() * 1e3,
        })
    }

    /// Angles of all the machine's axes, the other arms' and the grip's in the middle of their ranges, and where everything is then.
    fn place(&self, angles: &[f64]) -> ([f64; JOINTS_MAX], Pose) {
        let mut all = [0.0; JOINTS_MAX];
        for (angle, axis) in all.iter_mut().zip(&self.machine.axes) {
            *angle = f64::midpoint(axis.joint.range.0, axis.joint.range.1);
        }
        for (&index, &angle) in self.arm.axes.iter().zip(angles) {
            all[index] = angle;
        }
        let mut pose = Pose::default();
        self.bodies.place(&all, &mut pose);
        (all, pose)
    }

    /// One number for each axis of the machine, from those of this arm; zero elsewhere.
    fn spread(&self, numbers: &[f64]) -> [f64; JOINTS_MAX] {
        let mut all = [0.0; JOINTS_MAX];
        for (&index, &number) in self.arm.axes.iter().zip(numbers) {
            all[index] = number;
        }
        all
    }

    fn tip(&self, pose: &Pose) -> Vector3<f64> {
        pose.tip(self.machine, self.arm)
    }

    /// 6 rows, one column for each of this arm's joints.
    fn jacobian(&self, pose: &Pose) -> nalgebra::DMatrix<f64> {
        let last = self.arm.axes[self.joints() - 1];
        let all = self.bodies.jacobian(pose, last, &self.tip(pose));
        nalgebra::DMatrix::from_fn(6, self.joints(), |row, k| all[(row, self.arm.axes[k])])
    }

    /// The tip as the core sees it, m.
    fn core_tip(&self, angles: &[f64]) -> Vector3<f64> {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "rounding to f32 is what the core is given"
        )]
        let angles = angles.iter().map(|&angle| angle as f32);
        Vector3::from(ArmPose::new(&self.core, angles).tip.map(f64::from))
    }
}

/// The unit that an axis' stroke is told in, and how many of it make one SI unit.
fn stroke_unit(axis: &Axis) -> (f64, &'static str) {
    match axis.actuator.kind {
        ActuatorKind::Cylinder { .. } => (1e3, "mm"),
        ActuatorKind::Motor { .. } => (180.0 / std::f64::consts::PI, "deg"),
    }
}

fn unclosed(axis: &Axis, found: String, why: GeometryError) -> Refusal {
    Refusal::new(&axis.name, found, format!("a pose in which its linkage closes: {why}"))
}
