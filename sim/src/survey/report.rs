//! What a survey tells, with the unit in each name. Its JSON schema is `sim/schemas/survey.json`.

use schemars::JsonSchema;
use serde::Serialize;

/// A surveyed machine.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Survey {
    /// Name of the machine.
    pub machine: String,
    /// Pressure of the supply, gauge, bar.
    pub supply_bar: f64,
    /// Pressure of the tank line, gauge, bar.
    pub tank_bar: f64,
    /// Greatest flow of the pump, l/min.
    pub pump_lpm: f64,
    /// Payload at the tip of each arm where "with payload" is said, kg. 0: none was asked for.
    pub payload_kg: f64,
    /// The axes in the order of their channels.
    pub axes: Vec<AxisSurvey>,
    /// The arms.
    pub arms: Vec<ArmSurvey>,
    /// The machine file says what the machine stands on, so the lift charts look at tipping.
    pub tipping_known: bool,
    /// Axes that gravity loads and whose load no valve at the actuator holds: a burst hose or a valve stuck open lets it drop.
    pub without_load_holding_valve: Vec<String>,
    /// Axes that cannot hold the machine, or the payload, somewhere on the grid at supply pressure: the survey has failed if there are any.
    pub too_weak: Vec<String>,
    /// Beyond the furthest that an arm reaches: how far somebody must be who walks up to the machine when a stop is asked for, so that it has
    /// stopped before he gets there, mm. By the machine file's reaction and stop budget; how long a stop takes has to be measured on the machine.
    pub separation_mm: f64,
}

/// One surveyed axis.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AxisSurvey {
    /// Its name.
    pub axis: String,
    /// Least and greatest joint angle, degrees.
    pub range_deg: [f64; 2],
    /// Cylinder or motor.
    pub actuator: ActuatorSurvey,
    /// Fastest joint rate at the pump's whole flow, where the moment arm is least, degrees/s.
    pub joint_pump_deg_s: EachWay,
    /// Fastest joint rate at the valve's rated flow, where the moment arm is least, degrees/s.
    pub joint_valve_deg_s: EachWay,
    /// One step of the converter, at the joint, where the moment arm is least, degrees.
    pub count_joint_deg: f64,
    /// One step of the converter, at the tip of the arm in the worst pose, mm. None where the axis moves no tip.
    pub count_tip_mm: Option<f64>,
    /// Worst pose for holding the bare machine still.
    pub holding: Option<Holding>,
    /// The same with payload. None where none was asked for.
    pub holding_payload: Option<Holding>,
    /// The supply pressure is enough to hold it everywhere on the grid, with and without payload.
    pub holds: bool,
    /// Natural frequency of the mass on the oil. None where nothing moves.
    pub natural: Option<Natural>,
    /// The same with payload. None where none was asked for.
    pub natural_payload: Option<Natural>,
    /// Gravity loads it and no valve at the actuator holds the load: a burst hose or a valve stuck open lets it drop.
    pub lacks_load_holding_valve: bool,
}

/// A surveyed actuator.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum ActuatorSurvey {
    /// A cylinder.
    Cylinder {
        /// Least and greatest stroke that the joint's range uses, mm.
        stroke_mm: [f64; 2],
        /// Full stroke, mm.
        travel_mm: f64,
        /// Least and greatest moment arm over the range, mm.
        moment_arm_mm: [f64; 2],
        /// Force out at supply pressure, the rod side at tank pressure, kN.
        push_kn: f64,
        /// Force in at supply pressure, the bore side at tank pressure, kN.
        pull_kn: f64,
        /// Stroke rate at the pump's whole flow, mm/s.
        pump_mm_s: EachWay,
        /// Stroke rate at which the busiest land of the valve passes its rated flow, mm/s.
        valve_mm_s: EachWay,
        /// One step of the converter, mm of stroke.
        count_mm: f64,
    },
    /// A motor on the joint.
    Motor {
        /// Least and greatest angle from its zero that the joint's range uses, degrees.
        stroke_deg: [f64; 2],
        /// Full angle, degrees.
        travel_deg: f64,
        /// Torque at supply pressure, the other side at tank pressure, kN m.
        torque_knm: f64,
    },
}

