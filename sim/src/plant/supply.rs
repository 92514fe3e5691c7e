//! Where the pressure line's oil comes from: one pump for all axes, or an ideal pressure for a test bench.
//!
//! The pump's control asks for `flow clamp((pressure - p) / control_band, 0, 1)` and the pump follows it with a
//! first-order lag; a dead engine asks for nothing. Main relief: linear above cracking, the whole pump flow at
//! `relief_band` above it. Dump valve: an orifice to tank whose opening moves linearly over `dump_time`, open without
//! current. Manifold: `dp/dt = E/V (pump - axes - relief - dump)`. Tank pressure is constant.

use bellcrank_machine::description::{Oil, Supply};

use super::hydraulics::{root, root_slope};

/// The dump valve's flow starts laminar below this drop, Pa.
const DUMP_BLEND: f64 = 1e5;

/// What feeds the pressure line.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// Constant pressures, whatever is drawn.
    Ideal {
        /// Pressure line, Pa.
        pressure: f64,
        /// Tank line, Pa.
        tank: f64,
    },
    /// A pump on a manifold.
    Pump(Pump),
}

/// A pump with its control, main relief, dump valve and manifold.
#[derive(Debug, Clone, PartialEq)]
pub struct Pump {
    supply: Supply,
    /// Pressure rise of the manifold per net flow, Pa/m³.
    stiffness: f64,
    bulk_modulus: f64,
    /// Dump valve, flow per root of pressure when open.
    dump: f64,
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
    /// Tank pressure, Pa.
    pub fn tank(&self) -> f64 {
        match self {
            Source::Ideal { tank, .. } => *tank,
            Source::Pump(pump) => pump.supply.tank,
        }
    }

    /// The greatest pressure that it is set to, Pa.
    pub fn setting(&self) -> f64 {
        match self {
            Source::Ideal { pressure, .. } => *pressure,
            Source::Pump(pump) => pump.supply.pressure.max(pump.supply.relief),
        }
    }
}

impl Pump {
    /// A supply as the machine file describes it.
    pub fn new(supply: &Supply, oil: &Oil) -> Pump {
        Pump {
            stiffness: oil.bulk_modulus / supply.volume,
            bulk_modulus: oil.bulk_modulus,
            dump: supply.dump_flow / supply.dump_drop.sqrt(),
            supply: supply.clone(),
        }
    }

    /// Greatest flow, m³/s.
    pub fn flow(&self) -> f64 {
        self.supply.flow
    }

    /// Pressure rise per net flow, Pa/m³.
    pub fn stiffness(&self) -> f64 {
        self.stiffness
    }

    /// Energy of the compressed oil in the manifold, J.
    pub fn stored(&self, pressure: f64) -> f64 {
        0.5 * self.supply.volume * pressure * pressure / self.bulk_modulus
    }

    /// Rate of the pump's flow. `share` is 0 with a dead engine, 1 with a sound pump.
    pub fn flow_rate(&self, pressure: f64, flow: f64, share: f64) -> f64 {
        let wanted = ((self.supply.pressure - pressure) / self.supply.control_band).clamp(0.0, 1.0);
        (self.supply.flow * share * wanted - flow) / self.supply.response
    }

    /// Slopes of [`Pump::flow_rate`] over the pressure and over the flow itself.
    pub fn flow_rate_slopes(&self, pressure: f64, share: f64) -> (f64, f64) {
        let below = self.supply.pressure - pressure;
        let controlling = below > 0.0 && below < self.supply.control_band;
        let over_pressure = if controlling {
            -self.supply.flow * share / (self.supply.control_band * self.supply.response)
        } else {
            0.0
        };
        (over_pressure, -1.0 / self.supply.response)
    }

    /// Flows to tank.
    pub fn flows(&self, pressure: f64, dump_opening: f64) -> ManifoldFlows {
        ManifoldFlows {
            relief: self.supply.flow * ((pressure - self.supply.relief) / self.supply.relief_band).max(0.0),
            dump: dump_opening * self.dump * root(pressure - self.supply.tank, DUMP_BLEND),
        }
    }

    /// Slope of the sum of [`Pump::flows`] over the pressure.
    pub fn flows_slope(&self, pressure: f64, dump_opening: f64) -> f64 {
        let relief = if pressure > self.supply.relief {
            self.supply.flow / self.supply.relief_band
        } else {
            0.0
        };
        relief + dump_opening * self.dump * root_slope(pressure - self.supply.tank, DUMP_BLEND)
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
        let pump = Pump::new(
            &supply,
            &Oil {
                density: 870.0,
                bulk_modulus: 1.2e9,
            },
        );
        for p in [0.9e5, 2.5e5, 150e5, 190e5, 210e5, 225e5] {
            let flows = |p: f64| pump.flows(p, 0.3).relief + pump.flows(p, 0.3).dump;
            let slope = (flows(p + 10.0) - flows(p - 10.0)) / 20.0;
            assert!((pump.flows_slope(p, 0.3) / slope - 1.0).abs() < 1e-5, "flows at {p}");
            let rate = |p: f64| pump.flow_rate(p, 4e-4, 0.5);
            let slope = (rate(p + 10.0) - rate(p - 10.0)) / 20.0;
            assert!((pump.flow_rate_slopes(p, 0.5).0 - slope).abs() < 1e-9, "control at {p}");
        }
        assert_eq!(pump.dump_opening(1.0, true, 0.025), 0.75);
        assert_eq!(pump.dump_opening(0.9, false, 0.025), 1.0);
    }
}
