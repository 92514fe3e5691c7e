//! A test bench: one mass on one cylinder behind one valve, on an ideal supply or a pump, with a programme of commands, loads and
//! other events.

use std::sync::Arc;

use bellcrank_machine::description::{Actuator, Engine, Holding, Oil, Supply, Valve};

use super::bench::Stand;
use super::bodies::GRAVITY;
use super::{
    Accuracy, AxisParts, Direct, Inputs, Kept, Layout, Mechanism, Plant, PlantError, Pump, Source, Work, hole, supply,
};

/// What a programme says of one thing: (from when, what), in order of time.
pub type Programme<T> = Vec<(f64, T)>;

/// A bench and its programme.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// Mass that the rod moves, kg.
    pub mass: f64,
    /// How steeply it moves, rad: extending goes uphill at such an angle. Zero is level, π/2 straight up.
    pub slope: f64,
    /// The cylinder.
    pub actuator: Actuator,
    /// The valve.
    pub valve: Valve,
    /// A load-holding valve on the cylinder.
    pub holding: Option<Holding>,
    /// The oil.
    pub oil: Oil,
    /// What feeds it.
    pub feed: Feed,
    /// Stroke at the start, m.
    pub stroke: f64,
    /// Pressures of the extending and the retracting chamber at the start, Pa.
    pub pressure: [f64; 2],
    /// Pressures of the two lines of a load-holding valve at the start, Pa. None: behind a valve that of the tank, in an open pipe
    /// that of its chamber.
    pub lines: Option<[f64; 2]>,
    /// Spool command, zero before the first.
    pub command: Programme<f64>,
    /// Load against extension, N, zero before the first.
    pub load: Programme<f64>,
    /// Whatever else happens.
    pub events: Events,
    /// Length of the programme, s.
    pub end: f64,
}

/// What feeds a bench.
#[derive(Debug, Clone, PartialEq)]
pub enum Feed {
    /// Constant pressures, whatever is drawn.
    Ideal {
        /// Pressure line, Pa.
        pressure: f64,
        /// Tank line, Pa.
        tank: f64,
    },
    /// A pump, its dump valve closed at the start.
    Pump {
        /// The pump.
        supply: Supply,
        /// What turns it. None: something that never slows down.
        engine: Option<Engine>,
        /// Pressure in its line at the start, Pa.
        start: f64,
    },
}

/// What may happen on a bench beside commands and loads.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Events {
    /// The engine is switched on; it is before the first.
    pub engine: Programme<bool>,
    /// The dump valve has current and is closed; it is before the first.
    pub dump_closed: Programme<bool>,
    /// Temperature of the oil, °C; before the first that at which its constants hold.
    pub oil_temperature: Programme<f64>,
    /// Diameter of a hole in the hose at port A and at port B, m; none before the first.
    pub hole: Programme<[f64; 2]>,
}

/// The bench at one time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
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
    /// Pressures at ports A and B of the valve, Pa, where a load-holding valve keeps them apart from the chambers'.
    pub ports: Option<[f64; 2]>,
    /// Pressure in the pump's line, Pa, and the pump's flow into it, m³/s, where there is a pump.
    pub pump: Option<[f64; 2]>,
    /// Speed of the engine, rad/s, where there is one.
    pub engine: Option<f64>,
}

impl Rig {
    /// The bench at its start.
    pub fn plant(&self, accuracy: Accuracy) -> Plant {
        let mechanism = Mechanism::Mass(self.mass);
        let mut plant = Plant::new(mechanism, &[self.parts()], self.feed.source(), &self.oil, accuracy);
        let at = plant.layout();
        plant.set_state(0, self.stroke);
        plant.set_state(at.a(0), self.pressure[0]);
        plant.set_state(at.b(0), self.pressure[1]);
        if let (Some(line), Some(holding)) = (at.line(0), &self.holding) {
            for side in 0..2 {
                match self.lines {
                    Some(pressure) => plant.set_state(line + side, pressure[side]),
                    None if !holding.on[side] => plant.set_state(line + side, self.pressure[side]),
                    None => {}
                }
            }
        }
        if let Feed::Pump { start, .. } = self.feed {
            plant.charge(start);
        }
        plant
    }

