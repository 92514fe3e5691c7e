//! One valve section: its flows, and their slopes for the integrator.
//!
//! Four metering lands open in pairs past the overlap: P to A with B to T, or P to B with A to T. Each passes
//! `share rated_flow sqrt(drop / rated_drop) opening`, with a laminar start below `blend` ([`Root`]), and a little
//! leakage when closed; a vented spool joins both ports to tank while it is in its overlap. Beside them work the anti-cavitation checks (tank to port), the port reliefs (port to tank) and
//! the feed's load check (no flow back into P). Orifice law: Merritt, *Hydraulic Control Systems* (1967), chapter 3
//! (from memory). The cubic start is the one of the single-cylinder benchmark.
//!
//! Colder, thicker oil starts laminar over a wider drop (with the square of its viscosity, PV-27) and leaks less.

use bellcrank_machine::description::Valve;

/// A port relief passes the section's rated flow at this share over its cracking pressure (a direct-acting valve's
/// override; common practice, no source).
const PORT_RELIEF_BAND: f64 = 0.05;

/// Signed square root with a smooth start: `sign(d) sqrt(|d|)`, and below `blend` a cubic that meets it in value and
/// slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Root {
    blend: f64,
    /// `0.25 sqrt(blend)` and one over the blend.
    start: f64,
    per_blend: f64,
}

impl Root {
    /// With the cubic below a drop `blend`, Pa.
    pub fn new(blend: f64) -> Root {
        Root {
            blend,
            start: 0.25 * blend.sqrt(),
            per_blend: 1.0 / blend,
        }
    }

    /// Its value.
    #[inline]
    pub fn of(&self, d: f64) -> f64 {
        if d.abs() >= self.blend {
            d.abs().sqrt().copysign(d)
        } else {
            let s = d * self.per_blend;
            self.start * s * (5.0 - s * s)
        }
    }

    /// Its slope.
    #[inline]
    pub fn slope(&self, d: f64) -> f64 {
        if d.abs() >= self.blend {
            0.5 / d.abs().sqrt()
        } else {
            let s = d * self.per_blend;
            self.start * self.per_blend * (5.0 - 3.0 * s * s)
        }
    }

    /// Both.
    #[inline]
    pub fn both(&self, d: f64) -> (f64, f64) {
        if d.abs() >= self.blend {
            let root = d.abs().sqrt();
            (root.copysign(d), 0.5 / root)
        } else {
            (self.of(d), self.slope(d))
        }
    }
}

/// A valve section.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    valve: Valve,
    root: Root,
    /// Flow of each fully open land per root of pressure, m³/(s √Pa): P to A, P to B, A to T, B to T.
    lands: [f64; 4],
    /// The same of an anti-cavitation check.
    check: f64,
    /// Port relief, flow per pressure above cracking, m³/(s Pa).
    relief: f64,
    /// Overlaps as they are, extending and retracting, share of full travel.
    overlap: [f64; 2],
    /// Leakage over each land, m³/(s Pa): that of a sound one, and what wear adds.
    leak: f64,
    worn: f64,
    /// From each port to tank in the middle, m³/(s Pa).
    vent: f64,
}

/// Pressures on a section, and where its spool is.
#[derive(Debug, Clone, Copy)]
pub struct Ports {
    /// Pressure line, Pa.
    pub supply: f64,
    /// Tank line, Pa.
    pub tank: f64,
    /// Port of the extending chamber, Pa.
    pub a: f64,
    /// Port of the retracting chamber, Pa.
    pub b: f64,
    /// Spool, share of full travel.
    pub spool: f64,
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
}

impl Flows {
    /// Net flow out of port A.
    pub fn into_a(&self) -> f64 {
        self.supply_to_a - self.a_to_tank + self.check_a - self.relief_a
    }

    /// Net flow out of port B.
    pub fn into_b(&self) -> f64 {
        self.supply_to_b - self.b_to_tank + self.check_b - self.relief_b
    }

    /// Flow taken from the pressure line.
    pub fn from_supply(&self) -> f64 {
        self.supply_to_a + self.supply_to_b
    }
}

