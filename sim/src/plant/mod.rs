//! The simulated machine: arms, cylinders, valves and pump, as physics.
//!
//! A [`Plant`] is told once a tick what the valves' coils, the dump valve's coil and the engine do ([`Inputs`]), and
//! integrates exactly to the next tick. It knows nothing of the controller. Faults are plain values ([`Faults`]) that
//! whoever drives the plant may change between two ticks. f64 and SI throughout; pressures are gauge.
//!
//! Reading order: `bodies` (on `tree`) is the mechanism, `linkage` its way to the stroke, `hydraulics`, `resistance`
//! and `supply` are one component each, `model` puts them together, `integrator` steps the whole, `energy` and
//! `statics` ask questions of it, `rig` is a test bench.
//!
//! Not modelled: oil temperature, entrained air (the bulk modulus is constant), hose burst, load-holding valves, static
//! friction above the Coulomb level, flexible links.

#![allow(
    clippy::needless_range_loop,
    reason = "one index runs over several arrays and state blocks at once, as in the equations"
)]

pub mod bodies;
pub mod energy;
pub mod hydraulics;
pub mod integrator;
pub mod linkage;
pub mod model;
pub mod resistance;
pub mod rig;
pub mod statics;
pub mod supply;
pub mod tree;

use std::sync::Arc;

use bellcrank_machine::description::{self, Actuator, Description, Oil, Valve};
use bellcrank_machine::geometry::{Geometry, GeometryError};

pub use bodies::{Bodies, Payload, Pose};
pub use energy::{Account, Stored};
pub use integrator::{Accuracy, Work};
pub use linkage::{Direct, Linkage, Table};
pub use model::Mechanism;
pub use statics::Hold;
pub use supply::{Pump, Source};
pub use tree::{JOINTS_MAX, PerJoint};

use hydraulics::Section;
use integrator::{STATES_MAX, StepError, Stepper, System};
use model::{Axis, Layout, Model};
use resistance::Resistance;

/// What drives the plant from outside, constant over one tick.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inputs {
    /// Spool position asked of each valve, -1 (retract) to 1 (extend).
    pub spool: PerJoint,
    /// The valves have power. Without it the springs centre the spools.
    pub valve_power: bool,
    /// The dump valve has current, and closes. Without it, it opens.
    pub dump_current: bool,
    /// The engine turns the pump.
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
    /// Leakage between the chambers of each actuator, beyond that of the machine file, m³/(s Pa).
    pub extra_leak: PerJoint,
    /// Share of its flow that the pump still gives.
    pub pump_scale: f64,
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
            extra_leak: [0.0; JOINTS_MAX],
            pump_scale: 1.0,
        }
    }
}

/// Parts of one axis, as the machine file describes them.
#[derive(Clone)]
pub struct AxisParts<'a> {
    /// The cylinder or motor.
    pub actuator: &'a Actuator,
    /// The valve section.
    pub valve: &'a Valve,
    /// Stroke over joint angle.
    pub linkage: Arc<dyn Linkage>,
}

/// What one axis is doing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AxisView {
    /// Joint angle, rad (position of a test bench's mass, m).
    pub angle: f64,
    /// Joint rate.
    pub rate: f64,
    /// Stroke, m (rad for a motor).
    pub stroke: f64,
    /// Stroke rate.
    pub stroke_rate: f64,
    /// Pressure of the extending chamber, Pa.
    pub pressure_a: f64,
    /// Pressure of the retracting chamber, Pa.
    pub pressure_b: f64,
    /// Spool, share of full travel.
    pub spool: f64,
    /// Spool rate, 1/s.
    pub spool_rate: f64,
}

/// Why a plant could not be integrated further. It stands where it was after the last good step.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlantError {
    /// The steps became too short.
    #[error("at {time:.6} s the {state} cannot be integrated: it needs ever shorter steps")]
    TooStiff {
        /// Time reached, s.
        time: f64,
        /// The state with the largest error.
        state: String,
    },
    /// A state or its rate is no number.
    #[error("at {time:.6} s the {state} is not finite")]
    NotFinite {
        /// Time reached, s.
        time: f64,
        /// The first such state.
        state: String,
    },
}

/// Why a machine file does not make a plant.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BuildError {
    /// Its arms do not make a tree of joints.
    #[error(transparent)]
    Tree(#[from] bodies::TreeError),
    /// A linkage does not close in the middle of its joint's range.
    #[error("the linkage of {axis}: {error}")]
    Linkage {
        /// Name of the axis.
        axis: String,
        /// What is wrong with it.
        error: GeometryError,
    },
}

