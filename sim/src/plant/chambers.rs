//! The oil spaces of an actuator: two chambers, and two lines where a load-holding valve cuts them off.
//!
//! Each follows from continuity, `dp/dt = (v Q - dV/dt) / (V/E + swell)`: oil at its modulus E and specific volume v
//! ([`super::oil`]), in walls that swell with the pressure. A cylinder's chambers grow and shrink with the stroke. A
//! motor's do not: what goes in on one side comes out on the other, at the density of the side that it came from.

use bellcrank_machine::description::{Actuator, ActuatorKind};

use super::oil::{Changing, Law, Squeezed};

/// The two chambers of an actuator.
#[derive(Debug, Clone, PartialEq)]
pub struct Chambers {
    area: [f64; 2],
    dead: [f64; 2],
    swell: [f64; 2],
    travel: f64,
    motor: bool,
    /// Leakage between them at the oil's working temperature, and now, m³/(s Pa).
    rated_leak: f64,
    leak: f64,
}

impl Chambers {
    /// Those of an actuator of a machine file.
    pub fn new(actuator: &Actuator) -> Chambers {
        Chambers {
            area: [actuator.area_a, actuator.area_b],
            dead: [actuator.dead_a, actuator.dead_b],
            swell: actuator.swell,
            travel: actuator.travel,
            motor: matches!(actuator.kind, ActuatorKind::Motor { .. }),
            rated_leak: actuator.leak,
            leak: actuator.leak,
        }
    }

    /// Makes the oil so many times as viscous as at its working temperature.
    pub fn thicken(&mut self, ratio: f64) {
        self.leak = self.rated_leak / ratio;
    }

    /// Whether they are a motor's, which passes oil from one to the other.
    pub fn pass_oil(&self) -> bool {
        self.motor
    }

    /// Areas of the extending and the retracting chamber.
    pub fn areas(&self) -> [f64; 2] {
        self.area
    }

    /// Force on the rod from the two pressures.
    pub fn force(&self, pressure: [f64; 2]) -> f64 {
        pressure[0] * self.area[0] - pressure[1] * self.area[1]
    }

    /// Flow from A to B per pressure difference.
    pub fn leak(&self) -> f64 {
        self.leak
    }

    /// Volumes with walls that have not swollen, m³.
    pub fn volumes(&self, stroke: f64) -> [f64; 2] {
        let swept = if self.motor { [0.0; 2] } else { self.area };
        [
            self.dead[0] + swept[0] * stroke,
            self.dead[1] + swept[1] * (self.travel - stroke),
        ]
    }

    /// Oil volumes, m³.
    pub fn filled(&self, stroke: f64, pressure: [f64; 2]) -> [f64; 2] {
        let volumes = self.volumes(stroke);
        [
            volumes[0] + self.swell[0] * pressure[0],
            volumes[1] + self.swell[1] * pressure[1],
        ]
    }

    /// Energy in the walls, J.
    pub fn in_walls(&self, pressure: [f64; 2]) -> f64 {
        0.5 * (self.swell[0] * pressure[0] * pressure[0] + self.swell[1] * pressure[1] * pressure[1])
    }

    /// Pressure rise per volume of oil at its own density, Pa/m³.
    pub fn stiffness(&self, stroke: f64, pressure: [f64; 2], oil: [Squeezed; 2]) -> [f64; 2] {
        let filled = self.filled(stroke, pressure);
        [
            oil[0].modulus / (filled[0] + self.swell[0] * oil[0].modulus),
            oil[1].modulus / (filled[1] + self.swell[1] * oil[1].modulus),
        ]
    }

    /// By how much of itself a chamber's stiffness rises with the stroke, 1/m, and with its pressure, 1/Pa.
    pub fn stiffening(&self, side: usize, stiffness: f64, oil: Squeezed, changing: Changing) -> (f64, f64) {
        let per_modulus = 1.0 / oil.modulus;
        let grows = match side {
            _ if self.motor => 0.0,
            0 => self.area[0],
            _ => -self.area[1],
        };
        let walls = stiffness * self.swell[side] * (per_modulus + changing.modulus);
        (-stiffness * per_modulus * grows, changing.modulus - walls)
    }

    /// What moving at a speed takes out of chamber A and out of chamber B, m³/s at their own density.
    pub fn swept(&self, speed: f64, oil: [Squeezed; 2]) -> [f64; 2] {
        if self.motor {
            let through = self.passed(speed, oil);
            [through * oil[0].volume, -through * oil[1].volume]
        } else {
            [self.area[0] * speed, -self.area[1] * speed]
        }
    }

    /// Flow that a motor passes from A to B at a speed, m³/s at atmospheric density; none for a cylinder.
    pub fn passed(&self, speed: f64, oil: [Squeezed; 2]) -> f64 {
        if self.motor {
            // At the density of the side that gives.
            self.area[0] * speed / oil[usize::from(speed < 0.0)].volume
        } else {
            0.0
        }
    }
}

/// Energy that oil holds in both chambers, J.
pub fn held(law: &Law, filled: [f64; 2], pressure: [f64; 2]) -> f64 {
    law.held(filled[0], pressure[0]) + law.held(filled[1], pressure[1])
}