/// What a port's net flow, and the flow out of the pressure line into that port, change by.
#[derive(Debug, Clone, Copy, Default)]
pub struct PortSlopes {
    /// Net flow, per pressure in the port.
    pub own: f64,
    /// Net flow, per pressure in the pressure line.
    pub supply: f64,
    /// Net flow, per spool position.
    pub spool: f64,
    /// Flow from the pressure line, per pressure in the port. Its slope over the line's own pressure is the negative.
    pub drawn_own: f64,
    /// Flow from the pressure line, per spool position.
    pub drawn_spool: f64,
}

impl Section {
    /// A section as the machine file describes it, at the oil's working temperature.
    pub fn new(valve: &Valve) -> Section {
        let land = valve.rated_flow / valve.rated_drop.sqrt();
        Section {
            root: Root::new(valve.blend),
            lands: valve.notches.share.map(|share| share * land),
            check: valve.check_flow / valve.check_drop.sqrt(),
            relief: valve
                .port_relief
                .map_or(0.0, |set| valve.rated_flow / (PORT_RELIEF_BAND * set)),
            overlap: [valve.overlap_out, valve.overlap_in],
            leak: valve.notches.leak,
            worn: 0.0,
            vent: valve.notches.vent,
            valve: valve.clone(),
        }
    }

    /// Makes the oil so many times as viscous as at its working temperature.
    pub fn thicken(&mut self, ratio: f64) {
        // The cubic must not reach the rated drop, or the valve would no longer pass its rated flow.
        let widest = 0.5 * self.valve.rated_drop;
        self.root = Root::new((self.valve.blend * ratio * ratio).clamp(1e-3, widest));
        self.leak = self.valve.notches.leak / ratio;
        self.vent = self.valve.notches.vent / ratio;
    }

    /// Makes the overlaps so much wider than they should be, share of full travel, and the closed lands leak so much more,
    /// m³/(s Pa).
    pub fn wear(&mut self, wider: f64, leak: f64) {
        self.overlap = [self.valve.overlap_out + wider, self.valve.overlap_in + wider];
        self.worn = leak;
    }

    /// The load pressure that a load-sensing pump hears of: that of the port being fed; the tank's when none is.
    pub fn sensed(&self, at: &Ports) -> f64 {
        if at.spool > self.overlap[0] {
            at.a
        } else if -at.spool > self.overlap[1] {
            at.b
        } else {
            at.tank
        }
    }

    /// Opening of the extending and of the retracting pair of lands, 0 to 1 within full travel.
    pub fn openings(&self, spool: f64) -> (f64, f64) {
        (self.opening(spool, 0), self.opening(-spool, 1))
    }

    /// All flows.
    pub fn flows(&self, at: &Ports) -> Flows {
        let (out, back) = self.openings(at.spool);
        let mut flows = Flows::default();
        if out > 0.0 {
            flows.supply_to_a = out * self.lands[0] * self.root.of(self.feed(at.supply - at.a));
            flows.b_to_tank = out * self.lands[3] * self.root.of(at.b - at.tank);
        }
        if back > 0.0 {
            flows.supply_to_b = back * self.lands[1] * self.root.of(self.feed(at.supply - at.b));
            flows.a_to_tank = back * self.lands[2] * self.root.of(at.a - at.tank);
        }
        let leak = self.leak + self.worn;
        if leak > 0.0 {
            flows.supply_to_a += leak * self.feed(at.supply - at.a);
            flows.supply_to_b += leak * self.feed(at.supply - at.b);
            flows.a_to_tank += leak * (at.a - at.tank);
            flows.b_to_tank += leak * (at.b - at.tank);
        }
        let (vent, _) = self.vent(at.spool);
        if vent > 0.0 {
            flows.a_to_tank += vent * (at.a - at.tank);
            flows.b_to_tank += vent * (at.b - at.tank);
        }
        if at.a < at.tank {
            flows.check_a = self.check * self.root.of(at.tank - at.a);
        }
        if at.b < at.tank {
            flows.check_b = self.check * self.root.of(at.tank - at.b);
        }
        if let Some(set) = self.valve.port_relief {
            flows.relief_a = self.relief * (at.a - set).max(0.0);
            flows.relief_b = self.relief * (at.b - set).max(0.0);
        }
        flows
    }

