//! A test bench: one mass on one cylinder behind one valve on an ideal supply, with a programme of commands and loads.

use std::sync::Arc;

use bellcrank_machine::description::{Actuator, Oil, Valve};

use super::{Accuracy, AxisParts, Direct, Inputs, Mechanism, Plant, PlantError, Source, Work};

/// A bench and its programme.
#[derive(Debug, Clone, PartialEq)]
pub struct Rig {
    /// Mass that the rod moves, kg.
    pub mass: f64,
    /// The cylinder.
    pub actuator: Actuator,
    /// The valve.
    pub valve: Valve,
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
            linkage: Arc::new(Direct { zero: 0.0 }),
        };
        let source = Source::Ideal {
            pressure: self.supply,
            tank: self.tank,
        };
        let mut plant = Plant::new(Mechanism::Mass(self.mass), &[parts], source, &self.oil, accuracy);
        let at = plant.layout();
        plant.set_state(0, self.stroke);
        plant.set_state(at.a(0), self.pressure[0]);
        plant.set_state(at.b(0), self.pressure[1]);
        plant
    }

    /// Runs the programme and looks every `interval` seconds, at the start and at the end too.
    ///
    /// # Errors
    /// [`PlantError`] where the bench could not be integrated.
    pub fn run(&self, accuracy: Accuracy, interval: f64) -> Result<(Vec<Sample>, Work), PlantError> {
        let mut plant = self.plant(accuracy);
        let mut samples = vec![sample(&plant, 0.0)];
        let mut inputs = Inputs::default();
        let mut now = 0.0;
        let mut count = 0.0;
        while now < self.end {
            (inputs.spool[0], inputs.load) = (holding(&self.command, now), holding(&self.load, now));
            let look = ((count + 1.0) * interval).min(self.end);
            let jump = jumps(&self.command)
                .chain(jumps(&self.load))
                .filter(|&t| t > now)
                .fold(look, f64::min);
            plant.advance(&inputs, jump - now)?;
            now = jump;
            if now >= look {
                count += 1.0;
                samples.push(sample(&plant, now));
            }
            if jumps(&self.command).chain(jumps(&self.load)).any(|t| t == now) {
                plant.expect_jump();
            }
        }
        Ok((samples, plant.work()))
    }
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

fn sample(plant: &Plant, time: f64) -> Sample {
    let axis = plant.axis(0);
    Sample {
        time,
        stroke: axis.stroke,
        speed: axis.stroke_rate,
        pressure_a: axis.pressure_a,
        pressure_b: axis.pressure_b,
        spool: axis.spool,
        spool_rate: axis.spool_rate,
    }
}
