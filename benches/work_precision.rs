//! Work over precision of several integrators, as tables in Markdown: the single cylinder, and a whole machine whose
//! valves open and shut. `README.md` has what it printed.
//!
//! In the last column stands how often the row's time goes into that of the fastest backward differences that are as
//! accurate in position.

mod library;

use std::time::{Duration, Instant};

use bellcrank_benches::at_work::{SCENARIOS, built_in, charged, valves_open};
use bellcrank_benches::fixed_step::{self, Step};
use bellcrank_benches::{measuring, plain};
use bellcrank_sim::plant::{Accuracy, Inputs, Plant};
use bellcrank_tests::cases::{Errors, SingleCylinder};
use library::Method;

/// Integrations of ours, by relative tolerance, and of the library, which is far off where it is loose.
const OURS: [f64; 8] = [1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9];
const LIBRARY: [f64; 7] = [1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9, 1e-10];
/// The library's absolute tolerances, over relative tolerance and size.
const FLOOR: f64 = 0.1;
/// Fixed steps, µs.
const STEPS: [u32; 6] = [2000, 1000, 400, 200, 100, 40];
const SHORT_STEPS: [u32; 4] = [400, 100, 40, 20];

/// What one integration does.
struct Row {
    method: &'static str,
    setting: String,
    /// None where it failed.
    outcome: Option<Outcome>,
}

struct Outcome {
    errors: Errors,
    steps: u64,
    /// Per simulated second.
    time: Duration,
}

/// The rows of one table.
struct Table {
    /// Simulated seconds.
    length: f64,
    rows: Vec<Row>,
}

impl Table {
    /// Takes a row down: what `solve` says of errors and steps, and how long it takes at least.
    fn row(&mut self, method: &'static str, setting: String, mut solve: impl FnMut() -> Option<(Errors, u64)>) {
        let turns = if measuring() { 7 } else { 1 };
        let mut least = Duration::MAX;
        let mut found = None;
        for _ in 0..turns {
            let start = Instant::now();
            found = solve();
            least = least.min(start.elapsed());
        }
        self.rows.push(Row {
            method,
            setting,
            outcome: found
                .filter(|(errors, _)| errors.position.is_finite() && errors.pressure.is_finite())
                .map(|(errors, steps)| Outcome {
                    errors,
                    steps,
                    time: least.div_f64(self.length),
                }),
        });
    }

    fn print(&self, title: &str) {
        println!("\n{title}\n");
        let columns = [
            "integrator",
            "setting",
            "position error",
            "pressure error",
            "steps",
            "µs a simulated second",
        ];
        let compared = self.rows.iter().any(|row| row.method == BDF);
        let last = if compared { " BDF's time over this |" } else { "" };
        println!("| {} |{last}", columns.join(" | "));
        println!("|{}", "---|".repeat(columns.len() + usize::from(compared)));
        for Row {
            method,
            setting,
            outcome,
        } in &self.rows
        {
            let Some(outcome) = outcome else {
                println!("| {method} | {setting} | fails |");
                continue;
            };
            let Outcome { errors, steps, time } = outcome;
            let ratio = self.bdf_as_accurate(errors).map_or(String::new(), |bdf| {
                format!(" {:.2} |", bdf.as_secs_f64() / time.as_secs_f64())
            });
            println!(
                "| {method} | {setting} | {:.1e} | {:.1e} | {steps} | {:.0} |{ratio}",
                errors.position,
                errors.pressure,
                1e6 * time.as_secs_f64()
            );
        }
    }

    /// Time of the fastest backward differences with at most this position error.
    fn bdf_as_accurate(&self, errors: &Errors) -> Option<Duration> {
        let bdf = self.rows.iter().filter(|row| row.method == BDF);
        bdf.filter_map(|row| row.outcome.as_ref())
            .filter(|bdf| bdf.errors.position <= errors.position)
            .map(|bdf| bdf.time)
            .min()
    }
}

const BDF: &str = "diffsol BDF";

/// As many of the settings as are wanted: all to measure, one to see that it works.
fn some<T: Copy>(settings: &[T]) -> impl Iterator<Item = T> {
    let wanted = if measuring() { settings.len() } else { 1 };
    settings.iter().copied().take(wanted)
}

fn accuracy(rel: f64) -> Accuracy {
    Accuracy {
        rel,
        ..Accuracy::default()
    }
}

fn single_cylinder() -> Table {
    let case = SingleCylinder::read();
    let equations = plain::SingleCylinder::new(&case.rig);
    let interval = SingleCylinder::INTERVAL;
    let mut table = Table {
        length: case.rig.end,
        rows: Vec::new(),
    };
    for rel in some(&OURS) {
        table.row("ours", format!("rel {rel:e}"), || {
            let (samples, work) = case.rig.run(accuracy(rel), interval).ok()?;
            Some((case.errors(&samples), work.steps + work.rejected))
        });
    }
    for (name, method) in [
        (BDF, Method::Bdf),
        ("diffsol TR-BDF2", Method::TrBdf2),
        ("diffsol ESDIRK34", Method::Esdirk34),
    ] {
        for rel in some(&LIBRARY) {
            table.row(name, format!("rel {rel:e}"), || {
                let (samples, steps) = library::solve(&equations, method, rel, FLOOR, interval).ok()?;
                Some((case.errors(&samples), steps))
            });
        }
    }
    for micros in some(&STEPS) {
        for step in [Step::RungeKutta4, Step::ImplicitEuler] {
            table.row(step.name(), format!("{micros} µs"), || {
                let (samples, steps) =
                    fixed_step::single_cylinder(&equations, step, 1e-6 * f64::from(micros), interval);
                Some((case.errors(&samples), steps))
            });
        }
    }
    table
}

