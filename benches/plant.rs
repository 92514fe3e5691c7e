//! One simulated second of each machine: plant alone, and core, wiring and plant together. Says how many times faster than
//! real time that is.

use std::hint::black_box;
use std::time::{Duration, Instant};

use bellcrank_benches::at_work::{Loop, SCENARIOS, built_in, charged, controlled, to_and_fro};
use bellcrank_sim::plant::Accuracy;
use criterion::{Criterion, Throughput, criterion_group, criterion_main};

/// Ticks in one simulated second.
const SECOND: u32 = 500;
/// Seconds of the scenario until its hands move the arm, and during which they do.
const UNTIL_MOVING: u32 = 2;
const MOVING: u32 = 3;

fn seconds(c: &mut Criterion) {
    let mut group = c.benchmark_group("one simulated second");
    group.sample_size(20).throughput(Throughput::Elements(1));
    let mut said = Vec::new();
    for name in SCENARIOS {
        let scenario = built_in(name);
        let machine = controlled(&scenario);
        let start = charged(&scenario, Accuracy::default());
        let alone = || {
            let mut plant = start.clone();
            timed(|| to_and_fro(&mut plant, 0.2, SECOND))
        };
        let whole = || {
            let mut whole = Loop::new(&scenario, &machine);
            whole.go_on(UNTIL_MOVING * SECOND);
            timed(|| whole.go_on(MOVING * SECOND)) / MOVING
        };
        let rows: [(&str, &dyn Fn() -> Duration); 2] = [
            ("plant, every valve a fifth open to and fro", &alone),
            ("core, wiring and plant, an arm moving", &whole),
        ];
        for (what, once) in rows {
            let title = format!("{}: {what}", scenario.machine.name);
            let mut best = Duration::MAX;
            group.bench_function(&title, |b| {
                b.iter_custom(|times| {
                    let all: Vec<Duration> = (0..times).map(|_| once()).collect();
                    best = all.iter().copied().fold(best, Duration::min);
                    all.iter().sum()
                });
            });
            said.push((title, best));
        }
    }
    group.finish();
    for (title, best) in said {
        println!("{title}: {:.0} times real time at best", 1.0 / best.as_secs_f64());
    }
}

/// How long it takes.
fn timed<T>(work: impl FnOnce() -> T) -> Duration {
    let start = Instant::now();
    black_box(work());
    start.elapsed()
}

criterion_group!(benches, seconds);
criterion_main!(benches);
