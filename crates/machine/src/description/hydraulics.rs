//! Engine, pumps, oil, cylinders and valves: the hydraulics of a machine file.

/// The engine that turns all pumps: torque up to a limit under a governor that lets the speed droop.
#[derive(Debug, Clone, PartialEq)]
pub struct Engine {
    /// Speed at which the pumps give their rated flow and the governor is fully open, rad/s.
    pub rated: f64,
    /// Greatest torque, N m.
    pub torque: f64,
    /// No-load speed above the rated one, as a share of it.
    pub droop: f64,
    /// Moment of inertia of engine and pumps, kg m².
    pub inertia: f64,
    /// Speed below which it dies, rad/s.
    pub stall: f64,
    /// Torque that it takes to turn it over without firing, N m.
    pub drag: f64,
}

/// What a pump's flow follows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PumpControl {
    /// Nothing: its whole displacement always, what nobody takes going over the relief valve.
    Fixed,
    /// The pressure in its line, kept at [`Supply::pressure`].
    Pressure,
    /// The greatest load pressure, with `margin` above it in its line, up to [`Supply::pressure`].
    LoadSensing {
        /// Pa.
        margin: f64,
    },
}

/// One supply shared by its axes: a pump with its control, a main relief valve and a dump valve to tank.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// What its flow follows.
    pub control: PumpControl,
    /// Greatest flow of the pump, at the engine's rated speed, m³/s.
    pub flow: f64,
    /// Leakage of the pump at the oil's working temperature, m³/(s Pa).
    pub leak: f64,
    /// Pressure at which the pump's control brings the flow to zero, Pa. For a fixed pump: what it is taken to hold.
    pub pressure: f64,
    /// Band below the controlled pressure over which the flow goes from full to zero, Pa.
    pub control_band: f64,
    /// First-order time of the pump's control, s.
    pub response: f64,
    /// Main relief valve: cracking pressure, Pa.
    pub relief: f64,
    /// Main relief valve: pressure above cracking at which it passes the whole pump flow, Pa.
    pub relief_band: f64,
    /// Dump valve: flow to tank at `dump_drop` when open, m³/s. It is open without current.
    pub dump_flow: f64,
    /// Dump valve: pressure drop of `dump_flow`, Pa.
    pub dump_drop: f64,
    /// Dump valve: time from loss of current to fully open (and back), s.
    pub dump_time: f64,
    /// Tank (return line) pressure, gauge, Pa.
    pub tank: f64,
    /// Oil volume of the manifold and pressure hoses, m³.
    pub volume: f64,
}

/// The oil.
#[derive(Debug, Clone, PartialEq)]
pub struct Oil {
    /// Density at atmospheric pressure, kg/m³.
    pub density: f64,
    /// Bulk modulus of the liquid, Pa.
    pub bulk_modulus: f64,
    /// Volume of undissolved air for each volume of liquid at atmospheric pressure. None: textbook oil, whose modulus
    /// and density are constants.
    pub air: Option<f64>,
    /// Kinematic viscosity at 40 and at 100 °C, m²/s.
    pub viscosity: (f64, f64),
    /// Working temperature, °C: where the leakages, frictions and laminar starts of the file hold.
    pub temperature: f64,
}

impl Oil {
    /// Textbook oil of a modulus, Pa, and density, kg/m³: an ISO VG 46 at 50 °C. Its viscosity at 100 °C is a usual one
    /// for that grade (common practice, no source).
    pub fn textbook(density: f64, bulk_modulus: f64) -> Oil {
        Oil {
            density,
            bulk_modulus,
            air: None,
            viscosity: (46e-6, 6.8e-6),
            temperature: 50.0,
        }
    }
}

/// The cylinder or motor. Lengths are of stroke: metres for a cylinder, radians for a motor on the joint; an area is then
/// volume per stroke: m² for a cylinder, m³/rad for a motor.
#[derive(Debug, Clone, PartialEq)]
pub struct Actuator {
    /// Cylinder or motor, as the file gave it.
    pub kind: ActuatorKind,
    /// Area of the chamber that extends it (bore side).
    pub area_a: f64,
    /// Area of the chamber that retracts it (rod side).
    pub area_b: f64,
    /// Full stroke.
    pub travel: f64,
    /// Oil in hose and ports on the extending side, m³. Where there is a load-holding valve: between it and the piston.
    pub dead_a: f64,
    /// The same on the retracting side, m³.
    pub dead_b: f64,
    /// By how much hose and barrel on each side swell, m³/Pa.
    pub swell: [f64; 2],
    /// Leakage between the chambers, m³/(s Pa).
    pub leak: f64,
    /// Viscous friction, N s/m (N m s/rad).
    pub viscous: f64,
    /// Coulomb friction, N (N m).
    pub coulomb: f64,
    /// Speed at which Coulomb friction has nearly its full value: `coulomb * tanh(v / coulomb_speed)`.
    pub coulomb_speed: f64,
    /// Friction at breakaway, N (N m); at least `coulomb`.
    pub breakaway: f64,
    /// Speed at which half of what breakaway adds is gone.
    pub breakaway_speed: f64,
    /// Length of the end cushion at each end of the stroke.
    pub cushion: f64,
}