/// A value for each direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct EachWay {
    /// Extending (a motor: positive).
    pub extend: f64,
    /// Retracting.
    pub retract: f64,
}

impl EachWay {
    /// Both, turned into something else.
    pub fn map(self, change: impl Fn(f64) -> f64) -> EachWay {
        EachWay {
            extend: change(self.extend),
            retract: change(self.retract),
        }
    }
}

/// What holding still takes in one pose.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Holding {
    /// Pressure of the loaded chamber, the other at tank pressure, bar.
    pub bar: f64,
    /// The part of it above tank pressure, bar.
    pub above_tank_bar: f64,
    /// Torque at the joint, positive about its axis, N m.
    pub torque_nm: f64,
    /// The pose: angles of the arm's joints from base to tip, degrees.
    pub angles_deg: Vec<f64>,
}

/// How slowly a mass swings on the oil: at each stroke in the pose of the grid with the greatest inertia.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Natural {
    /// Natural frequency at mid stroke, Hz.
    pub mid_hz: f64,
    /// The least over the strokes that the joint's range uses, Hz.
    pub least_hz: f64,
    /// Where that is, percent of full stroke.
    pub least_at_percent: f64,
}

/// One surveyed arm: extremes of its tip on the grid.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ArmSurvey {
    /// Its name.
    pub arm: String,
    /// Its axes from base to tip: the order of all lists of angles.
    pub axes: Vec<String>,
    /// Where the tip is furthest from the arm's base, as seen from above.
    pub furthest: Place,
    /// Where it is nearest to it, as seen from above.
    pub nearest: Place,
    /// Where it is highest.
    pub highest: Place,
    /// Where it is lowest.
    pub lowest: Place,
    /// How near the arm's links can come to each zone.
    pub zones: Vec<ZoneSurvey>,
    /// What its tip can hold over reach and height. None where fewer than two joints move the tip there.
    pub lift: Option<Lift>,
}

/// A lift chart: a calculation, not a rating. What it takes and leaves out is told in the documentation of `survey::lift`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Lift {
    /// Distance between places, mm.
    pub step_mm: f64,
    /// Reach of each column: distance of the tip from the axis of the arm's first joint as seen from above, mm.
    pub reach_mm: Vec<f64>,
    /// Height of the tip above the ground in each row, the greatest first, mm.
    pub height_mm: Vec<f64>,
    /// A list for each row with a cell for each column; none where the tip cannot be.
    pub cells: Vec<Vec<Option<LiftCell>>>,
}

/// What the tip can hold at one place, in the pose that lifts most there.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LiftCell {
    /// The lesser of 87 % of `hydraulic_kg` and 75 % of `tipping_kg`, kg.
    pub rated_kg: f64,
    /// Load at which an actuator takes the whole pressure of the supply, kg.
    pub hydraulic_kg: f64,
    /// Load that tips the machine in the worst direction of the first joint, kg. None where nobody has said what the machine stands
    /// on, or the tip stays over that.
    pub tipping_kg: Option<f64>,
    /// Which of the two it is.
    pub limited_by: LiftLimit,
    /// The axis whose actuator takes the whole pressure at `hydraulic_kg`.
    pub weakest_axis: String,
    /// The pose: angles of the arm's joints from base to tip, the first in its worst direction, degrees.
    pub angles_deg: Vec<f64>,
}

/// What limits a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LiftLimit {
    /// The pressure of the supply.
    Pressure,
    /// The machine would tip.
    Tipping,
}

/// A place of the tip.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Place {
    /// Distance from the arm's base as seen from above, mm.
    pub from_base_mm: f64,
    /// The tip in the machine frame, mm.
    pub tip_mm: [f64; 3],
    /// The pose: angles of the arm's joints from base to tip, degrees.
    pub angles_deg: Vec<f64>,
}

/// The least distance of an arm's links from a zone on the grid.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ZoneSurvey {
    /// Name of the zone.
    pub zone: String,
    /// Least distance, mm; negative where a link can be inside the zone: then it is the core that must keep it out.
    pub clearance_mm: f64,
    /// Distance that the core keeps, mm.
    pub margin_mm: f64,
    /// The axis whose link it is.
    pub nearest_link: String,
    /// The pose: angles of the arm's joints from base to tip, degrees.
    pub angles_deg: Vec<f64>,
}