/// A simulated machine.
#[derive(Clone)]
pub struct Plant {
    model: Model,
    stepper: Stepper,
    states: Vec<f64>,
    time: f64,
    account: Option<Account>,
}

impl Plant {
    /// A plant at rest with all joint angles zero, all pressures those of the tank and the dump valve open; see
    /// [`Plant::stand`] for anything else.
    ///
    /// # Panics
    /// If there is not exactly one axis for each joint of the mechanism.
    pub fn new(mechanism: Mechanism, axes: &[AxisParts], source: Source, oil: &Oil, accuracy: Accuracy) -> Plant {
        let pressure = source.setting();
        let axis = |parts: &AxisParts| Axis {
            section: Section::new(parts.valve, parts.actuator, oil),
            resistance: Resistance::new(parts.actuator, pressure),
            linkage: Arc::clone(&parts.linkage),
        };
        let model = Model::new(mechanism, axes.iter().map(axis).collect(), source, oil);
        let states = vec![0.0; model.count()];
        let mut plant = Plant {
            model,
            stepper: Stepper::new(accuracy),
            states,
            time: 0.0,
            account: None,
        };
        plant.set_pressures_to_tank();
        plant.model.place(&plant.states);
        plant
    }

    /// The machine of a machine file; axis i of the plant is axis i of the file. At rest with all angles zero, see
    /// [`Plant::stand`].
    ///
    /// # Errors
    /// [`BuildError`] where the file's arms or linkages cannot be put together.
    pub fn of_machine(machine: &Description, accuracy: Accuracy) -> Result<Plant, BuildError> {
        let linkage = |axis: &description::Axis| -> Result<Arc<dyn Linkage>, BuildError> {
            if let description::Linkage::Direct { zero } = axis.linkage {
                return Ok(Arc::new(Direct { zero }));
            }
            let named = |error| BuildError::Linkage {
                axis: axis.name.clone(),
                error,
            };
            let (low, high) = axis.joint.range;
            let geometry = Geometry::of(axis).map_err(named)?;
            let table = Table::new(&geometry, f64::midpoint(low, high), axis.actuator.travel).map_err(named)?;
            Ok(Arc::new(table))
        };
        let mut axes = Vec::new();
        for axis in &machine.axes {
            axes.push(AxisParts {
                actuator: &axis.actuator,
                valve: &axis.valve,
                linkage: linkage(axis)?,
            });
        }
        let mechanism = Mechanism::Arms(Bodies::of_machine(machine)?);
        let source = Source::Pump(Pump::new(&machine.supply, &machine.oil));
        Ok(Plant::new(mechanism, &axes, source, &machine.oil, accuracy))
    }

    /// Puts the machine at rest at these joint angles, held by trapped oil: in each actuator one chamber at `preload`
    /// above tank, the other at what holds the arm. Supply empty, dump valve open, spools centred.
    pub fn stand(&mut self, angles: &[f64], preload: f64) {
        self.states.fill(0.0);
        self.states[..angles.len()].copy_from_slice(angles);
        self.set_pressures_to_tank();
        self.model.place(&self.states);
        let low = self.model.source.tank() + preload;
        for (i, hold) in statics::holds(&self.model, low).into_iter().enumerate() {
            (self.states[self.model.at.a(i)], self.states[self.model.at.b(i)]) = (hold.pressure_a, hold.pressure_b);
        }
        self.model.dump = (1.0, self.time);
        self.stepper.restart();
    }

    /// Fills the pressure line to `pressure` and closes the dump valve, as after some time with the engine running.
    /// Without a pump, nothing.
    pub fn charge(&mut self, pressure: f64) {
        if matches!(self.model.source, Source::Pump(_)) {
            self.states[self.model.at.manifold()] = pressure;
            self.model.dump = (0.0, self.time);
        }
    }

    /// Integrates over `span`, s, with the inputs held.
    ///
    /// # Errors
    /// [`PlantError`] names time and state where the equations could not be integrated.
    pub fn advance(&mut self, inputs: &Inputs, span: f64) -> Result<(), PlantError> {
        self.model.dump = (self.model.dump_opening(self.time), self.time);
        self.model.inputs = *inputs;
        for i in 0..self.model.axes.len() {
            if self.model.faults.spool[i] == SpoolFault::Frozen {
                self.states[self.model.at.spool_rate(i)] = 0.0;
            }
        }
        let (start, states, mut time) = (self.time, &mut self.states, self.time);
        let result = match &mut self.account {
            None => self
                .stepper
                .advance(&mut self.model, start, span, states, |_, t, _, _| time = t),
            Some(account) => {
                account.begin(&mut self.model, start, states);
                let keep = |model: &mut Model, t: f64, states: &[f64], step: f64| {
                    time = t;
                    account.keep(model, t, states, step);
                };
                self.stepper.advance(&mut self.model, start, span, states, keep)
            }
        };
        self.time = if result.is_ok() { start + span } else { time };
        self.model.place(&self.states);
        result.map_err(|error| match error {
            StepError::TooStiff { time, state } => PlantError::TooStiff {
                time,
                state: self.state_name(state),
            },
            StepError::NotFinite { time, state } => PlantError::NotFinite {
                time,
                state: self.state_name(state),
            },
        })
    }