// ---- A whole machine ----

/// Time between looks, s, and looks until the valves open, shut, and the run ends.
const LOOK: f64 = 0.01;
const OPEN: usize = 10;
const SHUT: usize = 60;
const END: usize = 100;

/// Angles of all joints and pressures of all chambers at one look.
type Look = (Vec<f64>, Vec<f64>);

fn look(plant: &Plant, states: &[f64]) -> Look {
    let (at, n) = (plant.layout(), plant.axes());
    let angles = (0..n).map(|axis| states[at.angle(axis)]);
    let pressures = (0..n).flat_map(|axis| [states[at.a(axis)], states[at.b(axis)]]);
    (angles.collect(), pressures.collect())
}

fn inputs(looks: usize) -> Inputs {
    valves_open(if (OPEN..SHUT).contains(&looks) { 0.3 } else { 0.0 })
}

/// By the plant's own integrator.
fn by_plant(start: &Plant) -> Option<(Vec<Look>, u64)> {
    let mut plant = start.clone();
    let mut seen = Vec::with_capacity(END);
    for looks in 0..END {
        if looks == OPEN || looks == SHUT {
            plant.expect_jump();
        }
        plant.advance(&inputs(looks), LOOK).ok()?;
        seen.push(look(&plant, plant.states()));
    }
    let work = plant.work();
    Some((seen, work.steps + work.rejected))
}

/// In steps of one length, with the plant's equations.
fn by_fixed_step(start: &Plant, step: Step, length: f64) -> (Vec<Look>, u64) {
    let mut plant = start.clone();
    let mut states = plant.states().to_vec();
    let mut seen = Vec::with_capacity(END);
    let mut steps = 0;
    for looks in 0..END {
        let time = looks as f64 * LOOK;
        steps += fixed_step::advance(step, plant.equations(&inputs(looks)), time, LOOK, length, &mut states);
        seen.push(look(&plant, &states));
    }
    (seen, steps)
}

/// The largest errors: of an angle over the largest way of any joint, of a pressure over 100 bar.
fn errors(reference: &[Look], seen: &[Look]) -> Errors {
    let furthest = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    let way = reference
        .iter()
        .map(|(angles, _)| furthest(angles, &reference[0].0))
        .fold(0.0, f64::max);
    let pairs = || reference.iter().zip(seen);
    let broken = seen
        .iter()
        .any(|(angles, pressures)| angles.iter().chain(pressures).any(|x| !x.is_finite()));
    let worst = |errors: &mut dyn Iterator<Item = f64>| if broken { f64::NAN } else { errors.fold(0.0, f64::max) };
    Errors {
        position: worst(&mut pairs().map(|(a, b)| furthest(&a.0, &b.0) / way)),
        pressure: worst(&mut pairs().map(|(a, b)| furthest(&a.1, &b.1) / 100e5)),
    }
}

fn machine(scenario: &str) -> Table {
    let scenario = built_in(scenario);
    let start = |accuracy| charged(&scenario, accuracy);
    let tightest = if measuring() { 1e-11 } else { 1e-4 };
    let (reference, _) = by_plant(&start(accuracy(tightest))).expect("the reference can be integrated");
    let mut table = Table {
        length: END as f64 * LOOK,
        rows: Vec::new(),
    };
    for rel in some(&OURS) {
        let start = start(accuracy(rel));
        table.row("ours", format!("rel {rel:e}"), || {
            let (seen, steps) = by_plant(&start)?;
            Some((errors(&reference, &seen), steps))
        });
    }
    for micros in some(&STEPS) {
        let start = start(Accuracy::fixed(1e-6 * f64::from(micros)));
        table.row("ours, fixed step", format!("{micros} µs"), || {
            let (seen, steps) = by_plant(&start)?;
            Some((errors(&reference, &seen), steps))
        });
    }
    let start = start(Accuracy::default());
    for (step, lengths) in [(Step::ImplicitEuler, &STEPS[..]), (Step::RungeKutta4, &SHORT_STEPS[..])] {
        for micros in some(lengths) {
            table.row(step.name(), format!("{micros} µs"), || {
                let (seen, steps) = by_fixed_step(&start, step, 1e-6 * f64::from(micros));
                Some((errors(&reference, &seen), steps))
            });
        }
    }
    table
}

fn main() {
    single_cylinder().print("One valve, one cylinder, 3 s:");
    machine(SCENARIOS[0])
        .print("The digger, 1 s, every valve 0.3 open from 0.1 s to 0.6 s, against our own at rel 1e-11:");
}
