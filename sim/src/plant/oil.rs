//! Oil under pressure and at temperature.
//!
//! Flows are counted at atmospheric density: 1 m³ of flow is the mass of 1 m³ of oil at atmospheric pressure. A chamber
//! then follows from continuity of mass, `dp/dt = E/V (v Q - dV/dt)`, with the modulus E and the specific volume v
//! (relative to that at atmospheric pressure) both of the same law v(p), `E = -v / (dv/dp)`:
//!
//! - Textbook oil: E is a constant and v is 1, as in most books (Merritt, *Hydraulic Control Systems*, 1967, chapter 3,
//!   from memory). Mass is conserved to p/E only.
//! - Oil with air: the liquid's modulus with polytropic bubbles beside it, `E = β (1 + k) / (1 + k β / (n P))`, `k = α
//!   (P0/P)^(1/n)`, P absolute, n = 1.4; nothing dissolves. A form common in papers on fluid power (PV-33). Mass and
//!   energy are conserved.
//!
//! Both have a vapour floor: towards [`VAPOUR`] the compliance rises to that of a chamber full of vapour, 1/P, so an
//! absolute pressure never falls to zero.
//!
//! Viscosity: `log10 log10 (ν + 0.7) = A - B log10 T`, ν in mm²/s, T in K, through two known points (ASTM D341, Walther;
//! PV-38, PV-39).

use bellcrank_machine::description::Oil;

/// Atmospheric pressure: where gauge pressures count from, Pa.
pub const ATMOSPHERE: f64 = 1.013_25e5;
/// Absolute pressure at which oil turns to vapour, with the gas that comes out of solution by then, Pa (common practice,
/// no source: mineral oil is usually taken to tear at 0.02 to 0.3 bar).
pub const VAPOUR: f64 = 5e3;
/// Polytropic exponent of the bubbles: adiabatic.
const POLYTROPIC: f64 = 1.4;

/// What a pressure makes of the oil.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Squeezed {
    /// Bulk modulus, Pa.
    pub modulus: f64,
    /// Specific volume, relative to atmospheric pressure.
    pub volume: f64,
}

/// How that changes with the pressure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Changing {
    /// By how much of itself the specific volume falls, 1/Pa.
    pub volume: f64,
    /// By how much of itself the modulus rises, 1/Pa.
    pub modulus: f64,
}

impl Squeezed {
    /// Pressure rise per flow at atmospheric density into a stiff space of a volume, m³: Pa/m³.
    #[inline]
    pub fn push(&self, volume: f64) -> f64 {
        self.modulus * self.volume / volume
    }
}

/// Oil under pressure.
#[derive(Debug, Clone, PartialEq)]
pub struct Law {
    liquid: f64,
    /// With air: the law, in pieces.
    pieces: Option<Vec<Piece>>,
}

/// Where `v` is a cubic of the share s of the way through, and what has been integrated until its start.
#[derive(Debug, Clone, PartialEq)]
struct Piece {
    v: [f64; 4],
    /// One over the piece's width, 1/Pa.
    per_width: f64,
    /// `∫ v dP` up to its start, Pa.
    work: f64,
}

/// Pieces are cut so that there are 16 to each doubling of the absolute pressure, from 2^8 Pa to just under 2^28 Pa.
const LOWEST: f64 = 256.0;
const HIGHEST: f64 = 268_435_455.0;
const OCTAVES: u64 = 20;
const PARTS_BITS: u32 = 4;
const SHIFT: u32 = 52 - PARTS_BITS;

impl Law {
    /// The law of an oil.
    pub fn new(oil: &Oil) -> Law {
        Law {
            liquid: oil.bulk_modulus,
            pieces: oil.air.map(|air| pieces(oil.bulk_modulus, air)),
        }
    }

    /// Modulus and specific volume at a gauge pressure.
    #[inline]
    pub fn at(&self, pressure: f64) -> Squeezed {
        match &self.pieces {
            None if pressure > 0.0 => Squeezed {
                modulus: self.liquid,
                volume: 1.0,
            },
            None => {
                let absolute = (pressure + ATMOSPHERE).max(1.0);
                Squeezed {
                    modulus: 1.0 / (1.0 / self.liquid + vapour_compliance(absolute)),
                    volume: 1.0,
                }
            }
            Some(pieces) => {
                let (piece, s) = place(pieces, pressure + ATMOSPHERE);
                let [c0, c1, c2, c3] = piece.v;
                let volume = c0 + s * (c1 + s * (c2 + s * c3));
                let slope = (c1 + s * (2.0 * c2 + s * 3.0 * c3)) * piece.per_width;
                Squeezed {
                    modulus: -volume / slope,
                    volume,
                }
            }
        }
    }

