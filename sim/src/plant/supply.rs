//! Where the pressure lines' oil comes from: one or two pumps on an engine, or an ideal pressure for a test bench.
//!
//! A pump gives `flow · swash · engine speed - leak · p`, flow at the rated speed. Its control asks for a swash of
//! `clamp((wanted pressure - p) / control_band, 0, 1)`, wanted being its setting, or the greatest load pressure and a
//! margin; the swash follows with a first-order lag. Main relief: linear above cracking, the whole pump flow at
//! `relief_band` above it; held off its seat it is an orifice beside that. Dump valve: an orifice to tank whose opening
//! moves linearly over `dump_time`, open without current. Manifold: `dp/dt = E/V v (pump - axes - relief - dump)`. Tank pressure is constant.

use bellcrank_machine::description::{Engine, PumpControl, Supply};

use super::engine::Governed;
use super::hydraulics::Root;

/// The dump valve's flow starts laminar below this drop, Pa.
const DUMP_BLEND: f64 = 1e5;
/// Most pumps.
pub const PUMPS_MAX: usize = 2;

/// What feeds the pressure lines.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// Constant pressures, whatever is drawn.
    Ideal {
        /// Pressure line, Pa.
        pressure: f64,
        /// Tank line, Pa.
        tank: f64,
    },
    /// One or two pumps, each on a manifold of its own.
    Pumps {
        /// The pumps.
        pumps: Vec<Pump>,
        /// What turns them. None: something that never slows down.
        engine: Option<Governed>,
    },
}

/// A pump with its control, main relief, dump valve and manifold.
#[derive(Debug, Clone, PartialEq)]
pub struct Pump {
    supply: Supply,
    /// Dump valve, flow per root of pressure when open.
    dump: f64,
    root: Root,
    /// Main relief held off its seat, flow per root of pressure.
    relief: f64,
    /// m³/(s Pa)
    leak: f64,
}

/// What a pump goes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Running {
    /// Pressure in its line, Pa.
    pub pressure: f64,
    /// Greatest load pressure, Pa.
    pub load: f64,
    /// Swash, 0 to 1.
    pub swash: f64,
    /// Speed of the engine, relative to its rated one.
    pub speed: f64,
    /// Share of its flow that a sound pump gives: 1.
    pub share: f64,
}

/// Flows around the manifold, m³/s.
#[derive(Debug, Clone, Copy, Default)]
pub struct ManifoldFlows {
    /// Over the main relief.
    pub relief: f64,
    /// Through the dump valve.
    pub dump: f64,
}

impl Source {
    /// Pumps without an engine that could slow down.
    pub fn pumps(supplies: &[&Supply]) -> Source {
        Source::Pumps {
            pumps: supplies.iter().map(|supply| Pump::new(supply)).collect(),
            engine: None,
        }
    }

    /// Pumps on an engine.
    pub fn driven(supplies: &[&Supply], engine: &Engine) -> Source {
        Source::Pumps {
            pumps: supplies.iter().map(|supply| Pump::new(supply)).collect(),
            engine: Some(Governed::new(engine)),
        }
    }

    /// The pumps; none on an ideal supply.
    pub fn all(&self) -> &[Pump] {
        match self {
            Source::Ideal { .. } => &[],
            Source::Pumps { pumps, .. } => pumps,
        }
    }

    /// Whether the engine's speed is a state.
    pub fn engine(&self) -> Option<&Governed> {
        match self {
            Source::Ideal { .. } => None,
            Source::Pumps { engine, .. } => engine.as_ref(),
        }
    }

    /// Tank pressure of a circuit, Pa.
    pub fn tank(&self, circuit: usize) -> f64 {
        match self {
            Source::Ideal { tank, .. } => *tank,
            Source::Pumps { pumps, .. } => pumps[circuit].supply.tank,
        }
    }

    /// The greatest pressure that a circuit is set to, Pa.
    pub fn setting(&self, circuit: usize) -> f64 {
        match self {
            Source::Ideal { pressure, .. } => *pressure,
            Source::Pumps { pumps, .. } => {
                let supply = &pumps[circuit].supply;
                supply.pressure.max(supply.relief)
            }
        }
    }
}

impl Pump {
    /// A supply as the machine file describes it, at the oil's working temperature.
    pub fn new(supply: &Supply) -> Pump {
        Pump {
            dump: supply.dump_flow / supply.dump_drop.sqrt(),
            root: Root::new(DUMP_BLEND),
            relief: 0.0,
            leak: supply.leak,
            supply: supply.clone(),
        }
    }

    /// Makes the oil so many times as viscous as at its working temperature.
    pub fn thicken(&mut self, ratio: f64) {
        self.leak = self.supply.leak / ratio;
    }

    /// Holds the main relief so far off its seat that at its setting it lets this share of the pump's flow through.
    pub fn hold_relief_open(&mut self, share: f64) {
        self.relief = share * self.supply.flow / (self.supply.relief - self.supply.tank).max(DUMP_BLEND).sqrt();
    }

    /// The supply that it was made from.
    pub fn supply(&self) -> &Supply {
        &self.supply
    }

    /// Whether it goes by the load pressures.
    pub fn senses_load(&self) -> bool {
        matches!(self.supply.control, PumpControl::LoadSensing { .. })
    }