/// The sizes an actuator was given by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ActuatorKind {
    /// Double-acting cylinder with one rod.
    Cylinder {
        /// Bore, m.
        bore: f64,
        /// Rod, m.
        rod: f64,
    },
    /// Hydraulic motor (with any gear) on the joint.
    Motor {
        /// Displacement per revolution of the joint, m³.
        displacement: f64,
    },
}

impl ActuatorKind {
    /// Outer radius of a cylinder with a wall of a tenth of its bore (common practice, no source), m. None for a motor.
    pub fn outer_radius(&self) -> Option<f64> {
        match self {
            Self::Cylinder { bore, .. } => Some(0.6 * bore),
            Self::Motor { .. } => None,
        }
    }
}

/// A closed-centre 4/3 proportional valve section with its port valves.
#[derive(Debug, Clone, PartialEq)]
pub struct Valve {
    /// Flow over one land, fully open, at `rated_drop`, m³/s.
    pub rated_flow: f64,
    /// The pressure drop over one land that belongs to `rated_flow`, Pa.
    pub rated_drop: f64,
    /// Below this drop the square root of the orifice law becomes a cubic (laminar start), Pa.
    pub blend: f64,
    /// Spool travel, share of full travel, before the extending lands open.
    pub overlap_out: f64,
    /// The same before the retracting lands open.
    pub overlap_in: f64,
    /// How the lands open beyond that.
    pub notches: Notches,
    /// Natural frequency of the spool with its pilot, Hz.
    pub spool_hz: f64,
    /// Damping ratio of the spool.
    pub spool_zeta: f64,
    /// What keeps the spool from doing at once and exactly what it is told.
    pub answer: Answer,
    /// Anti-cavitation check valves from tank to each port: flow at `check_drop`, m³/s.
    pub check_flow: f64,
    /// Drop of `check_flow`, Pa.
    pub check_drop: f64,
    /// Port relief valves: cracking pressure, Pa. None where the section has none.
    pub port_relief: Option<f64>,
    /// A check valve in the section's feed keeps oil from flowing back from a port into the pressure line.
    pub load_check: bool,
}

/// How the four metering lands of a spool open past the overlap, and what passes it before they do.
#[derive(Debug, Clone, PartialEq)]
pub struct Notches {
    /// Share of [`Valve::rated_flow`] that each land passes at full travel: P to A, P to B, A to T, B to T.
    pub share: [f64; 4],
    /// How progressively: of the travel x past the overlap, a land opens by `(1 - p) x + p x²`. 0 is a straight notch.
    pub progression: f64,
    /// Leakage over each land at the oil's working temperature, m³/(s Pa).
    pub leak: f64,
    /// From each port to tank with the spool in the middle, down to nothing where the lands begin to open, m³/(s Pa). It lets
    /// the pressure out of a load-holding valve's lines, so that the valve closes.
    pub vent: f64,
}

impl Default for Notches {
    /// Straight, alike and tight.
    fn default() -> Notches {
        Notches {
            share: [1.0; 4],
            progression: 0.0,
            leak: 0.0,
            vent: 0.0,
        }
    }
}

/// What keeps a spool from doing at once and exactly what it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// Fastest that the spool moves, 1/s. Infinite: no limit but its dynamics.
    pub slew: f64,
    /// Width of the hysteresis, share of full travel.
    pub hysteresis: f64,
    /// A change of the command by less than this does not move the spool at all, share of full travel.
    pub stiction: f64,
    /// From the signal to the coil, in the valve's electronics, s.
    pub delay: f64,
}

impl Default for Answer {
    /// Nothing.
    fn default() -> Answer {
        Answer {
            slew: f64::INFINITY,
            hysteresis: 0.0,
            stiction: 0.0,
            delay: 0.0,
        }
    }
}

/// A load-holding valve on the actuator, with a line between it and the valve section.
#[derive(Debug, Clone, PartialEq)]
pub struct Holding {
    /// What it opens to.
    pub kind: HoldingKind,
    /// Whether there is one on the extending and on the retracting side. A side without is a plain pipe.
    pub on: [bool; 2],
    /// Pressure in the opposite line that counts as this much pressure in its own chamber.
    pub pilot_ratio: f64,
    /// Flow at `drop` when open, and in the free direction, m³/s.
    pub flow: f64,
    /// Pressure drop of `flow`, Pa.
    pub drop: f64,
    /// Pressure from beginning to open to fully open, Pa.
    pub band: f64,
    /// Oil in each line between it and the section, m³.
    pub line: [f64; 2],
}

/// The two kinds of load-holding valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HoldingKind {
    /// Opens when chamber pressure and pilot together exceed its setting, Pa: meters, and relieves its chamber.
    Counterbalance {
        /// Pa.
        setting: f64,
    },
    /// A pilot-operated check: opens when the pilot overcomes the chamber's pressure and its spring. Does not meter.
    Lock {
        /// Spring, as pressure, Pa.
        spring: f64,
    },
}
