//! One rehearsal: scenario and seed to trace. A pure function: the same scenario and seed give the same trace to the bit.

use bellcrank_core::machine::{ARMS_MAX, AxisId};
use bellcrank_core::{Controller, Outputs};
use nalgebra::Vector3;
use xxhash_rust::xxh3::Xxh3;

use crate::adversary::Hands;
use crate::clearance::Least;
use crate::live::{self, Live};
use crate::plant::{Plant, PlantError};
use crate::scenario::Scenario;
use crate::trace::{ArmSample, AxisSample, Extremes, Noticed, Sample, Trace};

/// Time between samples of a trace, s.
pub const SAMPLE_S: f64 = 0.01;

/// Why a rehearsal could not be run to its end.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
pub enum RunError {
    /// The machine cannot be simulated or controlled as described.
    #[error("{machine}: {reason}")]
    Machine {
        /// The machine's name.
        machine: String,
        /// What is wrong with it.
        reason: String,
    },
    /// The plant could not be integrated: the run is worth nothing.
    #[error("{scenario}: the simulation failed and its result is void: {source}")]
    Plant {
        /// The scenario's name.
        scenario: String,
        /// When and where.
        source: PlantError,
    },
}

/// Rehearses a scenario.
///
/// # Errors
/// When the machine cannot be simulated, or the plant cannot be integrated as accurately as asked.
pub fn rehearse(scenario: &Scenario, seed: u64) -> Result<Trace, RunError> {
    rehearse_sampled(scenario, seed, SAMPLE_S)
}

/// The same with a sample every so often, s; at most one a tick.
///
/// # Errors
/// As for [`rehearse`].
pub fn rehearse_sampled(scenario: &Scenario, seed: u64, every: f64) -> Result<Trace, RunError> {
    let machine = live::built(&scenario.machine)?;
    let mut live = Live::new(scenario, &machine, seed)?;
    let mut hostile = scenario.hostile.map(|how| Hands::unresetting(how, &machine, seed));
    let mut recorder = Recorder::new(scenario);
    let tick = scenario.machine.timing.tick;
    let sample_every = whole(every / tick).max(1);
    for number in 0..=whole(scenario.length / tick) {
        let t = live.time();
        if let Some(hands) = &mut hostile {
            hands.decide(t, &live.controller, live.outputs.status.state);
            live.wiring.hold(hands.frame(), false);
        }
        if live.think(|_, _, _| {}) {
            recorder.seen = 0;
        }
        recorder.digest.take(&live.outputs, &live.plant);
        recorder.events(&live.controller);
        recorder.extremes(&live.plant);
        if number % sample_every == 0 {
            recorder.sample(t, &live.controller, &live.outputs, &live.plant);
        }
        recorder.lead(&live.controller, &live.plant);
        live.go()?;
    }
    Ok(recorder.finish(sample_every as f64 * tick))
}

/// Writes down what happens.
struct Recorder<'s> {
    scenario: &'s Scenario,
    samples: Vec<Sample>,
    events: Vec<Noticed>,
    seen: u32,
    last_tips: Vec<(f64, Vector3<f64>)>,
    /// Per arm: where its tip should be by now.
    ideal: [Option<Vector3<f64>>; ARMS_MAX],
    /// The least clearances; those of the arms since the last sample.
    least: Least,
    /// Per axis: greatest pressure, Pa.
    pressure: Vec<f64>,
    digest: Digest,
}

/// The digest of a run as it goes: of every output of the core, and of the plant's state, tick by tick.
#[derive(Default)]
pub struct Digest(Xxh3);

impl Digest {
    /// Takes in a tick, between the core's thinking and the plant's going on.
    pub fn take(&mut self, outputs: &Outputs, plant: &Plant) {
        for (_, told) in outputs.valves.iter() {
            self.0.update(&told.number().to_bits().to_le_bytes());
        }
        let flags = [
            outputs.relays.valve_power,
            outputs.relays.dump_closed,
            outputs.relays.engine_run,
            outputs.alive,
        ];
        self.0.update(&flags.map(u8::from));
        for state in plant.states() {
            self.0.update(&state.to_bits().to_le_bytes());
        }
    }

