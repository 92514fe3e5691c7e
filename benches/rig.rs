//! The single-cylinder benchmark at equal position error: ours beside the backward differences of `diffsol`. Says the
//! quotient of the times.
//!
//! First, untimed: for each target of position error the loosest tolerance of each that meets it over the whole
//! programme, and goes on meeting it when tightened a little; the library besides has the best of several absolute
//! tolerances.

mod library;

use std::hint::black_box;
use std::time::{Duration, Instant};

use bellcrank_benches::{measuring, plain};
use bellcrank_sim::plant::Accuracy;
use bellcrank_sim::plant::rig::Sample;
use bellcrank_tests::cases::{Errors, SingleCylinder};
use criterion::{Criterion, criterion_group, criterion_main};
use library::Method;

/// Position errors as shares of the range.
const TARGETS: [f64; 3] = [3e-5, 2e-6, 2e-7];
/// Absolute tolerances to try: over relative tolerance and size.
const FLOORS: [f64; 5] = [1e-2, 0.1, 1.0, 10.0, 100.0];
/// The ladder of tolerances.
const LOOSEST: f64 = 0.1;
const TIGHTEST: f64 = 1e-11;
/// Rungs a decade.
const RUNGS: u32 = 24;
/// So many rungs on end must meet the target: one alone may be luck.
const IN_A_ROW: usize = 3;

/// A way to solve the benchmark at one tolerance.
#[derive(Debug, Clone, Copy)]
enum Solver {
    Ours,
    Library { floor: f64 },
}

struct Bench {
    case: SingleCylinder,
    plain: plain::SingleCylinder,
}

/// A tolerance and what comes of it.
#[derive(Debug, Clone, Copy)]
struct Setting {
    solver: Solver,
    rel: f64,
    errors: Errors,
}

impl Bench {
    fn errors(&self, solver: Solver, rel: f64) -> Option<Errors> {
        Some(self.case.errors(&self.samples(solver, rel)?))
    }

    /// Every setting of the ladder, from loose to tight.
    fn ladder(&self, solver: Solver) -> Vec<Option<Setting>> {
        // Unmeasured, a coarse and short one will do.
        let (rungs, tightest) = if measuring() { (RUNGS, TIGHTEST) } else { (1, 1e-6) };
        let step = 10f64.powf(-1.0 / f64::from(rungs));
        std::iter::successors(Some(LOOSEST), |rel| Some(rel * step).filter(|rel| *rel > tightest))
            .map(|rel| self.errors(solver, rel).map(|errors| Setting { solver, rel, errors }))
            .collect()
    }

    fn samples(&self, solver: Solver, rel: f64) -> Option<Vec<Sample>> {
        let interval = SingleCylinder::INTERVAL;
        match solver {
            Solver::Ours => Some(self.case.rig.run(accuracy(rel), interval).ok()?.0),
            Solver::Library { floor } => Some(library::solve(&self.plain, Method::Bdf, rel, floor, interval).ok()?.0),
        }
    }

    /// The work that is timed.
    fn run(&self, setting: Setting) {
        black_box(self.samples(setting.solver, setting.rel));
    }

    /// Least time of several runs, per simulated second.
    fn time(&self, setting: Setting, runs: u32) -> Duration {
        let once = |_| {
            let start = Instant::now();
            self.run(setting);
            start.elapsed()
        };
        (0..runs).map(once).min().unwrap_or_default().div_f64(self.case.rig.end)
    }
}

fn accuracy(rel: f64) -> Accuracy {
    Accuracy {
        rel,
        ..Accuracy::default()
    }
}

/// The loosest rung that meets the target, with those below it.
fn loosest(ladder: &[Option<Setting>], target: f64) -> Option<Setting> {
    let meets = |rung: &Option<Setting>| rung.is_some_and(|setting| setting.errors.position <= target);
    let run = ladder.windows(IN_A_ROW).find(|rungs| rungs.iter().all(meets))?;
    run[0]
}

fn equal_error(c: &mut Criterion) {
    let case = SingleCylinder::read();
    let plain = plain::SingleCylinder::new(&case.rig);
    let bench = Bench { case, plain };
    let ours = bench.ladder(Solver::Ours);
    let (targets, floors) = if measuring() {
        (&TARGETS[..], &FLOORS[..])
    } else {
        (&TARGETS[..1], &FLOORS[2..3])
    };
    let library: Vec<_> = floors
        .iter()
        .map(|&floor| bench.ladder(Solver::Library { floor }))
        .collect();
    let mut group = c.benchmark_group("single cylinder, 3 s");
    group.sample_size(20);
    let mut said = Vec::new();
    for &target in targets {
        let ours = loosest(&ours, target).expect("ours converges");
        let library = library
            .iter()
            .filter_map(|ladder| loosest(ladder, target))
            .min_by_key(|setting| bench.time(*setting, 5))
            .expect("the library converges");
        group.bench_function(format!("ours at {target:e}"), |b| b.iter(|| bench.run(ours)));
        group.bench_function(format!("diffsol BDF at {target:e}"), |b| b.iter(|| bench.run(library)));
        said.push((target, ours, library));
    }
    group.finish();
    for (target, ours, library) in said {
        // By turns, so that whatever else the machine does falls on both.
        let (mut a, mut b) = (Duration::MAX, Duration::MAX);
        for _ in 0..if measuring() { 20 } else { 1 } {
            a = a.min(bench.time(ours, 5));
            b = b.min(bench.time(library, 5));
        }
        let (a, b) = (1e6 * a.as_secs_f64(), 1e6 * b.as_secs_f64());
        println!(
            "ratio at {target:e}: {:.2} (ours {a:.0} us, diffsol {b:.0} us per simulated second)",
            b / a
        );
        for setting in [ours, library] {
            println!(
                "    {:?}: rel {:.2e}, position error {:.1e}, pressure error {:.1e}",
                setting.solver, setting.rel, setting.errors.position, setting.errors.pressure
            );
        }
    }
}

criterion_group!(benches, equal_error);
criterion_main!(benches);
