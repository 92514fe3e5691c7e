//! What is done to a plant from outside: its inputs, and what is broken in its hydraulics. Plain values.

use super::tree::{JOINTS_MAX, PerJoint};

/// What drives the plant from outside, constant over one tick.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inputs {
    /// Spool position asked of each valve, -1 (retract) to 1 (extend).
    pub spool: PerJoint,
    /// The valves have power. Without it the springs centre the spools.
    pub valve_power: bool,
    /// The dump valves have current, and close. Without it, they open.
    pub dump_current: bool,
    /// The engine is switched on.
    pub engine: bool,
    /// Load on a test bench's mass, positive against extension, N.
    pub load: f64,
}

impl Default for Inputs {
    /// Everything on, nothing asked.
    fn default() -> Inputs {
        Inputs {
            spool: [0.0; JOINTS_MAX],
            valve_power: true,
            dump_current: true,
            engine: true,
            load: 0.0,
        }
    }
}

/// What is wrong with the hydraulics.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faults {
    /// What is wrong with each spool.
    pub spool: [SpoolFault; JOINTS_MAX],
    /// Share of the demand that reaches each spool.
    pub demand_scale: PerJoint,
    /// Share of its quickness with which each spool still follows: of its natural frequency and of its slew limit.
    pub quickness: PerJoint,
    /// By how much further each spool has to go before its lands open, either way, share of full travel.
    pub extra_overlap: PerJoint,
    /// What each closed land lets through beyond the machine file's, m³/(s Pa).
    pub land_leak: PerJoint,
    /// The load-holding valves of each axis stand open, whatever the pressures are.
    pub holding_open: [bool; JOINTS_MAX],
    /// Leakage between the chambers of each actuator, beyond that of the machine file, m³/(s Pa).
    pub extra_leak: PerJoint,
    /// Hole in the hose on the extending and the retracting side of each valve section, as flow per root of pressure,
    /// m³/(s √Pa); see [`hole`].
    pub burst: [[f64; 2]; JOINTS_MAX],
    /// Share of their flow that the pumps still give.
    pub pump_scale: f64,
    /// How far the main reliefs are held off their seats: share of its pump's flow that each lets through at its setting.
    pub relief_open: f64,
    /// The dump valves stay where they are, with current or without.
    pub dump_stuck: bool,
}

/// Flow per root of pressure of a sharp-edged hole of a diameter, m: `Cd A sqrt(2/ρ)`, Cd = 0.61 (PV-25), m³/(s √Pa).
pub fn hole(diameter: f64, density: f64) -> f64 {
    0.61 * std::f64::consts::FRAC_PI_4 * diameter * diameter * (2.0 / density).sqrt()
}

/// What is wrong with a spool.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum SpoolFault {
    /// Nothing.
    #[default]
    None,
    /// It sticks where it is.
    Frozen,
    /// It goes to this position and stays there, whatever is asked, with power or without.
    Forced(f64),
}

impl Default for Faults {
    fn default() -> Faults {
        Faults {
            spool: [SpoolFault::None; JOINTS_MAX],
            demand_scale: [1.0; JOINTS_MAX],
            quickness: [1.0; JOINTS_MAX],
            extra_overlap: [0.0; JOINTS_MAX],
            land_leak: [0.0; JOINTS_MAX],
            holding_open: [false; JOINTS_MAX],
            extra_leak: [0.0; JOINTS_MAX],
            burst: [[0.0; 2]; JOINTS_MAX],
            pump_scale: 1.0,
            relief_open: 0.0,
            dump_stuck: false,
        }
    }
}
