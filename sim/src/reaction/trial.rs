//! A trial: a machine at random work, and a fault in it.
//!
//! Random are the pose (one that keeps every margin), what hangs on each arm, the oil's temperature, the station, whether single axes are driven
//! or the tips are led, how far and which way the levers are out, the axis at fault, the moment of the fault and how bad it is. The hands keep the
//! levers out to the end: nobody helps.

use std::path::Path;
use std::sync::Arc;

use bellcrank_core::inputs::{Mode, Station};
use bellcrank_machine::description::{self, Description, Timing, Watch};
use nalgebra::Vector3;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, UnitSphere};

use super::case::{Case, Work};
use crate::adversary::free_pose;
use crate::scenario::{self, Act, Fault, Hand, Load, Scenario};
use crate::trace::{Sample, Trace};

/// When the enabling switch is pressed and the levers are moved, s.
const ENABLE_S: f64 = 0.3;
const LEVERS_S: f64 = 0.5;
/// When the fault comes, s: the machine is under way by then, and an axis that is not asked to move has settled.
const FAULT_S: (f64, f64) = (1.2, 1.8);
/// How long a trial goes on after all must be at rest, s: what starts again would be seen.
const AFTER_S: f64 = 1.0;
/// Oil from a cold morning to a hot day, °C.
const OIL_C: (f64, f64) = (5.0, 80.0);
/// A tip at this speed is really moving, m/s.
const TIP_MOVES_M_S: f64 = 0.1;
/// An axis at this share of what it is asked for, and at so many times the rate that counts as still, is really moving.
const AXIS_MOVES: (f64, f64) = (0.5, 2.0);

/// A fault in a machine at work.
#[derive(Debug, Clone, PartialEq)]
pub struct Trial {
    /// What is rehearsed.
    pub scenario: Scenario,
    /// The axis at fault, where the case is about one.
    pub axis: usize,
    /// When the fault comes, s.
    pub fault_at: f64,
}

impl Trial {
    /// Draws one.
    pub fn draw(case: &Case, machine: &Arc<Description>, rng: &mut ChaCha8Rng) -> Self {
        let fit: Vec<usize> = (0..machine.axes.len())
            .filter(|&axis| case.applies(&machine.axes[axis]))
            .collect();
        let axis = fit[rng.random_range(0..fit.len())];
        let fault_at = rng.random_range(FAULT_S.0..FAULT_S.1);
        let mut trial = Self {
            scenario: work(case, machine, axis, rng),
            axis,
            fault_at,
        };
        let fault = |(kind, lasts)| Fault {
            at: fault_at,
            lasts,
            kind,
        };
        trial.scenario.faults = (case.make)(&trial, rng).into_iter().map(fault).collect();
        let rest = machine.timing.stop_budget + trial.settle();
        trial.scenario.length = fault_at + case.hidden_at_most + (case.within)(&trial) + rest + AFTER_S;
        trial
    }

    /// The machine does what the case needs at the moment of the fault.
    pub fn at_work(&self, case: &Case, trace: &Trace) -> bool {
        let Some(now) = self.at_fault(trace) else { return false };
        let tip_moves = now.arms.iter().any(|arm| arm.tip_speed > TIP_MOVES_M_S);
        let (axis, still) = (now.axes[self.axis], self.watch().still_rate);
        match case.work {
            Work::Any => tip_moves,
            Work::Driven => {
                let along = axis.rate * axis.asked.signum();
                tip_moves && along > AXIS_MOVES.0 * axis.asked.abs() && along > AXIS_MOVES.1 * still
            }
            Work::Resting => {
                let idle = |sample: &&Sample| sample.axes[self.axis].asked == 0.0;
                let before = trace
                    .samples
                    .iter()
                    .filter(|sample| sample.t < self.fault_at && sample.t > LEVERS_S);
                tip_moves && before.clone().all(|sample| idle(&sample)) && axis.rate.abs() < still
            }
        }
    }

