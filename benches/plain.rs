//! The single-cylinder benchmark's equations written plainly, for solvers out of a library.
//!
//! Nothing here is the plant's: the two meet only in the solution. States: position, speed, pressure of bore and rod
//! chamber, spool, spool rate; SI.

use std::f64::consts::TAU;

use bellcrank_sim::plant::rig::{Feed, Rig, Sample};

/// Number of states.
pub const STATES: usize = 6;

/// One number for each state.
pub type States = [f64; STATES];

/// A middling value of each state, against which errors are weighed where the state is near zero.
pub const SIZE: States = [0.1, 0.1, 1e6, 1e6, 0.1, 10.0];

/// A stretch of time in which command and load hold still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    /// Its beginning, s.
    pub from: f64,
    /// Its end, s.
    pub to: f64,
    /// Spool position asked.
    pub command: f64,
    /// Load against extension, N.
    pub load: f64,
}

/// The rig's numbers, ready for the equations.
#[derive(Debug, Clone)]
pub struct SingleCylinder {
    rig: Rig,
    /// Pressure line and tank, Pa.
    supply: f64,
    tank: f64,
    /// Flow per root of pressure of an open land, and of a check valve.
    land: f64,
    check: f64,
    /// The spool's natural frequency, rad/s.
    natural: f64,
}

impl SingleCylinder {
    /// Of a rig with as much overlap on one side as on the other, no cushions, no port reliefs and no load checks.
    ///
    /// # Panics
    /// If it is another rig.
    pub fn new(rig: &Rig) -> SingleCylinder {
        let valve = &rig.valve;
        let simple = valve.overlap_in == valve.overlap_out && valve.port_relief.is_none() && !valve.load_check;
        assert!(
            simple && rig.actuator.cushion == 0.0,
            "the plain equations know no more"
        );
        let Feed::Ideal { pressure, tank } = rig.feed else {
            panic!("the plain equations know no pump");
        };
        SingleCylinder {
            supply: pressure,
            tank,
            land: valve.rated_flow / valve.rated_drop.sqrt(),
            check: valve.check_flow / valve.check_drop.sqrt(),
            natural: TAU * valve.spool_hz,
            rig: rig.clone(),
        }
    }

    /// The states at the start.
    pub fn start(&self) -> States {
        [
            self.rig.stroke,
            0.0,
            self.rig.pressure[0],
            self.rig.pressure[1],
            0.0,
            0.0,
        ]
    }

    /// The programme, jump to jump.
    pub fn pieces(&self) -> Vec<Piece> {
        let (command, load) = (&self.rig.command, &self.rig.load);
        let mut times: Vec<f64> = [0.0, self.rig.end].into_iter().collect();
        times.extend(command.iter().chain(load).map(|&(from, _)| from));
        times.sort_by(f64::total_cmp);
        times.dedup();
        let at = |programme: &[(f64, f64)], time: f64| {
            let held = programme.iter().rev().find(|(from, _)| *from <= time);
            held.map_or(0.0, |&(_, value)| value)
        };
        times
            .windows(2)
            .map(|ends| Piece {
                from: ends[0],
                to: ends[1],
                command: at(command, ends[0]),
                load: at(load, ends[0]),
            })
            .collect()
    }

    /// Rates of the states.
    pub fn rates(&self, piece: &Piece, y: &[f64], rates: &mut [f64]) {
        let (rig, actuator) = (&self.rig, &self.rig.actuator);
        let (x, v, a, b, z, w) = (y[0], y[1], y[2], y[3], y[4], y[5]);
        let [(out, _), (back, _)] = self.openings(z);
        let root = |drop| root(drop, rig.valve.blend).0;
        let leak = actuator.leak * (a - b);
        let into_a = self.land * (out * root(self.supply - a) - back * root(a - self.tank))
            + self.check * root((self.tank - a).max(0.0))
            - leak;
        let into_b = self.land * (back * root(self.supply - b) - out * root(b - self.tank))
            + self.check * root((self.tank - b).max(0.0))
            + leak;
        let [volume_a, volume_b] = self.volumes(x);
        let friction = actuator.viscous * v + actuator.coulomb * (v / actuator.coulomb_speed).tanh();
        let modulus = rig.oil.bulk_modulus;
        rates[0] = v;
        rates[1] = (a * actuator.area_a - b * actuator.area_b - friction - piece.load) / rig.mass;
        rates[2] = modulus / volume_a * (into_a - actuator.area_a * v);
        rates[3] = modulus / volume_b * (into_b + actuator.area_b * v);
        rates[4] = w;
        rates[5] = self.natural * (self.natural * (piece.command - z) - 2.0 * rig.valve.spool_zeta * w);
    }