    /// The equations under these inputs, for an integrator other than the plant's own. It starts from [`Plant::states`]
    /// and moves states of its own.
    pub fn equations(&mut self, inputs: &Inputs) -> &mut impl System {
        self.model.inputs = *inputs;
        &mut self.model
    }

    /// Begins to keep account of energy from here on.
    pub fn keep_account(&mut self) {
        self.account = Some(Account::default());
    }

    /// The account, if one is kept.
    pub fn account(&self) -> Option<&Account> {
        self.account.as_ref()
    }

    /// Energy stored now.
    pub fn stored(&mut self) -> Stored {
        energy::stored(&mut self.model, &self.states)
    }

    /// The faults, to be read and changed.
    pub fn faults(&mut self) -> &mut Faults {
        &mut self.model.faults
    }

    /// The arms, to hang payloads on and to tilt. None on a test bench.
    pub fn bodies(&mut self) -> Option<&mut Bodies> {
        match &mut self.model.mechanism {
            Mechanism::Arms(bodies) => Some(bodies),
            Mechanism::Mass(_) => None,
        }
    }

    /// Where the arms are.
    pub fn pose(&self) -> &Pose {
        self.model.pose()
    }

    /// What an axis is doing.
    pub fn axis(&self, axis: usize) -> AxisView {
        let (at, states) = (self.model.at, &self.states);
        let (stroke, ratio) = self.model.stroke_and_ratio(axis);
        AxisView {
            angle: states[axis],
            rate: states[at.rate(axis)],
            stroke,
            stroke_rate: ratio * states[at.rate(axis)],
            pressure_a: states[at.a(axis)],
            pressure_b: states[at.b(axis)],
            spool: states[at.spool(axis)],
            spool_rate: states[at.spool_rate(axis)],
        }
    }

    /// Number of axes.
    pub fn axes(&self) -> usize {
        self.model.axes.len()
    }

    /// Pressure in the pressure line, Pa.
    pub fn supply_pressure(&self) -> f64 {
        self.model.manifold(&self.states)
    }

    /// Flow of the pump, m³/s. Zero where the supply is ideal.
    pub fn pump_flow(&self) -> f64 {
        if matches!(self.model.source, Source::Pump(_)) {
            self.states[self.model.at.pump()]
        } else {
            0.0
        }
    }

    /// Opening of the dump valve, 0 to 1.
    pub fn dump_opening(&self) -> f64 {
        self.model.dump_opening(self.time)
    }

    /// What each actuator must hold in this pose, at rest.
    pub fn holds(&self) -> Vec<Hold> {
        statics::holds(&self.model, self.model.source.tank())
    }

    /// Time since the start, s.
    pub fn time(&self) -> f64 {
        self.time
    }

    /// Work of the integrator so far.
    pub fn work(&self) -> Work {
        self.stepper.work()
    }

    /// All states, as [`Layout`] orders them.
    pub fn states(&self) -> &[f64] {
        &self.states
    }

    /// Where each state is in [`Plant::states`].
    pub fn layout(&self) -> Layout {
        self.model.at
    }

    /// Sets one state, as a test or a test bench starts it.
    pub fn set_state(&mut self, state: usize, value: f64) {
        self.states[state] = value;
        self.model.place(&self.states);
        self.stepper.restart();
    }

    /// Tells the integrator that the inputs are about to jump far.
    pub fn expect_jump(&mut self) {
        self.stepper.restart();
    }

    fn set_pressures_to_tank(&mut self) {
        let (at, tank) = (self.model.at, self.model.source.tank());
        for i in 0..self.model.axes.len() {
            (self.states[at.a(i)], self.states[at.b(i)]) = (tank, tank);
        }
        if matches!(self.model.source, Source::Pump(_)) {
            self.states[at.manifold()] = tank;
        }
    }

    fn state_name(&self, state: usize) -> String {
        debug_assert!(state < STATES_MAX);
        let n = self.model.axes.len();
        if state >= 6 * n {
            return ["manifold pressure", "pump flow"][state - 6 * n].to_string();
        }
        let kind = ["angle", "rate", "pressure A", "pressure B", "spool", "spool rate"][state / n];
        format!("{kind} of axis {}", state % n)
    }
}