    /// Of all so far.
    pub fn value(&self) -> u64 {
        self.0.digest()
    }
}

impl<'s> Recorder<'s> {
    fn new(scenario: &'s Scenario) -> Self {
        Self {
            scenario,
            samples: Vec::new(),
            events: Vec::new(),
            seen: 0,
            last_tips: Vec::new(),
            ideal: [None; ARMS_MAX],
            least: Least::of(&scenario.machine),
            pressure: vec![0.0; scenario.machine.axes.len()],
            digest: Digest::default(),
        }
    }

    fn events(&mut self, controller: &Controller) {
        let log = controller.log();
        for event in log.since(self.seen) {
            self.events.push(Noticed {
                t: event.at.as_ticks() as f64 * 1e-6,
                what: event.what,
                axis: event.axis.map(AxisId::index),
            });
        }
        self.seen = log.count();
    }

    /// Every tick, not only when a sample is taken: the nearest moment and the greatest pressure must not fall between two of them.
    fn extremes(&mut self, plant: &Plant) {
        self.least.look(&self.scenario.machine, plant.pose());
        for (axis, most) in self.pressure.iter_mut().enumerate() {
            let view = plant.axis(axis);
            *most = most.max(view.pressure_a).max(view.pressure_b);
        }
    }

    /// Takes each ideal tip from this tick to the next, at the velocity that the levers ask for.
    fn lead(&mut self, controller: &Controller, plant: &Plant) {
        let machine = &*self.scenario.machine;
        let velocities = controller.last_tick().tip_velocities;
        for ((arm, ideal), velocity) in machine.arms.iter().zip(&mut self.ideal).zip(velocities) {
            *ideal = velocity.map(|velocity| {
                let from = ideal.unwrap_or_else(|| plant.pose().tip(machine, arm));
                from + machine.timing.tick * Vector3::from(velocity.map(f64::from))
            });
        }
    }

    fn sample(&mut self, t: f64, controller: &Controller, outputs: &Outputs, plant: &Plant) {
        let machine = &*self.scenario.machine;
        let driven = controller.last_tick().driven;
        let axes = (0..machine.axes.len())
            .filter_map(AxisId::new)
            .map(|id| {
                let (view, driven) = (plant.axis(id.index()), driven.axes.get(id));
                AxisSample {
                    angle: view.angle,
                    stroke: view.stroke,
                    rate: view.stroke_rate,
                    asked: driven.asked.into(),
                    lag: driven.lag.into(),
                    opening: driven.opening.into(),
                    signal: outputs.valves.get(id).number().into(),
                    spool: view.spool,
                    pressure_a: view.pressure_a,
                    pressure_b: view.pressure_b,
                }
            })
            .collect();
        let arms: Vec<ArmSample> = (0..machine.arms.len())
            .map(|arm| self.arm_sample(t, arm, plant))
            .collect();
        self.least.arms.fill(None);
        self.last_tips = arms.iter().map(|arm| (t, arm.tip())).collect();
        self.samples.push(Sample {
            t,
            state: outputs.status.state,
            axes,
            arms,
            supply: plant.supply_pressure(),
        });
    }

    fn arm_sample(&self, t: f64, arm: usize, plant: &Plant) -> ArmSample {
        let machine = &*self.scenario.machine;
        let pose = plant.pose();
        let tip = pose.tip(machine, &machine.arms[arm]);
        let joints = machine.arms[arm].axes.iter().map(|&axis| pose.origin(axis));
        let points = joints.chain([tip]).collect();
        let tip_speed = self
            .last_tips
            .get(arm)
            .map_or(0.0, |(before, from)| (tip - from).norm() / (t - before));
        ArmSample {
            points,
            ideal: self.ideal[arm],
            tip_speed,
            clearance: self.least.arms[arm],
        }
    }

    fn finish(self, interval: f64) -> Trace {
        Trace {
            samples: self.samples,
            interval,
            events: self.events,
            extremes: Extremes {
                zones: self.least.zones,
                between_arms: self.least.between_arms,
                pressure: self.pressure,
            },
            digest: self.digest.value(),
        }
    }
}

/// A count of ticks; a rehearsal's length is bounded where it is read.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn whole(number: f64) -> u64 {
    number.round().max(0.0) as u64
}