    /// The Jacobian of the rates, row by row: exact, by hand.
    pub fn jacobian(&self, piece: &Piece, y: &[f64]) -> [States; STATES] {
        let (rig, actuator) = (&self.rig, &self.rig.actuator);
        let (x, v, a, b, z) = (y[0], y[1], y[2], y[3], y[4]);
        let [(out, out_slope), (back, back_slope)] = self.openings(z);
        let root = |drop| root(drop, rig.valve.blend);
        let [from_p_a, to_t_a, from_p_b, to_t_b] =
            [self.supply - a, a - self.tank, self.supply - b, b - self.tank].map(root);
        let check = |pressure: f64| {
            if pressure < self.tank {
                self.check * root(self.tank - pressure).1
            } else {
                0.0
            }
        };
        let [volume_a, volume_b] = self.volumes(x);
        let (k_a, k_b) = (rig.oil.bulk_modulus / volume_a, rig.oil.bulk_modulus / volume_b);
        let mut rates = [0.0; STATES];
        self.rates(piece, y, &mut rates);
        let tanh = (v / actuator.coulomb_speed).tanh();
        let friction = actuator.viscous + actuator.coulomb * (1.0 - tanh * tanh) / actuator.coulomb_speed;
        let mut j = [[0.0; STATES]; STATES];
        j[0][1] = 1.0;
        j[1][1] = -friction / rig.mass;
        j[1][2] = actuator.area_a / rig.mass;
        j[1][3] = -actuator.area_b / rig.mass;
        j[2][0] = -rates[2] * actuator.area_a / volume_a;
        j[2][1] = -k_a * actuator.area_a;
        j[2][2] = k_a * (-self.land * (out * from_p_a.1 + back * to_t_a.1) - check(a) - actuator.leak);
        j[2][3] = k_a * actuator.leak;
        j[2][4] = k_a * self.land * (out_slope * from_p_a.0 - back_slope * to_t_a.0);
        j[3][0] = rates[3] * actuator.area_b / volume_b;
        j[3][1] = k_b * actuator.area_b;
        j[3][2] = k_b * actuator.leak;
        j[3][3] = k_b * (-self.land * (back * from_p_b.1 + out * to_t_b.1) - check(b) - actuator.leak);
        j[3][4] = k_b * self.land * (back_slope * from_p_b.0 - out_slope * to_t_b.0);
        j[4][5] = 1.0;
        j[5][4] = -self.natural * self.natural;
        j[5][5] = -2.0 * rig.valve.spool_zeta * self.natural;
        j
    }

    /// Openings of the extending and of the retracting pair of lands, with their slopes over the spool.
    fn openings(&self, z: f64) -> [(f64, f64); 2] {
        let overlap = self.rig.valve.overlap_out;
        [(z, 1.0), (-z, -1.0)].map(|(toward, sign)| {
            let past = toward - overlap;
            if past > 0.0 {
                (past / (1.0 - overlap), sign / (1.0 - overlap))
            } else {
                (0.0, 0.0)
            }
        })
    }

    fn volumes(&self, x: f64) -> [f64; 2] {
        let actuator = &self.rig.actuator;
        [
            actuator.dead_a + actuator.area_a * x,
            actuator.dead_b + actuator.area_b * (actuator.travel - x),
        ]
    }
}

/// The signed root with a smooth start, and its slope.
fn root(drop: f64, blend: f64) -> (f64, f64) {
    if drop.abs() >= blend {
        let root = drop.abs().sqrt();
        (root.copysign(drop), 0.5 / root)
    } else {
        let s = drop / blend;
        (
            blend.sqrt() * s * (5.0 - s * s) / 4.0,
            (5.0 - 3.0 * s * s) / (4.0 * blend.sqrt()),
        )
    }
}

/// The states as the plant's rig reports them.
pub fn sample(time: f64, y: &[f64]) -> Sample {
    Sample {
        time,
        stroke: y[0],
        speed: y[1],
        pressure_a: y[2],
        pressure_b: y[3],
        spool: y[4],
        spool_rate: y[5],
        ..Sample::default()
    }
}
