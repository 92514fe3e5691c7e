//! Machines whose valves nobody has characterised: the yard digger with a random valve and a random sensor on each of its axes.

use std::path::Path;

use bellcrank_machine::description::{Description, Drive};
use bellcrank_machine::find;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::trim::trial::Logger;

/// Rows a second of the logs.
const RATES: [f64; 5] = [100.0, 200.0, 250.0, 500.0, 1000.0];

/// A machine as it is, what its file says of its valves before they are trimmed, and how logs are kept on it.
#[derive(Debug, Clone)]
pub struct Unknown {
    /// The machine.
    pub machine: Description,
    /// How logs are kept.
    pub logger: Logger,
}

/// The machine of a seed. What its file says of the valves is what an integrator has from a catalogue: the rates of the machine as designed, no
/// deadband, straight lines, no lead, no dither.
///
/// # Panics
/// If the yard digger is not built in.
pub fn of_seed(seed: u64) -> Unknown {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut machine = find("yard-digger", Path::new("")).expect("it is built in");
    let logger = Logger {
        rate: RATES[rng.random_range(0..RATES.len())],
        jitter: rng.random_range(0.0..0.4),
        lost: rng.random_range(0.0..0.03),
        wild: rng.random_range(0.0..0.004),
    };
    if logger.rate > 500.0 {
        machine.timing.tick = 1e-3;
        machine.timing.tick_early = 0.5e-3;
    }
    for axis in &mut machine.axes {
        let valve = &mut axis.valve;
        valve.overlap_out = rng.random_range(0.02..0.25);
        valve.overlap_in = rng.random_range(0.02..0.25);
        valve.rated_flow *= rng.random_range(0.6..1.5);
        valve.notches.progression = rng.random_range(0.0..0.5);
        valve.spool_hz = 5.0 * 8_f64.powf(rng.random_range(0.0..1.0));
        valve.spool_zeta = rng.random_range(0.7..1.0);
        valve.answer.hysteresis = rng.random_range(0.0..0.05);
        valve.answer.stiction = rng.random_range(0.0..0.005);
        valve.answer.delay = rng.random_range(0.002..0.02);
        axis.sensor.converter_bits = if rng.random_bool(0.5) { 12 } else { 16 };
        axis.sensor.noise = rng.random_range(0.0005..0.004);
        axis.drive = Drive {
            deadband: (0.0, 0.0),
            curve: [Vec::new(), Vec::new()],
            lead: 0.0,
            fill: (0.0, 0.0),
            run_on: (0.0, 0.0),
            dither: None,
            ..axis.drive.clone()
        };
    }
    Unknown { machine, logger }
}