    /// Slopes of the net flows of port A and port B.
    pub fn slopes(&self, at: &Ports) -> [PortSlopes; 2] {
        let (out, back) = self.openings(at.spool);
        let out_slope = self.opening_slope(at.spool, 0);
        let back_slope = -self.opening_slope(-at.spool, 1);
        let (vent, vent_slope) = self.vent(at.spool);
        let leak = self.leak + self.worn;
        // One port, with the land that fills it and the land that drains it, each with its opening and the slope of that.
        let port = |p: f64, fill: (f64, f64), drain: (f64, f64)| {
            let (feed, drop) = (self.feed(at.supply - p), p - at.tank);
            let mut slopes = PortSlopes::default();
            let feeds = !(self.valve.load_check && feed <= 0.0);
            if feeds {
                slopes.supply = leak;
            }
            if fill.0 > 0.0 {
                let (root, slope) = self.root.both(feed);
                slopes.drawn_spool = fill.1 * root;
                if feeds {
                    slopes.supply += fill.0 * slope;
                }
            }
            slopes.own = -leak - vent - slopes.supply;
            slopes.spool = slopes.drawn_spool - vent_slope * drop;
            if drain.0 > 0.0 {
                let (root, slope) = self.root.both(drop);
                slopes.own -= drain.0 * slope;
                slopes.spool -= drain.1 * root;
            }
            if drop < 0.0 {
                slopes.own -= self.check * self.root.slope(drop);
            }
            if self.valve.port_relief.is_some_and(|set| p > set) {
                slopes.own -= self.relief;
            }
            slopes.drawn_own = -slopes.supply;
            slopes
        };
        let land = |land: usize, opening: f64, slope: f64| (self.lands[land] * opening, self.lands[land] * slope);
        [
            port(at.a, land(0, out, out_slope), land(2, back, back_slope)),
            port(at.b, land(1, back, back_slope), land(3, out, out_slope)),
        ]
    }

    /// Conductance from each port to tank of a vented spool, and its slope over the spool.
    fn vent(&self, spool: f64) -> (f64, f64) {
        let overlap = self.overlap[usize::from(spool <= 0.0)];
        if self.vent == 0.0 || spool.abs() >= overlap {
            return (0.0, 0.0);
        }
        let slope = -self.vent / overlap;
        (self.vent + slope * spool.abs(), slope.copysign(-spool))
    }

    fn feed(&self, drop: f64) -> f64 {
        if self.valve.load_check { drop.max(0.0) } else { drop }
    }

    /// Opening of the extending pair of lands, 0, or of the retracting one, 1, with the spool past its overlap: 1 at full travel, and a
    /// little more where the spool overshoots that. A wider overlap takes its width from the opening.
    fn opening(&self, spool: f64, pair: usize) -> f64 {
        let overlap = self.overlap[pair];
        if spool <= overlap {
            return 0.0;
        }
        let x = (spool - overlap) / self.travel(pair);
        let bend = self.valve.notches.progression;
        x * (1.0 - bend + bend * x)
    }

    fn opening_slope(&self, spool: f64, pair: usize) -> f64 {
        let overlap = self.overlap[pair];
        if spool > overlap {
            let bend = self.valve.notches.progression;
            let x = (spool - overlap) / self.travel(pair);
            (1.0 - bend + 2.0 * bend * x) / self.travel(pair)
        } else {
            0.0
        }
    }

    /// From where a sound pair of lands opens to full travel.
    fn travel(&self, pair: usize) -> f64 {
        1.0 - [self.valve.overlap_out, self.valve.overlap_in][pair]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_root_and_its_slope_meet_at_the_blend() {
        let blend = 2e5;
        let root = Root::new(blend);
        assert!((root.of(blend * 0.999_999) / root.of(blend) - 1.0).abs() < 1e-6);
        assert!((root.slope(blend * 0.999_999) / root.slope(blend) - 1.0).abs() < 1e-5);
        for d in [-9e5, -1.3e5, 0.0, 4e4, 1.9e5, 7e6] {
            assert_eq!(root.of(-d), -root.of(d), "odd at {d}");
            let slope = (root.of(d + 10.0) - root.of(d - 10.0)) / 20.0;
            assert!((root.slope(d) / slope - 1.0).abs() < 1e-6, "slope at {d}");
        }
    }
}
