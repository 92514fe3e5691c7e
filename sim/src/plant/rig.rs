//! A test bench: one mass on one cylinder behind one valve on an ideal supply, with a programme of commands and loads.

use std::sync::Arc;

use bellcrank_machine::description::{Actuator, Holding, Oil, Valve};

use super::{Accuracy, AxisParts, Direct, Inputs, Kept, Layout, Mechanism, Plant, PlantError, Source, Work};

/// A bench and its programme.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// Mass that the rod moves, kg.
    pub mass: f64,
    /// The cylinder.
    pub actuator: Actuator,
    /// The valve.
    pub valve: Valve,
    /// A load-holding valve on the cylinder.
    pub holding: Option<Holding>,
    /// The oil.
    pub oil: Oil,
    /// Supply pressure, Pa.
    pub supply: f64,
    /// Tank pressure, Pa.
    pub tank: f64,
    /// Stroke at the start, m.
    pub stroke: f64,
    /// Pressures of the extending and the retracting chamber at the start, Pa.
    pub pressure: [f64; 2],
    /// Spool command: (from when, how much), in order of time, zero before.
    pub command: Vec<(f64, f64)>,
    /// Load against extension, N: (from when, how much), in order of time, zero before.
    pub load: Vec<(f64, f64)>,
    /// Length of the programme, s.
    pub end: f64,
}

/// The bench at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Time, s.
    pub time: f64,
    /// Stroke, m.
    pub stroke: f64,
    /// Speed, m/s.
    pub speed: f64,
    /// Pressure of the extending chamber, Pa.
    pub pressure_a: f64,
    /// Pressure of the retracting chamber, Pa.
    pub pressure_b: f64,
    /// Spool, share of full travel.
    pub spool: f64,
    /// Spool rate, 1/s.
    pub spool_rate: f64,
}

impl Rig {
    /// The bench at its start.
    pub fn plant(&self, accuracy: Accuracy) -> Plant {
        let parts = AxisParts {
            actuator: &self.actuator,
            valve: &self.valve,
            holding: self.holding.as_ref(),
            pump: 0,
            linkage: Arc::new(Direct { zero: 0.0 }),
        };
        let source = Source::Ideal {
            pressure: self.supply,
            tank: self.tank,
        };
        let mechanism = Mechanism::Mass(self.mass);
        let mut plant = Plant::new(mechanism, &[parts], source, &self.oil, accuracy);
        let at = plant.layout();
        plant.set_state(0, self.stroke);
        plant.set_state(at.a(0), self.pressure[0]);
        plant.set_state(at.b(0), self.pressure[1]);
        plant
    }

    fn bench(&self, accuracy: Accuracy) -> super::bench::Stand {
        let parts = AxisParts {
            actuator: &self.actuator,
            valve: &self.valve,
            holding: None,
            pump: 0,
            linkage: Arc::new(Direct { zero: 0.0 }),
        };
        let start = [self.stroke, 0.0, self.pressure[0], self.pressure[1], 0.0, 0.0];
        super::bench::Stand::new(&parts, (self.supply, self.tank), &self.oil, self.mass, start, accuracy)
    }

    /// Runs the programme and looks every `interval` seconds, at the start and at the end too. Between the integrator's
    /// steps it looks along the cubic through both ends of a step (Hermite), which is as accurate as the steps are.
    ///
    /// # Errors
    /// [`PlantError`] where the bench could not be integrated.
    pub fn run(&self, accuracy: Accuracy, interval: f64) -> Result<(Vec<Sample>, Work), PlantError> {
        let mut bench = self.bench(accuracy);
        let mut look = Look {
            at: Layout::new(&[false], 0, false),
            interval,
            samples: Vec::with_capacity(capacity(self.end / interval)),
            pending: None,
        };
        let mut stops: Vec<f64> = jumps(&self.command).chain(jumps(&self.load)).collect();
        stops.retain(|&t| t > 0.0 && t < self.end);
        stops.push(self.end);
        stops.sort_by(f64::total_cmp);
        stops.dedup();
        let mut inputs = Inputs::default();
        for stop in stops {
            let now = bench.time();
            (inputs.spool[0], inputs.load) = (holding(&self.command, now), holding(&self.load, now));
            bench.advance(&inputs, stop, |kept| look.step(kept))?;
            look.finish(&bench.rates());
        }
        look.last(bench.states(), self.end);
        Ok((look.samples, bench.work()))
    }
}

/// Looks at a run at equal intervals.
struct Look {
    at: Layout,
    interval: f64,
    samples: Vec<Sample>,
    /// A step whose rates at its end are still to come.
    pending: Option<Span>,
}

/// One step of a test bench: from when to when, states at both ends, rates where it starts.
#[derive(Clone, Copy)]
struct Span {
    time: (f64, f64),
    from: [f64; STATES],
    rates: [f64; STATES],
    to: [f64; STATES],
}

/// States of a bench: six, and two lines of a load-holding valve.
const STATES: usize = 8;

impl Look {
    fn step(&mut self, kept: &Kept) {
        self.finish(kept.rates);
        let copy = |from: &[f64]| {
            let mut to = [0.0; STATES];
            to[..from.len()].copy_from_slice(from);
            to
        };
        self.pending = Some(Span {
            time: (kept.time - kept.step, kept.time),
            from: copy(kept.from),
            rates: copy(kept.rates),
            to: copy(kept.to),
        });
    }

    /// Takes the samples within the pending step, now that the rates at its end are known.
    fn finish(&mut self, rates: &[f64]) {
        let Some(span) = self.pending.take() else { return };
        let (start, end) = span.time;
        let width = end - start;
        loop {
            let time = self.samples.len() as f64 * self.interval;
            if time >= end {
                return;
            }
            let s = ((time - start) / width).max(0.0);
            let mut states = [0.0; STATES];
            for (k, rate) in rates.iter().enumerate() {
                let (rise, r0, r1) = (span.to[k] - span.from[k], width * span.rates[k], width * rate);
                states[k] = span.from[k] + s * (r0 + s * (3.0 * rise - 2.0 * r0 - r1 + s * (r0 + r1 - 2.0 * rise)));
            }
            self.samples.push(sample(self.at, time, &states));
        }
    }

    fn last(&mut self, states: &[f64], end: f64) {
        self.samples.push(sample(self.at, end, states));
    }
}

/// Room for so many samples, and the two ends.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn capacity(intervals: f64) -> usize {
    intervals.clamp(0.0, 1e6) as usize + 2
}

fn jumps(programme: &[(f64, f64)]) -> impl Iterator<Item = f64> + '_ {
    programme.iter().map(|&(from, _)| from)
}

/// What holds at a time.
fn holding(programme: &[(f64, f64)], now: f64) -> f64 {
    programme
        .iter()
        .rev()
        .find(|&&(from, _)| from <= now)
        .map_or(0.0, |&(_, value)| value)
}

fn sample(at: Layout, time: f64, states: &[f64]) -> Sample {
    Sample {
        time,
        stroke: states[0],
        speed: states[at.rate(0)],
        pressure_a: states[at.a(0)],
        pressure_b: states[at.b(0)],
        spool: states[at.spool(0)],
        spool_rate: states[at.spool_rate(0)],
    }
}
