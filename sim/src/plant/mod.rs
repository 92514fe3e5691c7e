//! The simulated machine: arms, cylinders, valves and pump, as physics.
//!
//! A [`Plant`] is told once a tick what the valves' coils, the dump valve's coil and the engine do ([`Inputs`]), and
//! integrates exactly to the next tick. It knows nothing of the controller. Faults are plain values ([`Faults`]) that
//! whoever drives the plant may change between two ticks. f64 and SI throughout; pressures are gauge.
//!
//! Reading order: `conditions` is what is done to it; `bodies` (on `tree`) and `ground` are the mechanism, `mechanics` how often it is worked out, `linkage`
//! its way to the stroke; `oil`, `chambers`, `hydraulics` (the valve section), `spool`, `holding`, `resistance`,
//! `supply` and `engine` are one component each; `axis` and `model` put them together as `layout` orders their states,
//! `elimination` takes them apart again for `integrator`, which steps the whole; `energy` and `statics` ask questions of
//! it, `rig` is a test bench (`bench` its shortcut).
//!
//! Not modelled: heat (the oil has the temperature that it is given), flexible links, the carrier's own motion, waves in
//! long hoses, flow forces on spools.

#![allow(
    clippy::needless_range_loop,
    reason = "one index runs over several arrays and state blocks at once, as in the equations"
)]

pub mod axis;
pub mod bodies;
pub mod chambers;
pub mod conditions;
pub mod energy;
pub mod engine;
pub mod ground;
pub mod holding;
pub mod hydraulics;
pub mod integrator;
pub mod layout;
pub mod linkage;
pub mod mechanics;
pub mod model;
pub mod oil;
pub mod resistance;
pub mod rig;
pub mod spool;
pub mod statics;
pub mod supply;
pub mod tree;

mod bench;
mod elimination;
mod error;
mod method;

use std::sync::Arc;

use bellcrank_machine::description::{self, Actuator, Description, Feed, Holding, Oil, Valve};
use bellcrank_machine::geometry::Geometry;

pub use bodies::{Bodies, Payload, Pose};
pub use conditions::{Faults, Inputs, SpoolFault, hole};
pub use energy::{Account, Stored};
pub use error::{BuildError, PlantError};
pub use ground::Ground;
pub use integrator::{Accuracy, Kept, Work};
pub use layout::Layout;
pub use linkage::{Direct, Linkage, Table};
pub use mechanics::Mechanism;
pub use statics::Hold;
pub use supply::{Pump, Source};
pub use tree::{JOINTS_MAX, PerJoint};

use axis::Axis;
use chambers::Chambers;
use holding::HoldingValve;
use hydraulics::Section;
use integrator::{Stepper, System};
use model::Model;
use resistance::Resistance;
use spool::{Path, Spool};

/// Parts of one axis, as the machine file describes them.
#[derive(Clone)]
pub struct AxisParts<'a> {
    /// The cylinder or motor.
    pub actuator: &'a Actuator,
    /// The valve section.
    pub valve: &'a Valve,
    /// A load-holding valve.
    pub holding: Option<&'a Holding>,
    /// Which pump feeds it, from 0.
    pub pump: usize,
    /// Stroke over joint angle.
    pub linkage: Arc<dyn Linkage>,
}

impl AxisParts<'_> {
    /// Put together, for a greatest pressure, Pa.
    fn axis(&self, pressure: f64) -> Axis {
        Axis {
            section: Section::new(self.valve),
            path: Path::new(&self.valve.answer),
            spool: Spool::new(self.valve),
            holding: self.holding.map(HoldingValve::new),
            chambers: Chambers::new(self.actuator),
            resistance: Resistance::new(self.actuator, pressure),
            linkage: Arc::clone(&self.linkage),
            pump: self.pump,
            now: axis::Now::default(),
        }
    }
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
    /// Pressure at port A of the valve section, Pa: `pressure_a` where no load-holding valve is between.
    pub port_a: f64,
    /// The same at port B, Pa.
    pub port_b: f64,
    /// Spool, share of full travel.
    pub spool: f64,
    /// Spool rate, 1/s.
    pub spool_rate: f64,
}

/// A simulated machine.
#[derive(Clone)]
pub struct Plant {
    model: Model,
    oil: Oil,
    stepper: Stepper<Model>,
    states: Vec<f64>,
    time: f64,
    account: Option<Account>,
}