    /// How modulus and specific volume change at a gauge pressure.
    #[inline]
    pub fn changing(&self, pressure: f64) -> Changing {
        match &self.pieces {
            None if pressure > 0.0 => Changing {
                volume: 0.0,
                modulus: 0.0,
            },
            None => {
                let absolute = (pressure + ATMOSPHERE).max(1.0);
                let vapour = vapour_compliance(absolute);
                let steep = if absolute > VAPOUR { 9.0 } else { 1.0 };
                Changing {
                    volume: 0.0,
                    modulus: steep * vapour / (absolute * (1.0 / self.liquid + vapour)),
                }
            }
            Some(pieces) => {
                let (piece, s) = place(pieces, pressure + ATMOSPHERE);
                let [c0, c1, c2, c3] = piece.v;
                let volume = c0 + s * (c1 + s * (c2 + s * c3));
                let slope = (c1 + s * (2.0 * c2 + s * 3.0 * c3)) * piece.per_width;
                let bend = (2.0 * c2 + s * 6.0 * c3) * piece.per_width * piece.per_width;
                Changing {
                    volume: -slope / volume,
                    modulus: slope / volume - bend / slope,
                }
            }
        }
    }

    /// Energy that a unit of flow carries at a gauge pressure, Pa (J/m³): `∫ v dp` from zero. For textbook oil `p +
    /// p²/2E`: the work of pushing it in, and what its compression holds.
    pub fn carried(&self, pressure: f64) -> f64 {
        match &self.pieces {
            None => pressure * (1.0 + 0.5 * pressure / self.liquid),
            Some(pieces) => {
                let until = |pressure: f64| {
                    let (piece, s) = place(pieces, pressure + ATMOSPHERE);
                    let [c0, c1, c2, c3] = piece.v;
                    let within = s * (c0 + s * (c1 / 2.0 + s * (c2 / 3.0 + s * c3 / 4.0)));
                    piece.work + within / piece.per_width
                };
                until(pressure) - until(0.0)
            }
        }
    }

    /// Energy that a volume of oil, m³, holds at a gauge pressure, J: what it carried in, less the work of making room.
    pub fn held(&self, volume: f64, pressure: f64) -> f64 {
        if self.pieces.is_none() {
            return 0.5 * volume * pressure * pressure / self.liquid;
        }
        let v = self.at(pressure).volume;
        volume / v * (self.carried(pressure) - pressure * v)
    }
}

/// The piece of an absolute pressure, and the share of the way through it. Beyond the ends it is held there.
#[allow(
    clippy::manual_clamp,
    clippy::cast_possible_truncation,
    reason = "no number at all is held at the lower end; there are some hundred pieces"
)]
#[inline]
fn place(pieces: &[Piece], absolute: f64) -> (&Piece, f64) {
    // The exponent and the first bits of the mantissa number the piece, the rest of the mantissa is the share.
    let bits = absolute.max(LOWEST).min(HIGHEST).to_bits();
    let number = (bits >> SHIFT) - (LOWEST.to_bits() >> SHIFT);
    let rest = (bits & ((1 << SHIFT) - 1)).cast_signed();
    (&pieces[number as usize], rest as f64 / (1_u64 << SHIFT) as f64)
}