    /// The last sample before the fault.
    pub fn at_fault<'t>(&self, trace: &'t Trace) -> Option<&'t Sample> {
        trace.samples.iter().rfind(|sample| sample.t < self.fault_at)
    }

    /// What is put in, the first of it.
    pub fn fault(&self) -> &Fault {
        &self.scenario.faults[0]
    }

    /// The axis at fault, as described.
    pub fn described(&self) -> &description::Axis {
        &self.scenario.machine.axes[self.axis]
    }

    /// When it is called faulty.
    pub fn watch(&self) -> &Watch {
        &self.described().watch
    }

    /// The times of the machine.
    pub fn timing(&self) -> &Timing {
        &self.scenario.machine.timing
    }

    /// The station in charge.
    pub fn station(&self) -> &description::Station {
        let stations = &self.scenario.machine.stations;
        match (self.scenario.station, &stations.remote) {
            (Station::Remote, Some(remote)) => remote,
            _ => &stations.seat,
        }
    }

    /// How far a tip may sway about where it ends, m: half of the least distance that the guard keeps from anything.
    pub fn sway(&self) -> f64 {
        let machine = &self.scenario.machine;
        let arms = (machine.arms.len() > 1).then_some(machine.guard.arms_margin);
        let margins = machine.zones.iter().map(|zone| zone.margin).chain(arms);
        0.5 * margins.fold(f64::INFINITY, f64::min)
    }

    /// For how long any axis may still move after its command has gone to neutral, s.
    pub fn settle(&self) -> f64 {
        let settles = self.scenario.machine.axes.iter().map(|axis| axis.watch.settle);
        settles.fold(0.0, f64::max)
    }
}

/// The machine at work, nothing wrong yet.
fn work(case: &Case, machine: &Arc<Description>, axis: usize, rng: &mut ChaCha8Rng) -> Scenario {
    let start = free_pose(machine, rng);
    let remote = machine.stations.remote.is_some() && rng.random_bool(0.5);
    let led = case.work != Work::Resting && rng.random_bool(0.5);
    let (station, mode) = if remote {
        ("remote", Station::Remote)
    } else {
        ("seat", Station::Seat)
    };
    let text = format!(
        "name = \"reaction\"\nabout = \"a fault at work\"\nmachine = {:?}\nlength_s = 1\nstation = \"{station}\"\nmode = \"joint\"\n",
        machine.name
    );
    let read = scenario::parse("reaction", &text, Path::new("")).expect("a scenario");
    let loads = machine.arms.iter().enumerate().map(|(arm, described)| Load {
        arm,
        mass: rng.random_range(0.0..1.0) * described.payload,
        from: 0.0,
        until: None,
    });
    let payloads = loads.collect();
    let mut scenario = Scenario {
        machine: Arc::clone(machine),
        start,
        payloads,
        oil: Some(rng.random_range(OIL_C.0..OIL_C.1)),
        station: mode,
        mode: if led { Mode::Tip } else { Mode::Joint },
        ..read
    };
    let hand = |at, act| Hand { at, act };
    scenario.hands.push(hand(ENABLE_S, Act::Enable(true)));
    let cap = if remote {
        machine
            .stations
            .remote
            .as_ref()
            .map_or(1.0, |station| station.speed_cap)
    } else {
        1.0
    };
    for arm in (0..machine.arms.len()).filter(|_| led) {
        scenario.hands.push(hand(LEVERS_S, lead(machine, arm, cap, rng)));
    }
    for number in 0..machine.axes.len() {
        let grip = machine.arms.iter().any(|arm| arm.grip == Some(number));
        if led && !grip {
            continue;
        }
        let share = match (number == axis, case.work) {
            (true, Work::Resting) => 0.0,
            (true, Work::Driven) => rng.random_range(0.4..1.0) * if rng.random_bool(0.5) { 1.0 } else { -1.0 },
            _ if rng.random_bool(0.5) => rng.random_range(-1.0..1.0),
            _ => 0.0,
        };
        scenario.hands.push(hand(LEVERS_S, Act::Lever { axis: number, share }));
    }
    scenario
}

/// A tip that is led some way, and turned.
fn lead(machine: &Description, arm: usize, cap: f64, rng: &mut ChaCha8Rng) -> Act {
    let described = &machine.arms[arm];
    let way: [f64; 3] = UnitSphere.sample(rng);
    let speed = rng.random_range(0.3..1.0) * cap * described.tip_speed;
    let mut turn = || rng.random_range(-0.5..0.5) * cap * described.pitch_rate;
    Act::Tip {
        arm,
        velocity: (speed * Vector3::from(way)).into(),
        turning: [turn(), turn(), turn()],
    }
}
