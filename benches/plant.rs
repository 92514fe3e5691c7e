//! One simulated second of each machine: plant alone, and core, wiring and plant together.

use std::path::Path;

use bellcrank_sim::plant::{Accuracy, Inputs, Plant};
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario;
use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};

fn seconds(c: &mut Criterion) {
    let mut group = c.benchmark_group("one simulated second");
    group.sample_size(10).throughput(Throughput::Elements(1));
    for name in ["straight-lift", "setting-a-stone"] {
        let text = scenario::builtin(name).expect("it is built in");
        let scenario = scenario::parse(name, text, Path::new("")).expect("it is right");
        let machine = &scenario.machine;
        let mut start = Plant::of_machine(machine, Accuracy::default()).expect("it can be simulated");
        start.stand(&scenario.start, 5e5);
        start.charge(machine.supply.pressure);
        let mut inputs = Inputs::default();
        for (spool, sign) in inputs.spool.iter_mut().zip([0.2, -0.2].into_iter().cycle()) {
            *spool = sign;
        }
        group.bench_function(format!("{}: plant, every valve a fifth open", machine.name), |b| {
            b.iter_batched(
                || start.clone(),
                |mut plant| {
                    for _ in 0..500 {
                        plant.advance(&inputs, 0.002).expect("it can be integrated");
                    }
                    plant
                },
                BatchSize::LargeInput,
            );
        });
        // The whole loop, as long as its scenario is; the name says so.
        let title = format!(
            "{}: core, wiring and plant, {} s of {name}",
            machine.name, scenario.length
        );
        group.bench_function(title, |b| b.iter(|| rehearse(&scenario, 1).expect("it runs")));
    }
    group.finish();
}

criterion_group!(benches, seconds);
criterion_main!(benches);
