//! One tick of the core, on the setter. The first row is the cost of asking: an empty tick.

use std::hint::black_box;

use bellcrank_core::inputs::{HandFrame, Mode, Relays, SensorInput, Station};
use bellcrank_core::machine::{AxisId, PerAxis};
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use bellcrank_core::{Controller, Inputs, Machine};
use bellcrank_machine::description::Sensor;
use criterion::{Criterion, criterion_group, criterion_main};

const TICK_US: u64 = 2_000;

/// The setter in a working pose, its sensors where a real one's would be.
struct Bench {
    machine: Machine,
    sensors: PerAxis<SensorInput>,
}

impl Bench {
    #[allow(clippy::cast_possible_truncation)]
    fn new() -> Self {
        let text = bellcrank_machine::builtin("drystone setter").expect("it is built in");
        let description = bellcrank_machine::read("setter", text).expect("it is right");
        let machine = bellcrank_machine::build(&description).expect("it is right");
        let mut sensors = PerAxis::default();
        for ((id, core), axis) in machine.axes().zip(&description.axes) {
            let middle = 0.5 * f64::from(core.stroke.0 + core.stroke.1);
            let volts = |volts: f64| Volts::new(volts as f32).ok();
            let read = |sensor: &Sensor| volts(sensor.volts(sensor.signal_at(middle), sensor.excitation()));
            let input = SensorInput {
                twin: axis.twin.as_ref().and_then(|twin| read(&twin.sensor)),
                excitation: volts(axis.sensor.excitation()),
                ..read(&axis.sensor).into()
            };
            sensors.set(id, input);
        }
        Self { machine, sensors }
    }

    fn inputs(&self, tick: u64, hand: HandFrame) -> Inputs {
        Inputs {
            now: Instant::from_ticks(tick * TICK_US),
            sensors: self.sensors,
            stop_chain: [true, true],
            relays: Relays::default(),
            supply: Volts::new(24.0).ok(),
            reset: false,
            commissioning: false,
            selector: Station::Seat,
            seat: hand,
            remote: HandFrame {
                enable: false,
                levers: [Lever::default(); 16],
                ..hand
            },
        }
    }
}

fn ticks(c: &mut Criterion) {
    let bench = Bench::new();
    let rest = HandFrame {
        age: Some(Duration::from_ticks(0)),
        stop_clear: true,
        mode: Mode::Tip,
        ..HandFrame::default()
    };
    let held = HandFrame { enable: true, ..rest };
    // Small levers: the arms creep, and stay where they are on this bench, within what the watch allows in the time measured.
    let mut moving = held;
    for lever in [0, 1, 2, 8, 9, 10] {
        moving.levers[lever] = Lever::new(0.051).expect("in range");
    }
    let mut group = c.benchmark_group("tick");
    group.bench_function("nothing (building the inputs)", |b| {
        let mut tick = 0;
        b.iter(|| {
            tick += 1;
            black_box(bench.inputs(tick, rest))
        });
    });
    for (name, hand, wanted) in [
        ("standby", rest, false),
        ("both arms in tip mode, guarded", moving, true),
    ] {
        group.bench_function(name, |b| {
            let mut controller = Controller::new(&bench.machine);
            let mut tick = 0;
            let mut step = |hand| {
                tick += 1;
                let mut inputs = bench.inputs(tick, hand);
                inputs.relays = controller.last_tick().relays;
                controller.tick(&inputs)
            };
            for _ in 0..100 {
                step(rest);
            }
            for _ in 0..20 {
                step(if wanted { held } else { rest });
            }
            assert_eq!(step(hand).relays.valve_power, wanted, "the bench measures what it says");
            b.iter(|| black_box(step(hand)));
        });
    }
    group.finish();
    assert!(AxisId::new(12).is_some());
}

criterion_group!(benches, ticks);
criterion_main!(benches);