    /// Runs the programme and looks every `interval` seconds, at the start and at the end too.
    ///
    /// # Errors
    /// As [`Rig::run_looking_at`].
    pub fn run(&self, accuracy: Accuracy, interval: f64) -> Result<(Vec<Sample>, Work), PlantError> {
        let whole = (0u32..).map(|k| f64::from(k) * interval);
        let mut times: Vec<f64> = whole.take_while(|t| *t < self.end - SLIVER * interval).collect();
        times.push(self.end);
        self.run_looking_at(accuracy, &times)
    }

    /// Runs the programme and looks at these times, which must rise and lie within it. Between the integrator's steps it looks
    /// along the cubic through both ends of a step (Hermite), which is as accurate as the steps are. The steps do not depend
    /// on the times.
    ///
    /// # Errors
    /// [`PlantError`] where the bench could not be integrated.
    pub fn run_looking_at(&self, accuracy: Accuracy, times: &[f64]) -> Result<(Vec<Sample>, Work), PlantError> {
        let mut look = Look {
            at: Layout::single(),
            times,
            samples: Vec::with_capacity(times.len()),
            pending: None,
            pump: None,
            rated: self.feed.rated(),
        };
        if let Some(mut stand) = self.stand(accuracy) {
            for stop in self.stops() {
                let inputs = self.inputs(stand.time());
                stand.advance(&inputs, stop, |kept| look.step(kept))?;
                look.finish(&stand.rates());
            }
            look.last(stand.states());
            return Ok((look.samples, stand.work()));
        }
        let mut plant = self.plant(accuracy);
        look.at = plant.layout();
        // Not the plant's own time: adding up stretches rounds, and a step must not be missed by the last digit.
        let mut from = 0.0;
        for stop in self.stops() {
            self.change(&mut plant, from);
            let inputs = self.inputs(from);
            look.pump = plant.model.source.all().first().cloned();
            let span = stop - plant.time();
            plant.advance_looking(&inputs, span, |kept| look.step(kept))?;
            let rates = plant.rates();
            look.finish(&rates);
            plant.expect_jump();
            from = stop;
        }
        look.last(plant.states());
        Ok((look.samples, plant.work()))
    }

    /// When something jumps after the start, and the end.
    fn stops(&self) -> Vec<f64> {
        let events = &self.events;
        let mut stops: Vec<f64> = times(&self.command).chain(times(&self.load)).collect();
        // A command that the valve's electronics delay counts from the first stop at which it has arrived.
        stops.extend(times(&self.command).map(|at| at + self.valve.answer.delay));
        stops.extend(times(&events.engine).chain(times(&events.dump_closed)));
        stops.extend(times(&events.oil_temperature).chain(times(&events.hole)));
        stops.retain(|&t| t > 0.0 && t < self.end);
        stops.push(self.end);
        stops.sort_by(f64::total_cmp);
        stops.dedup();
        stops
    }

    /// The bench by its shortcut, where it is plain enough: an ideal supply, no lines, nothing but commands and loads.
    fn stand(&self, accuracy: Accuracy) -> Option<Stand> {
        let Feed::Ideal { pressure, tank } = self.feed else {
            return None;
        };
        if self.holding.is_some() || self.events != Events::default() {
            return None;
        }
        let start = [self.stroke, 0.0, self.pressure[0], self.pressure[1], 0.0, 0.0];
        let circuit = (pressure, tank);
        Some(Stand::new(
            &self.parts(),
            circuit,
            &self.oil,
            self.mass,
            start,
            accuracy,
        ))
    }

    fn parts(&self) -> AxisParts<'_> {
        AxisParts {
            actuator: &self.actuator,
            valve: &self.valve,
            holding: self.holding.as_ref(),
            pump: 0,
            linkage: Arc::new(Direct { zero: 0.0 }),
        }
    }

    /// Makes the plant as it is from a time on.
    fn change(&self, plant: &mut Plant, now: f64) {
        if let Some(celsius) = holding(&self.events.oil_temperature, now) {
            plant.set_oil_temperature(celsius);
        }
        if let Some(diameter) = holding(&self.events.hole, now) {
            plant.faults().burst[0] = diameter.map(|diameter| hole(diameter, self.oil.density));
        }
    }

    /// What is done to it from a time on.
    fn inputs(&self, now: f64) -> Inputs {
        let mut inputs = Inputs {
            dump_current: holding(&self.events.dump_closed, now).unwrap_or(true),
            engine: holding(&self.events.engine, now).unwrap_or(true),
            load: holding(&self.load, now).unwrap_or(0.0) + self.mass * GRAVITY * self.slope.sin(),
            ..Inputs::default()
        };
        inputs.spool[0] = holding(&self.command, now).unwrap_or(0.0);
        inputs
    }
}

