//! What is told about poses, with the unit in each name. Its JSON schema is `sim/schemas/pose.json`.

use schemars::JsonSchema;
use serde::Serialize;

/// Some poses of one arm.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PoseReport {
    /// Name of the machine.
    pub machine: String,
    /// Name of the arm.
    pub arm: String,
    /// Names of its axes from base to tip: the order of every list below.
    pub axes: Vec<String>,
    /// Mass hung from the tip, kg.
    pub payload_kg: f64,
    /// Gravity used, m/s², along -z.
    pub gravity_m_s2: f64,
    /// Pressure of the supply, for comparison, bar.
    pub supply_bar: f64,
    /// The poses, in the order in which they were asked.
    pub poses: Vec<PoseRow>,
}

/// One pose.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PoseRow {
    /// Its axes from base to tip.
    pub axes: Vec<AxisPose>,
    /// The tip in the machine frame (x forward, y left, z up), mm.
    pub tip_mm: [f64; 3],
    /// Rotation of the tip's frame, row by row: its columns are the frame's axes in the machine frame.
    pub tip_rotation: [[f64; 3]; 3],
    /// 6 rows, one column an axis. Rows 0 to 2: velocity of the tip, m/s for 1 rad/s; rows 3 to 5: angular velocity of its frame, rad/s
    /// for 1 rad/s; both along the axes of the machine frame.
    pub jacobian_m_rad: Vec<Vec<f64>>,
    /// Joint-space mass matrix, row by row, kg m².
    pub mass_matrix_kg_m2: Vec<Vec<f64>>,
    /// The tip as the control core works it out, in f32, mm.
    pub core_tip_mm: [f64; 3],
    /// Distance between the two tips, mm.
    pub core_apart_mm: f64,
}

/// One axis in a pose.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AxisPose {
    /// Its name.
    pub axis: String,
    /// Joint angle, degrees.
    pub angle_deg: f64,
    /// The same, rad.
    pub angle_rad: f64,
    /// Joint rate asked, rad/s.
    pub rate_rad_s: f64,
    /// Joint acceleration asked, rad/s².
    pub acceleration_rad_s2: f64,
    /// Torque that the actuator must give for it, positive about the joint's axis, N m. Without friction and oil inertia.
    pub torque_nm: f64,
    /// The part of it that holds the arm still against gravity, N m.
    pub gravity_torque_nm: f64,
    /// Cylinder or motor.
    pub actuator: ActuatorPose,
    /// Pressure that the extending (bore) chamber needs, the other at tank pressure, bar. At tank pressure itself where the other works.
    pub pressure_a_bar: f64,
    /// The same for the retracting (rod) chamber, bar.
    pub pressure_b_bar: f64,
}

/// The actuator in a pose.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum ActuatorPose {
    /// A cylinder.
    Cylinder {
        /// Stroke from fully retracted, mm.
        stroke_mm: f64,
        /// Stroke per joint angle, with its sign: the moment arm, mm (for 1 rad).
        moment_arm_mm: f64,
        /// Stroke rate, mm/s.
        rate_mm_s: f64,
        /// Force, positive when it pushes out, N.
        force_n: f64,
    },
    /// A motor on the joint.
    Motor {
        /// Angle from its zero, degrees.
        stroke_deg: f64,
        /// Its torque, N m.
        torque_nm: f64,
    },
}
