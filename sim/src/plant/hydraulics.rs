//! One valve section and the two chambers behind it: flows, pressure rates, and their slopes for the integrator.
//!
//! Four metering lands open in pairs past the overlap: P to A with B to T, or P to B with A to T. Each passes
//! `rated_flow sqrt(drop / rated_drop) opening`, with a laminar start below `blend` ([`root`]). Beside them work the
//! anti-cavitation checks (tank to port), the port reliefs (port to tank), the feed's load check (no flow back into P)
//! and the leakage across the piston. Chambers: `dp/dt = E/V (Q - dV/dt)`. Orifice law and continuity: Merritt,
//! *Hydraulic Control Systems* (1967), chapter 3 (from memory). The cubic start is the one of the single-cylinder
//! benchmark.
//!
//! Flows count positive into the actuator. Lengths are of stroke (m, or rad for a motor).

use bellcrank_machine::description::{Actuator, ActuatorKind, Oil, Valve};

/// A port relief passes the section's rated flow at this share over its cracking pressure (a direct-acting valve's
/// override).
const PORT_RELIEF_BAND: f64 = 0.05;

/// Signed square root with a smooth start: `sign(d) sqrt(|d|)`, and below `blend` a cubic that meets it in value and
/// slope.
pub fn root(d: f64, blend: f64) -> f64 {
    if d.abs() >= blend {
        d.abs().sqrt().copysign(d)
    } else {
        let s = d / blend;
        0.25 * blend.sqrt() * s * (5.0 - s * s)
    }
}

/// Slope of [`root`].
pub fn root_slope(d: f64, blend: f64) -> f64 {
    if d.abs() >= blend {
        0.5 / d.abs().sqrt()
    } else {
        let s = d / blend;
        0.25 / blend.sqrt() * (5.0 - 3.0 * s * s)
    }
}

/// A valve section with its actuator's chambers.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    valve: Valve,
    /// Flow of a fully open land per root of pressure, m³/(s √Pa).
    land: f64,
    /// The same of an anti-cavitation check.
    check: f64,
    /// Port relief, flow per pressure above cracking, m³/(s Pa).
    relief: f64,
    /// Spool, natural angular frequency, rad/s.
    spool: f64,
    area: [f64; 2],
    dead: [f64; 2],
    /// Area that sweeps the chamber's volume. Zero for a motor: what it takes in one turn, it gives back in the same
    /// turn.
    swept: [f64; 2],
    travel: f64,
    leak: f64,
    bulk_modulus: f64,
}

/// Pressures on a section, and where its spool and piston are.
#[derive(Debug, Clone, Copy)]
pub struct Ports {
    /// Pressure line, Pa.
    pub supply: f64,
    /// Tank line, Pa.
    pub tank: f64,
    /// Extending chamber, Pa.
    pub a: f64,
    /// Retracting chamber, Pa.
    pub b: f64,
    /// Spool, share of full travel.
    pub spool: f64,
    /// Stroke.
    pub stroke: f64,
    /// Leakage added by a fault, m³/(s Pa).
    pub extra_leak: f64,
}

/// Every flow of a section apart, m³/s, all positive in the direction of their name.
#[derive(Debug, Clone, Copy, Default)]
pub struct Flows {
    /// P to A.
    pub supply_to_a: f64,
    /// P to B.
    pub supply_to_b: f64,
    /// A to T.
    pub a_to_tank: f64,
    /// B to T.
    pub b_to_tank: f64,
    /// Tank to A through the anti-cavitation check.
    pub check_a: f64,
    /// Tank to B through the anti-cavitation check.
    pub check_b: f64,
    /// A to tank through the port relief.
    pub relief_a: f64,
    /// B to tank through the port relief.
    pub relief_b: f64,
    /// A to B past the piston.
    pub leak: f64,
}

impl Flows {
    /// Net flow into the extending chamber.
    pub fn into_a(&self) -> f64 {
        self.supply_to_a - self.a_to_tank + self.check_a - self.relief_a - self.leak
    }

    /// Net flow into the retracting chamber.
    pub fn into_b(&self) -> f64 {
        self.supply_to_b - self.b_to_tank + self.check_b - self.relief_b + self.leak
    }

    /// Flow taken from the pressure line.
    pub fn from_supply(&self) -> f64 {
        self.supply_to_a + self.supply_to_b
    }
}

/// What a chamber's net flow, and the flow out of the pressure line into that chamber, change by.
#[derive(Debug, Clone, Copy, Default)]
pub struct ChamberSlopes {
    /// Net flow, per pressure in the chamber.
    pub own: f64,
    /// Net flow, per pressure in the pressure line.
    pub supply: f64,
    /// Net flow, per spool position.
    pub spool: f64,
    /// Flow from the pressure line, per pressure in the chamber. Its slope over the line's own pressure is the
    /// negative.
    pub drawn_own: f64,
    /// Flow from the pressure line, per spool position.
    pub drawn_spool: f64,
}

impl Section {
    /// A section as the machine file describes it.
    pub fn new(valve: &Valve, actuator: &Actuator, oil: &Oil) -> Section {
        let area = [actuator.area_a, actuator.area_b];
        Section {
            land: valve.rated_flow / valve.rated_drop.sqrt(),
            check: valve.check_flow / valve.check_drop.sqrt(),
            relief: valve
                .port_relief
                .map_or(0.0, |set| valve.rated_flow / (PORT_RELIEF_BAND * set)),
            spool: std::f64::consts::TAU * valve.spool_hz,
            area,
            dead: [actuator.dead_a, actuator.dead_b],
            swept: if matches!(actuator.kind, ActuatorKind::Cylinder { .. }) {
                area
            } else {
                [0.0; 2]
            },
            travel: actuator.travel,
            leak: actuator.leak,
            bulk_modulus: oil.bulk_modulus,
            valve: valve.clone(),
        }
    }

