//! The adversary: hands that try to get an arm into a zone, or two arms into each other.
//!
//! Core, wiring and plant as in a rehearsal, from a random pose that keeps every margin, with a random load. The hands look where the core
//! believes the arms to be, many times a second, and push their levers where that is worst; how near the arms really came is measured on the plant,
//! every tick, by [`clearance`]. A run is a function of machine and seed. Where the core has stopped the machine, the hands reset it and go on.

mod hands;

use std::path::Path;
use std::sync::Arc;

use bellcrank_core::supervise::State;
use bellcrank_machine::description::{Arm, Axis, Description, Guard};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::clearance;
use crate::live::{self, Live};
use crate::plant::{Bodies, Pose};
use crate::run::RunError;
use crate::scenario::{self, Load, Scenario};

pub use hands::Hands;

/// The built-in machines that it tries. The servo digger has the arm and the zones of the yard digger, and valves that keep closer to what
/// they are asked.
pub const MACHINES: [&str; 2] = ["yard-digger", "drystone-setter"];
/// Length of a run, s.
pub const RUN_S: f64 = 10.0;
/// Poses tried for one that keeps every margin.
const TRIES: u32 = 10_000;

/// How the hands go about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Strategy {
    /// Any levers, for any time.
    Random,
    /// Each lever at full where it brings the arm nearer to the person's seat.
    AtTheSeat,
    /// The tips straight at the seat at full speed.
    TipsAtTheSeat,
    /// Each lever at full towards whatever is nearest.
    AtTheNearest,
    /// There and back at full, turned round when it is least expected.
    Reversals,
    /// Both arms at each other.
    ArmsAtEachOther,
    /// One joint at full towards the nearest, the others anyhow.
    Oblique,
    /// Now this, now that, in joint mode and in tip mode.
    Switching,
}

impl Strategy {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Random,
        Self::AtTheSeat,
        Self::TipsAtTheSeat,
        Self::AtTheNearest,
        Self::Reversals,
        Self::ArmsAtEachOther,
        Self::Oblique,
        Self::Switching,
    ];

    /// That of a run.
    pub fn of_seed(seed: u64) -> Self {
        let number = usize::try_from(seed % Self::ALL.len() as u64).unwrap_or(0);
        Self::ALL[number]
    }

    /// In a few words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Random => "random levers",
            Self::AtTheSeat => "at the seat",
            Self::TipsAtTheSeat => "tips at the seat",
            Self::AtTheNearest => "at the nearest",
            Self::Reversals => "sudden reversals",
            Self::ArmsAtEachOther => "arms at each other",
            Self::Oblique => "obliquely",
            Self::Switching => "switching",
        }
    }
}

/// What came of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Its seed.
    pub seed: u64,
    /// Least distance of any part from the seat, the first zone of a machine file, m; below 0 inside.
    pub to_seat: f64,
    /// Least distance of any part from any zone, m; below 0 inside.
    pub to_zone: f64,
    /// Least distance between the arms, m. None where there is one.
    pub between_arms: Option<f64>,
    /// Share of the time for which the hands could drive, 0 to 1.
    pub driven: f64,
}

impl Outcome {
    /// The least of all distances, m.
    pub fn least(&self) -> f64 {
        self.between_arms.map_or(self.to_zone, |arms| arms.min(self.to_zone))
    }

    /// A part was in a zone, or in another arm.
    pub fn entered(&self) -> bool {
        self.least() < 0.0
    }
}

/// The machine without anything to keep from: what the core then believes.
pub fn without_zones(description: &Description) -> Description {
    Description {
        zones: Vec::new(),
        guard: Guard::default(),
        ..description.clone()
    }
}

/// One run. `believed` is the machine that the core knows, `real` the one that it moves.
///
/// # Errors
/// As for a rehearsal.
///
/// # Panics
/// If no random pose of the machine keeps its margins.
pub fn run(believed: &Description, real: &Arc<Description>, seed: u64) -> Result<Outcome, RunError> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (machine, sighted) = (live::built(believed)?, live::built(real)?);
    let scenario = scenario(real, seed, &mut rng);
    let mut live = Live::new(&scenario, &machine, seed)?;
    let mut hands = Hands::new(Strategy::of_seed(seed), &sighted, rng);
    let mut outcome = Outcome {
        seed,
        to_seat: f64::INFINITY,
        to_zone: f64::INFINITY,
        between_arms: None,
        driven: 0.0,
    };
    let (mut ticks, mut driven) = (0_u32, 0_u32);
    while live.time() < RUN_S {
        let state = live.outputs.status.state;
        live.think(|t, controller, inputs| hands.push(t, controller, state, inputs));
        ticks += 1;
        driven += u32::from(live.outputs.status.state == State::Enabled);
        for arm in &real.arms {
            let least = |zones, so_far| clearance::least_of_arm(real, zones, arm, live.plant.pose(), Some(so_far));
            outcome.to_zone = least(&real.zones, outcome.to_zone).unwrap_or(outcome.to_zone);
            outcome.to_seat = least(&real.zones[..real.zones.len().min(1)], outcome.to_seat).unwrap_or(outcome.to_seat);
        }
        outcome.between_arms = clearance::least_between_arms(real, live.plant.pose(), outcome.between_arms);
        live.go()?;
    }
    outcome.driven = f64::from(driven) / f64::from(ticks);
    Ok(outcome)
}

fn scenario(machine: &Arc<Description>, seed: u64, rng: &mut ChaCha8Rng) -> Scenario {
    let (start, payloads) = anywhere(machine, rng);
    let text = format!(
        "name = \"adversary, seed {seed}\"\nabout = \"hostile hands\"\nmachine = {:?}\nlength_s = {RUN_S}\nstation = \"seat\"\nmode = \"joint\"\n",
        machine.name
    );
    Scenario {
        machine: Arc::clone(machine),
        start,
        payloads,
        ..scenario::parse("adversary", &text, Path::new("")).expect("a scenario")
    }
}

/// A random pose that keeps every margin, with a random load on each arm.
pub(crate) fn anywhere(machine: &Description, rng: &mut ChaCha8Rng) -> (Vec<f64>, Vec<Load>) {
    let start = free_pose(machine, rng);
    let load = |(arm, described): (usize, &Arm)| Load {
        arm,
        mass: rng.random_range(0.0..1.0) * described.payload,
        from: 0.0,
        until: None,
    };
    (start, machine.arms.iter().enumerate().map(load).collect())
}

/// Joint angles of a random pose that keeps every margin, rad.
pub(crate) fn free_pose(machine: &Description, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let bodies = Bodies::of_machine(machine).expect("a machine that was built");
    let mut pose = Pose::default();
    (0..TRIES)
        .map(|_| {
            let within = |axis: &Axis| {
                let (low, high) = axis.joint.range;
                rng.random_range(low..high)
            };
            machine.axes.iter().map(within).collect::<Vec<f64>>()
        })
        .find(|angles| {
            bodies.place(angles, &mut pose);
            keeps_margins(machine, &pose)
        })
        .expect("a pose that keeps every margin")
}

pub(crate) fn keeps_margins(machine: &Description, pose: &Pose) -> bool {
    let clear = machine.arms.iter().all(|arm| {
        let above = arm
            .axes
            .iter()
            .chain(&arm.grip)
            .all(|&axis| pose.point(axis, &machine.axes[axis].joint.link).z > 0.1);
        above && clearance::of_arm(machine, arm, pose).all(|clear| clear.distance > machine.zones[clear.zone].margin)
    });
    clear && clearance::least_between_arms(machine, pose, None).is_none_or(|gap| gap > machine.guard.arms_margin)
}
