//! What resists an actuator's motion: friction, end cushions, end stops. All as forces over the stroke, positive when
//! extending.
//!
//! - Friction: viscous, and Coulomb as `coulomb tanh(v / coulomb_speed)`.
//! - Cushion: over its length a force against motion into the end, `drag depth² v²` with depth from 0 to 1. It stands
//!   in for the oil throttled out of the cushion's volume (an orifice: pressure with the square of speed; tapered:
//!   growing with depth), without the extra chamber. It lets go at once when the motion turns, as the check valve of a
//!   cushion does.
//! - Stop: past the end `stiffness depth (1 + damping approach)`, never pulling. The damping grows with depth, so the
//!   force starts smoothly, and it takes out energy both ways. Source: Hunt, Crossley, *J. Applied Mechanics* 42
//!   (1975), with exponent 1 (from memory).

use bellcrank_machine::description::Actuator;

/// The stop gives way by this share of the stroke under the greatest hydraulic force.
const STOP_GIVE: f64 = 0.002;
/// Approach speed at which the stop's damping equals its spring, strokes a second.
const STOP_SPEED: f64 = 0.1;
/// Speed at which the closed cushion holds the greatest hydraulic force, strokes a second.
const CUSHION_SPEED: f64 = 0.2;

/// Friction and ends of one actuator.
#[derive(Debug, Clone, PartialEq)]
pub struct Resistance {
    viscous: f64,
    coulomb: f64,
    coulomb_speed: f64,
    travel: f64,
    cushion: f64,
    drag: f64,
    stiffness: f64,
    damping: f64,
}

/// The forces apart.
#[derive(Debug, Clone, Copy, Default)]
pub struct Forces {
    /// Viscous and Coulomb friction.
    pub friction: f64,
    /// Both cushions.
    pub cushion: f64,
    /// Both stops.
    pub stop: f64,
}

impl Forces {
    /// Their sum.
    pub fn total(&self) -> f64 {
        self.friction + self.cushion + self.stop
    }
}

impl Resistance {
    /// For an actuator that is pushed with at most `pressure`, Pa.
    pub fn new(actuator: &Actuator, pressure: f64) -> Resistance {
        let greatest = pressure * actuator.area_a.max(actuator.area_b);
        Resistance {
            viscous: actuator.viscous,
            coulomb: actuator.coulomb,
            coulomb_speed: actuator.coulomb_speed,
            travel: actuator.travel,
            cushion: actuator.cushion,
            drag: greatest / (CUSHION_SPEED * actuator.travel).powi(2),
            stiffness: greatest / (STOP_GIVE * actuator.travel),
            damping: 1.0 / (STOP_SPEED * actuator.travel),
        }
    }

    /// The forces at a stroke and speed.
    pub fn forces(&self, stroke: f64, speed: f64) -> Forces {
        let left = self.travel - stroke;
        Forces {
            friction: -self.viscous * speed - self.coulomb * (speed / self.coulomb_speed).tanh(),
            cushion: self.cushion_push(stroke, -speed) - self.cushion_push(left, speed),
            stop: self.stop_push(stroke, -speed) - self.stop_push(left, speed),
        }
    }

    /// Slopes of the total force over stroke and over speed; neither is ever positive.
    pub fn slopes(&self, stroke: f64, speed: f64) -> (f64, f64) {
        let left = self.travel - stroke;
        let share = (speed / self.coulomb_speed).tanh();
        let friction = -self.viscous - self.coulomb / self.coulomb_speed * (1.0 - share * share);
        let (low, high) = (self.end_slopes(stroke, -speed), self.end_slopes(left, speed));
        (low.0 + high.0, friction + low.1 + high.1)
    }

    /// Force of the stops' springs alone: what they give back.
    pub fn spring(&self, stroke: f64) -> f64 {
        self.stiffness * ((-stroke).max(0.0) - (stroke - self.travel).max(0.0))
    }

    /// Energy in the springs of the stops, J.
    pub fn stored(&self, stroke: f64) -> f64 {
        let depth = (-stroke).max(stroke - self.travel).max(0.0);
        0.5 * self.stiffness * depth * depth
    }

    /// Push away from an end that is `room` away and approached at `approach`.
    fn cushion_push(&self, room: f64, approach: f64) -> f64 {
        if room >= self.cushion || approach <= 0.0 {
            return 0.0;
        }
        let closing = self.closing(room) * approach;
        self.drag * closing * closing
    }

    fn stop_push(&self, room: f64, approach: f64) -> f64 {
        if room >= 0.0 {
            0.0
        } else {
            self.stiffness * -room * (1.0 + self.damping * approach).max(0.0)
        }
    }

    /// How far the cushion has closed, 0 to 1.
    fn closing(&self, room: f64) -> f64 {
        if self.cushion > 0.0 {
            (1.0 - room / self.cushion).clamp(0.0, 1.0)
        } else {
            0.0
        }
    }

    /// Slope of an end's push over `room`, and over `approach` with its sign turned (more approach, more push against
    /// it).
    fn end_slopes(&self, room: f64, approach: f64) -> (f64, f64) {
        let (mut over_room, mut over_speed) = (0.0, 0.0);
        if room < self.cushion && approach > 0.0 {
            let closing = self.closing(room);
            if room > 0.0 {
                over_room -= 2.0 * self.drag * closing * approach * approach / self.cushion;
            }
            over_speed -= 2.0 * self.drag * closing * closing * approach;
        }
        let firmness = 1.0 + self.damping * approach;
        if room < 0.0 && firmness > 0.0 {
            over_room -= self.stiffness * firmness;
            over_speed += self.stiffness * room * self.damping;
        }
        (over_room, over_speed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bellcrank_machine::description::ActuatorKind;

    fn resistance() -> Resistance {
        let actuator = Actuator {
            kind: ActuatorKind::Cylinder { bore: 0.08, rod: 0.056 },
            area_a: 5.0e-3,
            area_b: 2.5e-3,
            travel: 0.6,
            dead_a: 1e-4,
            dead_b: 1e-4,
            leak: 0.0,
            viscous: 1500.0,
            coulomb: 600.0,
            coulomb_speed: 0.005,
            cushion: 0.03,
        };
        Resistance::new(&actuator, 200e5)
    }

    #[test]
    fn slopes_are_those_of_the_forces() {
        let resistance = resistance();
        for stroke in [-2e-4, 0.01, 0.3, 0.585, 0.6002] {
            for speed in [-0.31, -0.02, 0.003, 0.2] {
                let total = |s: f64, v: f64| resistance.forces(s, v).total();
                let over_stroke = (total(stroke + 1e-8, speed) - total(stroke - 1e-8, speed)) / 2e-8;
                let over_speed = (total(stroke, speed + 1e-8) - total(stroke, speed - 1e-8)) / 2e-8;
                let (k, d) = resistance.slopes(stroke, speed);
                assert!(
                    (k - over_stroke).abs() <= 1e-5 * (1.0 + k.abs()),
                    "{stroke} {speed}: {k} {over_stroke}"
                );
                assert!(
                    (d - over_speed).abs() <= 1e-5 * (1.0 + d.abs()),
                    "{stroke} {speed}: {d} {over_speed}"
                );
                assert!(k <= 0.0 && d < 0.0);
            }
        }
    }
}