impl Feed {
    fn source(&self) -> Source {
        match self {
            Feed::Ideal { pressure, tank } => Source::Ideal {
                pressure: *pressure,
                tank: *tank,
            },
            Feed::Pump {
                supply,
                engine: Some(engine),
                ..
            } => Source::driven(&[supply], engine),
            Feed::Pump { supply, .. } => Source::pumps(&[supply]),
        }
    }

    /// The engine's rated speed, rad/s.
    fn rated(&self) -> Option<f64> {
        match self {
            Feed::Pump { engine, .. } => engine.as_ref().map(|engine| engine.rated),
            Feed::Ideal { .. } => None,
        }
    }
}

/// A last interval shorter than this share of the others is rounding.
const SLIVER: f64 = 1e-9;

/// Looks at a run at given times.
struct Look<'t> {
    at: Layout,
    times: &'t [f64],
    samples: Vec<Sample>,
    /// A step whose rates at its end are still to come.
    pending: Option<Span>,
    /// The pump as it is now: its leakage goes with the oil.
    pump: Option<Pump>,
    /// Rated speed of the engine, rad/s.
    rated: Option<f64>,
}

/// One step of a test bench: from when to when, states at both ends, rates where it starts.
#[derive(Clone, Copy)]
struct Span {
    time: (f64, f64),
    from: [f64; STATES],
    rates: [f64; STATES],
    to: [f64; STATES],
}

/// States of a bench: six, two of a pump, one of an engine, and two lines of a load-holding valve.
const STATES: usize = 11;

impl Look<'_> {
    fn step(&mut self, kept: &Kept) {
        self.finish(kept.rates);
        if self.times.get(self.samples.len()).is_none_or(|time| *time >= kept.time) {
            return;
        }
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
        while let Some(&time) = self.times.get(self.samples.len()).filter(|time| **time < end) {
            let s = ((time - start) / width).max(0.0);
            let mut states = [0.0; STATES];
            for (k, rate) in rates.iter().enumerate() {
                let (rise, r0, r1) = (span.to[k] - span.from[k], width * span.rates[k], width * rate);
                states[k] = span.from[k] + s * (r0 + s * (3.0 * rise - 2.0 * r0 - r1 + s * (r0 + r1 - 2.0 * rise)));
            }
            self.samples.push(self.sample(time, &states));
        }
    }

    /// Takes the samples at the end.
    fn last(&mut self, states: &[f64]) {
        while let Some(&time) = self.times.get(self.samples.len()) {
            self.samples.push(self.sample(time, states));
        }
    }

    fn sample(&self, time: f64, states: &[f64]) -> Sample {
        let at = self.at;
        let speed = at.engine().map(|at| states[at]);
        let pump = self.pump.as_ref().map(|pump| {
            let running = supply::Running {
                pressure: states[at.manifold(0)],
                load: 0.0,
                swash: states[at.swash(0)],
                speed: speed.unwrap_or(1.0).max(0.0),
                share: 1.0,
            };
            [running.pressure, pump.delivered(&running)]
        });
        Sample {
            time,
            stroke: states[0],
            speed: states[at.rate(0)],
            pressure_a: states[at.a(0)],
            pressure_b: states[at.b(0)],
            spool: states[at.spool(0)],
            spool_rate: states[at.spool_rate(0)],
            ports: at.line(0).map(|line| [states[line], states[line + 1]]),
            pump,
            engine: self.rated.zip(speed).map(|(rated, speed)| rated * speed),
        }
    }
}

fn times<T>(programme: &Programme<T>) -> impl Iterator<Item = f64> + '_ {
    programme.iter().map(|&(from, _)| from)
}

/// What holds at a time.
fn holding<T: Copy>(programme: &Programme<T>, now: f64) -> Option<T> {
    let last = programme.iter().rev().find(|&&(from, _)| from <= now);
    last.map(|&(_, value)| value)
}
