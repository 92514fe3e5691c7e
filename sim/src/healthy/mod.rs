//! Healthy work: hours of it, by sane hands, on a machine with nothing wrong. Nothing may trip.
//!
//! Core, wiring and plant as in a rehearsal. The work is cut into pieces of [`PIECE_S`], each from a random pose, each a function of its seed
//! alone, so that what trips is quickly repeated. The seed also says under what [`Conditions`] a piece is done, so that a row of seeds goes
//! through all of them in turn. A piece ends where a cause is latched.

mod hands;

use std::path::Path;
use std::sync::Arc;

use bellcrank_core::cause::Cause;
use bellcrank_core::machine::AxisId;
use bellcrank_core::supervise::State;
use bellcrank_machine::description::Description;
use bellcrank_machine::find;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::adversary::free_pose;
use crate::live::{self, Live};
use crate::plant::Plant;
use crate::run::RunError;
use crate::scenario::{self, Load, Scenario};
use hands::Hands;

/// Length of a piece, s.
pub const PIECE_S: f64 = 120.0;
/// The built-in machines that are worked with.
const MACHINES: [&str; 2] = ["yard-digger", "drystone-setter"];
/// Oil on a cold morning and after a long day, °C.
const OIL_C: [f64; 2] = [5.0, 80.0];
/// How far the ground slopes at most, either way, degrees.
const SLOPE_DEG: f64 = 10.0;
/// Share of the pieces that are done from the wireless station.
const REMOTE: f64 = 0.25;

/// What a piece is done under.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// The machine.
    pub machine: &'static str,
    /// Temperature of its oil, °C.
    pub oil: f64,
    /// Its arms pick up and drop up to their rated load.
    pub loaded: bool,
    /// The ground slopes.
    pub slope: bool,
}

impl Conditions {
    /// How many there are.
    pub const COUNT: u64 = 16;

    /// Those of a seed.
    pub fn of_seed(seed: u64) -> Self {
        let bit = |number: u64| usize::from(seed >> number & 1 == 1);
        Self {
            machine: MACHINES[bit(0)],
            oil: OIL_C[bit(1)],
            loaded: bit(2) == 1,
            slope: bit(3) == 1,
        }
    }
}

/// A cause that was latched.
#[derive(Debug, Clone, PartialEq)]
pub struct Trip {
    /// Which.
    pub cause: Cause,
    /// The axis that it names.
    pub axis: Option<String>,
    /// When in its piece, s.
    pub at: f64,
}

/// What came of a piece.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Its seed.
    pub seed: u64,
    /// How long it lasted, s.
    pub seconds: f64,
    /// For how long the hands could drive, s.
    pub enabled: f64,
    /// For how long anything moved, by what its axis calls motion, s.
    pub moving: f64,
    /// How far the tips went, m.
    pub metres: f64,
    /// What ended it before its time.
    pub trip: Option<Trip>,
}

/// One piece of work.
///
/// # Errors
/// As for a rehearsal.
///
/// # Panics
/// If a built-in machine is not there, or has no pose that keeps its margins.
pub fn run(seed: u64) -> Result<Outcome, RunError> {
    let conditions = Conditions::of_seed(seed);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let description = Arc::new(find(conditions.machine, Path::new("")).expect("it is built in"));
    let scenario = scenario(&description, seed, conditions, &mut rng);
    let machine = live::built(&description)?;
    let mut live = Live::new(&scenario, &machine, seed)?;
    let mut hands = Hands::new(&machine, &scenario, rng);
    let mut outcome = Outcome {
        seed,
        seconds: 0.0,
        enabled: 0.0,
        moving: 0.0,
        metres: 0.0,
        trip: None,
    };
    let tick = description.timing.tick;
    let tips = |plant: &Plant| {
        description
            .arms
            .iter()
            .map(|arm| plant.pose().tip(&description, arm))
            .collect::<Vec<_>>()
    };
    let mut before = tips(&live.plant);
    while outcome.seconds < PIECE_S && outcome.trip.is_none() {
        let t = outcome.seconds;
        live.think(|t, controller, inputs| hands.hold(t, controller, &before, inputs));
        let outputs = live.outputs;
        hands.state = outputs.status.state;
        outcome.trip = outputs.status.cause.map(|cause| Trip {
            cause,
            axis: outputs
                .status
                .axis
                .map(|axis: AxisId| description.axes[axis.index()].name.clone()),
            at: t,
        });
        live.go()?;
        outcome.seconds = live.time();
        let moves = |(index, axis): (usize, &bellcrank_machine::description::Axis)| {
            live.plant.axis(index).stroke_rate.abs() > axis.watch.still_rate
        };
        outcome.enabled += tick * f64::from(u8::from(hands.state == State::Enabled));
        outcome.moving += tick * f64::from(u8::from(description.axes.iter().enumerate().any(moves)));
        let now = tips(&live.plant);
        outcome.metres += now
            .iter()
            .zip(&before)
            .map(|(now, before)| (now - before).norm())
            .sum::<f64>();
        before = now;
    }
    Ok(outcome)
}

/// The piece without its hands: where it begins, the oil, the ground, what the arms carry and when.
fn scenario(machine: &Arc<Description>, seed: u64, conditions: Conditions, rng: &mut ChaCha8Rng) -> Scenario {
    let start = free_pose(machine, rng);
    let station = if rng.random_bool(REMOTE) { "remote" } else { "seat" };
    let text = format!(
        "name = \"healthy work, seed {seed}\"\nabout = \"sane hands\"\nmachine = {:?}\nlength_s = {PIECE_S}\nstation = \"{station}\"\nmode = \"joint\"\n",
        machine.name
    );
    let most = if conditions.slope { SLOPE_DEG.to_radians() } else { 0.0 };
    let slope = [(); 2].map(|()| rng.random_range(-1.0..=1.0) * most);
    let mut payloads = Vec::new();
    for (arm, described) in machine.arms.iter().enumerate().filter(|_| conditions.loaded) {
        let mut from = 0.0;
        while from < PIECE_S {
            let full = rng.random_bool(0.5);
            let until = from + rng.random_range(15.0..40.0);
            payloads.push(Load {
                arm,
                mass: described.payload * if full { 1.0 } else { rng.random_range(0.3..1.0) },
                from,
                until: Some(until),
            });
            from = until + rng.random_range(4.0..10.0);
        }
    }
    Scenario {
        machine: Arc::clone(machine),
        start,
        slope,
        oil: Some(conditions.oil),
        payloads,
        ..scenario::parse("healthy", &text, Path::new("")).expect("a scenario")
    }
}