/// The law of a liquid with air, from compliances integrated along the absolute pressure.
fn pieces(liquid: f64, air: f64) -> Vec<Piece> {
    let count = OCTAVES << PARTS_BITS;
    let edge = |index: u64| f64::from_bits(LOWEST.to_bits() + (index << SHIFT));
    let compliance = |absolute: f64| compliance(liquid, air, absolute);
    // ln v from each edge to the next: Simpson on ln P, in which the law is smooth.
    let gain = |from: f64, to: f64| {
        const PARTS: u32 = 8;
        let width = (to / from).ln() / f64::from(PARTS);
        let sum: f64 = (0..=PARTS)
            .map(|k| {
                let p = from * (width * f64::from(k)).exp();
                let weight = match k {
                    0 | PARTS => 1.0,
                    k if k % 2 == 1 => 4.0,
                    _ => 2.0,
                };
                weight * compliance(p) * p
            })
            .sum();
        -sum * width / 3.0
    };
    let mut logs = vec![0.0];
    for index in 0..count {
        logs.push(logs[logs.len() - 1] + gain(edge(index), edge(index + 1)));
    }
    let at_atmosphere = {
        let before = (0..count).take_while(|&index| edge(index + 1) <= ATMOSPHERE).count();
        logs[before] + gain(edge(before as u64), ATMOSPHERE)
    };
    let mut work = 0.0;
    (0..count)
        .zip(logs.windows(2))
        .map(|(index, logs)| {
            let (from, to) = (edge(index), edge(index + 1));
            let width = to - from;
            let (v0, v1) = ((logs[0] - at_atmosphere).exp(), (logs[1] - at_atmosphere).exp());
            let (d0, d1) = (-v0 * compliance(from) * width, -v1 * compliance(to) * width);
            let v = [v0, d0, 3.0 * (v1 - v0) - 2.0 * d0 - d1, d0 + d1 - 2.0 * (v1 - v0)];
            let piece = Piece {
                v,
                per_width: 1.0 / width,
                work,
            };
            work += width * (v[0] + v[1] / 2.0 + v[2] / 3.0 + v[3] / 4.0);
            piece
        })
        .collect()
}

/// One over the modulus at an absolute pressure, 1/Pa.
fn compliance(liquid: f64, air: f64, absolute: f64) -> f64 {
    let k = air * (ATMOSPHERE / absolute).powf(1.0 / POLYTROPIC);
    (1.0 + k * liquid / (POLYTROPIC * absolute)) / (liquid * (1.0 + k)) + vapour_compliance(absolute)
}

/// What vapour adds: a chamber full of it gives way by 1/P. Steep, so that it is nothing from one bar on.
fn vapour_compliance(absolute: f64) -> f64 {
    (VAPOUR / absolute).powi(8).min(1.0) / absolute
}

/// Kinematic viscosity at a temperature, °C, m²/s.
pub fn viscosity(oil: &Oil, celsius: f64) -> f64 {
    let double_log = |nu: f64| (nu * 1e6 + 0.7).log10().log10();
    let log_kelvin = |celsius: f64| (celsius + 273.15).log10();
    let (cold, hot) = (
        (log_kelvin(40.0), double_log(oil.viscosity.0)),
        (log_kelvin(100.0), double_log(oil.viscosity.1)),
    );
    let slope = (hot.1 - cold.1) / (hot.0 - cold.0);
    let double_log = cold.1 + slope * (log_kelvin(celsius) - cold.0);
    (10_f64.powf(10_f64.powf(double_log)) - 0.7) * 1e-6
}

#[cfg(test)]
mod tests {
    use super::*;

    fn aerated(air: f64) -> Law {
        Law::new(&Oil {
            air: Some(air),
            ..Oil::textbook(870.0, 1.6e9)
        })
    }

    #[test]
    fn modulus_and_volume_belong_together() {
        let law = aerated(0.01);
        assert!((law.at(0.0).volume - 1.0).abs() < 1e-9);
        for gauge in [-0.97e5, -0.5e5, 0.0, 3.3e5, 50e5, 199e5, 700e5] {
            let step = 1e-4 * (gauge + ATMOSPHERE);
            let slope = (law.at(gauge + step).volume - law.at(gauge - step).volume) / (2.0 * step);
            let now = law.at(gauge);
            assert!((-now.volume / slope / now.modulus - 1.0).abs() < 1e-5, "at {gauge}");
            let (changing, fine) = (law.changing(gauge), 0.01 * step);
            assert!((changing.volume * now.modulus - 1.0).abs() < 1e-12, "at {gauge}");
            let stiffer = (law.at(gauge + fine).modulus - law.at(gauge - fine).modulus) / (2.0 * fine * now.modulus);
            assert!(
                (changing.modulus - stiffer).abs() < 1e-3 * stiffer.abs() + 1e-12,
                "at {gauge}"
            );
            let carried = (law.carried(gauge + step) - law.carried(gauge - step)) / (2.0 * step);
            assert!((carried / now.volume - 1.0).abs() < 1e-7, "work at {gauge}");
        }
    }

    #[test]
    fn a_stretched_chamber_fills_with_vapour() {
        for law in [aerated(0.001), Law::new(&Oil::textbook(870.0, 1.2e9))] {
            let deep = law.at(-ATMOSPHERE + 1e3).modulus;
            assert!((deep / 1e3 - 1.0).abs() < 0.05, "{deep}");
        }
    }
}