    /// Flow into the line.
    pub fn delivered(&self, at: &Running) -> f64 {
        self.supply.flow * at.share * at.swash * at.speed - self.leak * at.pressure
    }

    /// Slopes of [`Pump::delivered`] over the pressure and over the swash.
    pub fn delivered_slopes(&self, at: &Running) -> (f64, f64) {
        (-self.leak, self.supply.flow * at.share * at.speed)
    }

    /// Power that it takes at the engine's rated speed, W: what its displacement moves, against its pressure.
    pub fn torque_power(&self, at: &Running) -> f64 {
        self.supply.flow * at.swash * at.pressure
    }

    /// Rate of the swash. A pump that is not driven swings in.
    pub fn swash_rate(&self, at: &Running, driven: bool) -> f64 {
        let wanted = if driven { self.wanted(at) } else { 0.0 };
        (wanted - at.swash) / self.supply.response
    }

    fn wanted(&self, at: &Running) -> f64 {
        match self.aim(at) {
            Some(aim) => ((aim - at.pressure) / self.supply.control_band).clamp(0.0, 1.0),
            None => 1.0,
        }
    }

    /// Slopes of [`Pump::swash_rate`] over the pressure and over the swash itself.
    pub fn swash_slopes(&self, at: &Running, driven: bool) -> (f64, f64) {
        let below = self.aim(at).map_or(0.0, |aim| aim - at.pressure);
        let over_pressure = if driven && below > 0.0 && below < self.supply.control_band {
            -1.0 / (self.supply.control_band * self.supply.response)
        } else {
            0.0
        };
        (over_pressure, -1.0 / self.supply.response)
    }

    /// The pressure at which the control brings the flow to zero.
    fn aim(&self, at: &Running) -> Option<f64> {
        match self.supply.control {
            PumpControl::Fixed => None,
            PumpControl::Pressure => Some(self.supply.pressure),
            // The band lies around what is wanted: half the flow at the load's pressure and the margin.
            PumpControl::LoadSensing { margin } => {
                Some((at.load + margin + 0.5 * self.supply.control_band).min(self.supply.pressure))
            }
        }
    }

    /// Flows to tank.
    pub fn flows(&self, pressure: f64, dump_opening: f64) -> ManifoldFlows {
        let dump = if dump_opening > 0.0 {
            dump_opening * self.dump * self.root.of(pressure - self.supply.tank)
        } else {
            0.0
        };
        let held = if self.relief > 0.0 {
            self.relief * self.root.of(pressure - self.supply.tank)
        } else {
            0.0
        };
        ManifoldFlows {
            relief: held + self.supply.flow * ((pressure - self.supply.relief) / self.supply.relief_band).max(0.0),
            dump,
        }
    }

    /// Slope of the sum of [`Pump::flows`] over the pressure.
    pub fn flows_slope(&self, pressure: f64, dump_opening: f64) -> f64 {
        let relief = if pressure > self.supply.relief {
            self.supply.flow / self.supply.relief_band
        } else {
            0.0
        };
        relief + (self.relief + dump_opening * self.dump) * self.root.slope(pressure - self.supply.tank)
    }

    /// Opening of the dump valve `after` seconds, from `start`, with current (closing) or without (opening).
    pub fn dump_opening(&self, start: f64, current: bool, after: f64) -> f64 {
        let moved = if self.supply.dump_time > 0.0 {
            after / self.supply.dump_time
        } else {
            f64::INFINITY
        };
        if current {
            (start - moved).max(0.0)
        } else {
            (start + moved).min(1.0)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slopes_are_those_of_the_flows() {
        let supply = Supply {
            control: PumpControl::Pressure,
            leak: 1e-12,
            flow: 1e-3,
            pressure: 200e5,
            control_band: 20e5,
            response: 0.05,
            relief: 220e5,
            relief_band: 10e5,
            dump_flow: 1e-3,
            dump_drop: 10e5,
            dump_time: 0.1,
            tank: 2e5,
            volume: 2e-3,
        };
        let mut pump = Pump::new(&supply);
        pump.hold_relief_open(0.4);
        for p in [0.9e5, 2.5e5, 150e5, 190e5, 210e5, 225e5] {
            let flows = |p: f64| pump.flows(p, 0.3).relief + pump.flows(p, 0.3).dump;
            let slope = (flows(p + 10.0) - flows(p - 10.0)) / 20.0;
            assert!((pump.flows_slope(p, 0.3) / slope - 1.0).abs() < 1e-5, "flows at {p}");
            let at = |pressure: f64| Running {
                pressure,
                load: 50e5,
                swash: 0.4,
                speed: 0.9,
                share: 0.5,
            };
            for (rate, slope) in [
                (
                    pump.swash_rate(&at(p + 10.0), true) - pump.swash_rate(&at(p - 10.0), true),
                    pump.swash_slopes(&at(p), true).0,
                ),
                (
                    pump.delivered(&at(p + 10.0)) - pump.delivered(&at(p - 10.0)),
                    pump.delivered_slopes(&at(p)).0,
                ),
            ] {
                assert!((slope - rate / 20.0).abs() <= 1e-5 * slope.abs(), "control at {p}");
            }
        }
        assert_eq!(pump.dump_opening(1.0, true, 0.025), 0.75);
        assert_eq!(pump.dump_opening(0.9, false, 0.025), 1.0);
    }
}