impl Plant {
    /// A plant above the ground, at rest with all joint angles zero, all pressures those of the tank, the dump valves open
    /// and the engine running; see [`Plant::stand`] for anything else.
    ///
    /// # Panics
    /// If there is not exactly one axis for each joint of the mechanism, or an axis is fed by a pump that is not there.
    pub fn new(mechanism: Mechanism, axes: &[AxisParts], source: Source, oil: &Oil, accuracy: Accuracy) -> Plant {
        let axis = |parts: &AxisParts| parts.axis(source.setting(parts.pump));
        let axes = axes.iter().map(axis).collect();
        let model = Model::new(mechanism, axes, source, oil, accuracy.rel);
        let states = vec![0.0; model.count()];
        let stepper = Stepper::new(&model, accuracy);
        let mut plant = Plant {
            model,
            oil: oil.clone(),
            stepper,
            states,
            time: 0.0,
            account: None,
        };
        plant.let_down();
        plant.model.place(&plant.states);
        plant
    }

    /// The machine of a machine file, on the ground; axis i of the plant is axis i of the file. At rest with all angles zero, see
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
                holding: axis.holding.as_ref(),
                pump: usize::from(axis.feed == Feed::Second),
                linkage: linkage(axis)?,
            });
        }
        let mechanism = Mechanism::Arms(Bodies::of_machine(machine)?);
        let supplies: Vec<_> = machine.supplies().collect();
        let source = match &machine.engine {
            Some(engine) => Source::driven(&supplies, engine),
            None => Source::pumps(&supplies),
        };
        let mut plant = Plant::new(mechanism, &axes, source, &machine.oil, accuracy);
        plant.model.mechanics.ground = Ground::under(machine);
        Ok(plant)
    }

    /// Puts the machine at rest at these joint angles, held by trapped oil: in each actuator one chamber at `preload`
    /// above tank, the other at what holds the arm. Supply empty, dump valves open, spools centred, engine at no load.
    pub fn stand(&mut self, angles: &[f64], preload: f64) {
        self.states.fill(0.0);
        for (axis, angle) in angles.iter().enumerate() {
            self.states[self.model.at.angle(axis)] = *angle;
        }
        self.let_down();
        self.model.place(&self.states);
        for (i, hold) in statics::holds(&self.model, preload).into_iter().enumerate() {
            let (a, b) = (self.model.at.a(i), self.model.at.b(i));
            (self.states[a], self.states[b]) = (hold.pressure_a, hold.pressure_b);
            if let Some(line) = self.model.at.line(i) {
                // Behind a closed load-holding valve the line stands at tank pressure; an open pipe has the chamber's.
                if let Some(holding) = &self.model.axes[i].holding {
                    let low = self.states[line];
                    for (side, chamber) in [hold.pressure_a, hold.pressure_b].into_iter().enumerate() {
                        if holding.opening(side, chamber, low) > 0.0 {
                            self.states[line + side] = chamber;
                        }
                    }
                }
            }
        }
        self.model.dump = ([1.0; supply::PUMPS_MAX], self.time);
        self.restart();
    }

    /// Fills the pressure lines, each to `pressure` but no higher than its pump goes, and closes the dump valves, as
    /// after some time with the engine running. Without a pump, nothing.
    pub fn charge(&mut self, pressure: f64) {
        for (k, pump) in self.model.source.all().iter().enumerate() {
            self.states[self.model.at.manifold(k)] = pressure.min(pump.supply().pressure);
        }
        self.model.dump = ([0.0; supply::PUMPS_MAX], self.time);
    }

    /// Gives the oil a temperature, °C. It is the machine file's working temperature to begin with.
    pub fn set_oil_temperature(&mut self, celsius: f64) {
        self.model.thicken(model::thickening(&self.oil, celsius));
    }

    /// Gives the oil this share of undissolved air, at atmospheric pressure; none makes it that of the machine file again. Pressures stay what
    /// they are: there is less oil in the chambers than before.
    pub fn set_air(&mut self, share: Option<f64>) {
        self.model.fill_with(&Oil {
            air: share.or(self.oil.air),
            ..self.oil.clone()
        });
    }

    /// Integrates over `span`, s, with the inputs held.
    ///
    /// # Errors
    /// [`PlantError`] names time and state where the equations could not be integrated.
    pub fn advance(&mut self, inputs: &Inputs, span: f64) -> Result<(), PlantError> {
        self.advance_looking(inputs, span, |_| {})
    }

    /// [`Plant::advance`], with a look at every step that the integrator keeps.
    ///
    /// # Errors
    /// As there.
    pub fn advance_looking(
        &mut self,
        inputs: &Inputs,
        span: f64,
        mut look: impl FnMut(&Kept),
    ) -> Result<(), PlantError> {
        self.model.take(self.time, inputs, &mut self.states);
        let (start, states, mut time) = (self.time, &mut self.states, self.time);
        if let Some(account) = &mut self.account {
            account.begin(&mut self.model, start, states);
        }
        let account = &mut self.account;
        let kept = |model: &mut Model, kept: &Kept| {
            time = kept.time;
            look(kept);
            if let Some(account) = account {
                account.keep(model, kept.time, kept.to, kept.step);
            }
        };
        let result = self.stepper.advance(&mut self.model, start, span, states, kept);
        self.time = if result.is_ok() { start + span } else { time };
        self.model.place(&self.states);
        result.map_err(|error| PlantError::new(&error, |state| self.model.at.name(state)))
    }

    /// Rates of all states as they are, with the inputs of the last advance.
    pub fn rates(&mut self) -> Vec<f64> {
        let mut rates = vec![0.0; self.states.len()];
        self.model.rates(self.time, &self.states, &mut rates);
        rates
    }

    /// The equations under these inputs, for an integrator other than the plant's own. It starts from [`Plant::states`]
    /// and moves states of its own.
    pub fn equations(&mut self, inputs: &Inputs) -> &mut impl System {
        self.model.take(self.time, inputs, &mut self.states);
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
        self.model.mechanics.forget();
        match &mut self.model.mechanics.mechanism {
            Mechanism::Arms(bodies) => Some(bodies),
            Mechanism::Mass(_) => None,
        }
    }

    /// Where the arms are.
    pub fn pose(&self) -> &Pose {
        self.model.mechanics.pose()
    }

    /// What an axis is doing.
    pub fn axis(&self, axis: usize) -> AxisView {
        let (at, states) = (self.model.at, &self.states);
        let (stroke, ratio) = self.model.stroke_and_ratio(axis);
        let ports = self.model.place_of(axis, states).ports;
        AxisView {
            angle: states[at.angle(axis)],
            rate: states[at.rate(axis)],
            stroke,
            stroke_rate: ratio * states[at.rate(axis)],
            pressure_a: states[at.a(axis)],
            pressure_b: states[at.b(axis)],
            port_a: ports.a,
            port_b: ports.b,
            spool: states[at.spool(axis)],
            spool_rate: states[at.spool_rate(axis)],
        }
    }

    /// Number of axes.
    pub fn axes(&self) -> usize {
        self.model.axes.len()
    }

    /// Pressure in the first pump's pressure line, Pa.
    pub fn supply_pressure(&self) -> f64 {
        self.model.manifold(0, &self.states)
    }

    /// Pressure in the second pump's pressure line, Pa, if there is one.
    pub fn second_supply_pressure(&self) -> Option<f64> {
        (self.model.source.all().len() > 1).then(|| self.model.manifold(1, &self.states))
    }

    /// Flow of all pumps, m³/s. Zero where the supply is ideal.
    pub fn pump_flow(&self) -> f64 {
        let pumps = self.model.source.all().iter().enumerate();
        pumps
            .map(|(k, pump)| pump.delivered(&self.model.running(k, &self.states)))
            .sum()
    }

    /// Speed of the engine, relative to its rated one; without an engine, 1.
    pub fn engine_speed(&self) -> f64 {
        self.model.at.engine().map_or(1.0, |at| self.states[at])
    }

    /// Opening of the first pump's dump valve, 0 to 1.
    pub fn dump_opening(&self) -> f64 {
        self.model.dump_opening(0, self.time)
    }

    /// What each actuator must hold in this pose, at rest, its less loaded chamber at tank pressure.
    pub fn holds(&self) -> Vec<Hold> {
        statics::holds(&self.model, 0.0)
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
        self.restart();
        self.model.place(&self.states);
    }

    /// Tells the integrator that the inputs are about to jump far.
    pub fn expect_jump(&mut self) {
        self.stepper.restart();
    }

    fn restart(&mut self) {
        self.model.mechanics.forget();
        self.stepper.restart();
    }

    /// All pressures to those of the tank, the engine to its speed without load.
    fn let_down(&mut self) {
        let at = self.model.at;
        for i in 0..self.model.axes.len() {
            let tank = self.model.source.tank(self.model.axes[i].pump);
            (self.states[at.a(i)], self.states[at.b(i)]) = (tank, tank);
            if let Some(line) = at.line(i) {
                (self.states[line], self.states[line + 1]) = (tank, tank);
            }
        }
        for (k, pump) in self.model.source.all().iter().enumerate() {
            self.states[at.manifold(k)] = pump.supply().tank;
        }
        if let (Some(state), Some(engine)) = (at.engine(), self.model.source.engine()) {
            self.states[state] = engine.idle();
        }
    }
}
