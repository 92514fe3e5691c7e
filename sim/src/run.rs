//! One rehearsal: scenario and seed to trace. A pure function: the same scenario and seed give the same trace to the bit.

use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::{ARMS_MAX, AxisId, PerAxis};
use bellcrank_core::outputs::Status;
use bellcrank_core::supervise::{RECORD_LEN, State};
use bellcrank_core::{Controller, Outputs};
use nalgebra::Vector3;
use xxhash_rust::xxh3::Xxh3;

use crate::clearance;
use crate::plant::{Accuracy, Plant, PlantError};
use crate::scenario::{FaultKind, Scenario};
use crate::surroundings::Surroundings;
use crate::trace::{ArmSample, AxisSample, Noticed, Sample, Trace};
use crate::wiring::Wiring;

/// Time between samples of a trace, s.
pub const SAMPLE_S: f64 = 0.01;

/// How soon a tick follows that comes too early, s.
const AGAIN_S: f64 = 0.0003;

/// Pressure in the less loaded chamber of each cylinder at the start, Pa: what a stopped arm keeps trapped.
pub(crate) const PRELOAD_PA: f64 = 5e5;

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
    let description = &*scenario.machine;
    let bad = |reason: String| RunError::Machine {
        machine: description.name.clone(),
        reason,
    };
    let machine = bellcrank_machine::build(description).map_err(|error| bad(error.to_string()))?;
    let mut plant = Plant::of_machine(description, Accuracy::default()).map_err(|error| bad(error.to_string()))?;
    let mut surroundings = Surroundings::new(scenario, &mut plant);
    plant.stand(&scenario.start, PRELOAD_PA);

    let mut controller = Controller::new(&machine);
    let mut outputs = no_current();
    let mut starting = false;
    let mut wiring = Wiring::new(scenario, seed);
    let mut recorder = Recorder::new(scenario);
    let ticks = whole(scenario.length / description.timing.tick);
    let sample_every = whole(every / description.timing.tick).max(1);
    for tick in 0..=ticks {
        let t = tick as f64 * description.timing.tick;
        let inputs = wiring.read(t, &plant);
        let on = |fault: FaultKind| scenario.active(t).any(|kind| kind == fault);
        let flipped = scenario.active(t).find_map(|kind| match kind {
            FaultKind::RecordFlipped { bit } => Some(bit),
            _ => None,
        });
        let down = on(FaultKind::Restart) || flipped.is_some() || wiring.starves(t);
        if down {
            if !starting {
                controller = Controller::restarted(&machine, kept(controller.record(), flipped));
                recorder.seen = 0;
            }
            outputs = no_current();
        } else if !on(FaultKind::LoopHangs) {
            outputs = controller.tick(&inputs);
            if on(FaultKind::TickEarly) {
                wiring.hasten(t, &outputs);
                let t = t + AGAIN_S;
                outputs = controller.tick(&wiring.read(t, &plant));
                wiring.hasten(t, &outputs);
            }
        }
        starting = down;
        recorder.digest(&outputs, &plant);
        recorder.events(&controller);
        recorder.clearances(&plant);
        if tick % sample_every == 0 {
            recorder.sample(t, &controller, &outputs, &plant);
        }
        recorder.lead(&controller, &plant);
        surroundings.at(t, &mut plant);
        let driven = wiring.write(t, &outputs, &mut plant);
        plant
            .advance(&driven, description.timing.tick)
            .map_err(|source| RunError::Plant {
                scenario: scenario.name.clone(),
                source,
            })?;
    }
    Ok(recorder.finish(sample_every as f64 * description.timing.tick))
}

/// What the board finds of the record that it kept, one bit of it turned over.
fn kept(mut record: [u8; RECORD_LEN], flipped: Option<usize>) -> [u8; RECORD_LEN] {
    if let Some(bit) = flipped {
        record[bit / 8 % RECORD_LEN] ^= 1 << (bit % 8);
    }
    record
}

/// What a controller puts out that does not run.
fn no_current() -> Outputs {
    Outputs {
        valves: PerAxis::default(),
        relays: Relays::default(),
        alive: false,
        status: Status {
            state: State::SelfTest,
            cause: None,
            axis: None,
            before: None,
        },
    }
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
    /// Per arm: least clearance since the last sample.
    least: Vec<Option<f64>>,
    digest: Xxh3,
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
            least: vec![None; scenario.machine.arms.len()],
            digest: Xxh3::new(),
        }
    }

    fn digest(&mut self, outputs: &Outputs, plant: &Plant) {
        for (_, told) in outputs.valves.iter() {
            self.digest.update(&told.number().to_bits().to_le_bytes());
        }
        let flags = [
            outputs.relays.valve_power,
            outputs.relays.dump_closed,
            outputs.relays.engine_run,
            outputs.alive,
        ];
        self.digest.update(&flags.map(u8::from));
        for state in plant.states() {
            self.digest.update(&state.to_bits().to_le_bytes());
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

    /// Every tick, not only when a sample is taken: the nearest moment must not fall between two of them.
    fn clearances(&mut self, plant: &Plant) {
        let machine = &self.scenario.machine;
        for (arm, least) in machine.arms.iter().zip(&mut self.least) {
            *least = clearance::least_of_arm(machine, &machine.zones, arm, plant.pose(), *least);
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
        self.least.fill(None);
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
            clearance: self.least[arm],
        }
    }

    fn finish(self, interval: f64) -> Trace {
        Trace {
            samples: self.samples,
            interval,
            events: self.events,
            digest: self.digest.digest(),
        }
    }
}

/// A count of ticks; a rehearsal's length is bounded where it is read.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn whole(number: f64) -> u64 {
    number.round().max(0.0) as u64
}