    /// Areas of the extending and the retracting chamber.
    pub fn areas(&self) -> [f64; 2] {
        self.area
    }

    /// Force on the rod from the two pressures.
    pub fn force(&self, a: f64, b: f64) -> f64 {
        a * self.area[0] - b * self.area[1]
    }

    /// Oil volumes of the two chambers, m³.
    pub fn volumes(&self, stroke: f64) -> [f64; 2] {
        [
            self.dead[0] + self.swept[0] * stroke,
            self.dead[1] + self.swept[1] * (self.travel - stroke),
        ]
    }

    /// Pressure rise per net flow in each chamber, Pa/m³.
    pub fn stiffness(&self, stroke: f64) -> [f64; 2] {
        self.volumes(stroke).map(|volume| self.bulk_modulus / volume)
    }

    /// Acceleration of the spool.
    pub fn spool_acceleration(&self, demand: f64, spool: f64, rate: f64) -> f64 {
        self.spool * (self.spool * (demand - spool) - 2.0 * self.valve.spool_zeta * rate)
    }

    /// Square of the spool's natural frequency, and twice its decay rate.
    pub fn spool_terms(&self) -> (f64, f64) {
        (self.spool * self.spool, 2.0 * self.valve.spool_zeta * self.spool)
    }

    /// Opening of the extending and of the retracting pair of lands, 0 to 1.
    pub fn openings(&self, spool: f64) -> (f64, f64) {
        (
            opening(spool, self.valve.overlap_out),
            opening(-spool, self.valve.overlap_in),
        )
    }

    /// All flows.
    pub fn flows(&self, at: &Ports) -> Flows {
        let (out, back) = self.openings(at.spool);
        let land = |drop: f64| self.land * root(drop, self.valve.blend);
        let mut flows = Flows {
            leak: (self.leak + at.extra_leak) * (at.a - at.b),
            ..Flows::default()
        };
        if out > 0.0 {
            flows.supply_to_a = out * land(self.feed(at.supply - at.a));
            flows.b_to_tank = out * land(at.b - at.tank);
        }
        if back > 0.0 {
            flows.supply_to_b = back * land(self.feed(at.supply - at.b));
            flows.a_to_tank = back * land(at.a - at.tank);
        }
        let check = |p: f64| {
            if p < at.tank {
                self.check * root(at.tank - p, self.valve.blend)
            } else {
                0.0
            }
        };
        (flows.check_a, flows.check_b) = (check(at.a), check(at.b));
        if let Some(set) = self.valve.port_relief {
            let relief = |p: f64| self.relief * (p - set).max(0.0);
            (flows.relief_a, flows.relief_b) = (relief(at.a), relief(at.b));
        }
        flows
    }

    /// Slopes of the net flows, leakage left out (it is the same constant everywhere: [`Section::leakage`]).
    pub fn slopes(&self, at: &Ports) -> [ChamberSlopes; 2] {
        let (out, back) = self.openings(at.spool);
        let out_slope = opening_slope(at.spool, self.valve.overlap_out);
        let back_slope = -opening_slope(-at.spool, self.valve.overlap_in);
        let chamber = |p: f64, fill: f64, fill_slope: f64, drain: f64, drain_slope: f64| {
            let (feed, drop) = (self.feed(at.supply - p), p - at.tank);
            let feeding = if self.valve.load_check && feed <= 0.0 {
                0.0
            } else {
                fill * self.land * root_slope(feed, self.valve.blend)
            };
            let mut own = -drain * self.land * root_slope(drop, self.valve.blend) - feeding;
            if drop < 0.0 {
                own -= self.check * root_slope(drop, self.valve.blend);
            }
            if self.valve.port_relief.is_some_and(|set| p > set) {
                own -= self.relief;
            }
            let drawn_spool = fill_slope * self.land * root(feed, self.valve.blend);
            let spool = drawn_spool - drain_slope * self.land * root(drop, self.valve.blend);
            ChamberSlopes {
                own,
                supply: feeding,
                spool,
                drawn_own: -feeding,
                drawn_spool,
            }
        };
        [
            chamber(at.a, out, out_slope, back, back_slope),
            chamber(at.b, back, back_slope, out, out_slope),
        ]
    }

    /// Flow from A to B per pressure difference.
    pub fn leakage(&self, extra: f64) -> f64 {
        self.leak + extra
    }

    fn feed(&self, drop: f64) -> f64 {
        if self.valve.load_check { drop.max(0.0) } else { drop }
    }
}

/// Opening of a pair of lands, with the spool past its overlap. The lands are fully open at full travel, and no
/// further.
fn opening(spool: f64, overlap: f64) -> f64 {
    ((spool - overlap) / (1.0 - overlap)).clamp(0.0, 1.0)
}

fn opening_slope(spool: f64, overlap: f64) -> f64 {
    if spool > overlap && spool < 1.0 {
        1.0 / (1.0 - overlap)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_root_and_its_slope_meet_at_the_blend() {
        let blend = 2e5;
        assert!((root(blend * 0.999_999, blend) / root(blend, blend) - 1.0).abs() < 1e-6);
        assert!((root_slope(blend * 0.999_999, blend) / root_slope(blend, blend) - 1.0).abs() < 1e-5);
        for d in [-9e5, -1.3e5, 0.0, 4e4, 1.9e5, 7e6] {
            assert_eq!(root(-d, blend), -root(d, blend), "odd at {d}");
            let slope = (root(d + 10.0, blend) - root(d - 10.0, blend)) / 20.0;
            assert!((root_slope(d, blend) / slope - 1.0).abs() < 1e-6, "slope at {d}");
        }
    }
}
