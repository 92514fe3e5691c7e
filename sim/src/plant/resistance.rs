//! What resists an actuator's motion: friction, end cushions, end stops. All as forces over the stroke, positive when
//! extending.
//!
//! - Friction: viscous, thicker oil dragging more; and dry, `(coulomb + (breakaway - coulomb) / (1 + (v / v_b)²)) tanh(v
//!   / coulomb_speed)`: the Stribeck curve in the form of Hess and Soom, *J. Tribology* 112 (1990) (from memory), with a
//!   corner that is rounded rather than a true stick. A held load therefore creeps, at a small share of
//!   `coulomb_speed`.
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
/// The greatest hydraulic force is that of at least this pressure, Pa: a stop is there without a supply too.
const LEAST_PRESSURE: f64 = 1e7;
/// Approach speed at which the stop's damping equals its spring, strokes a second.
const STOP_SPEED: f64 = 0.1;
/// Speed at which the closed cushion holds the greatest hydraulic force, strokes a second.
const CUSHION_SPEED: f64 = 0.2;

/// Friction and ends of one actuator.
#[derive(Debug, Clone, PartialEq)]
pub struct Resistance {
    rated_viscous: f64,
    viscous: f64,
    coulomb: f64,
    per_coulomb_speed: f64,
    /// What breakaway adds, and one over its speed.
    breakaway: f64,
    per_breakaway_speed: f64,
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
        let greatest = pressure.max(LEAST_PRESSURE) * actuator.area_a.max(actuator.area_b);
        Resistance {
            rated_viscous: actuator.viscous,
            viscous: actuator.viscous,
            coulomb: actuator.coulomb,
            per_coulomb_speed: 1.0 / actuator.coulomb_speed,
            breakaway: actuator.breakaway - actuator.coulomb,
            per_breakaway_speed: 1.0 / actuator.breakaway_speed,
            travel: actuator.travel,
            cushion: actuator.cushion,
            drag: greatest / (CUSHION_SPEED * actuator.travel).powi(2),
            stiffness: greatest / (STOP_GIVE * actuator.travel),
            damping: 1.0 / (STOP_SPEED * actuator.travel),
        }
    }

    /// Makes the oil so many times as viscous as at its working temperature.
    pub fn thicken(&mut self, ratio: f64) {
        self.viscous = self.rated_viscous * ratio;
    }

    /// Dry friction without its sign, and its slope over the speed.
    fn dry(&self, speed: f64) -> (f64, f64) {
        if self.breakaway == 0.0 {
            return (self.coulomb, 0.0);
        }
        let relative = speed * self.per_breakaway_speed;
        let share = 1.0 / (1.0 + relative * relative);
        let slope = -2.0 * self.breakaway * share * share * relative * self.per_breakaway_speed;
        (self.coulomb + self.breakaway * share, slope)
    }

    /// The forces at a stroke and speed.
    pub fn forces(&self, stroke: f64, speed: f64) -> Forces {
        let left = self.travel - stroke;
        Forces {
            friction: -self.viscous * speed - self.dry(speed).0 * self.grip(speed),
            cushion: self.cushion_push(stroke, -speed) - self.cushion_push(left, speed),
            stop: self.stop_push(stroke, -speed) - self.stop_push(left, speed),
        }
    }

    /// How much of the dry friction there is at a speed, -1 to 1: what force and slopes both need.
    #[inline]
    pub fn grip(&self, speed: f64) -> f64 {
        tanh(speed * self.per_coulomb_speed)
    }

    /// The total force at a stroke and speed, whose grip is known.
    #[inline]
    pub fn force(&self, stroke: f64, speed: f64, grip: f64) -> f64 {
        let friction = -self.viscous * speed - self.dry(speed).0 * grip;
        let left = self.travel - stroke;
        if stroke.min(left) < self.cushion.max(0.0) {
            let Forces { cushion, stop, .. } = self.forces(stroke, speed);
            return friction + cushion + stop;
        }
        friction
    }

    /// Slopes of the total force over stroke and over speed. The second is positive where friction falls with speed.
    pub fn slopes(&self, stroke: f64, speed: f64, grip: f64) -> (f64, f64) {
        let left = self.travel - stroke;
        let (dry, dry_slope) = self.dry(speed);
        let friction = -self.viscous - dry * self.per_coulomb_speed * (1.0 - grip * grip) - dry_slope * grip;
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

/// The hyperbolic tangent, to 1e-13 of itself: cheaper than the library's, which is right to the last bit.
fn tanh(x: f64) -> f64 {
    let size = x.abs();
    if size > 20.0 {
        1_f64.copysign(x)
    } else if size < 0.01 {
        let square = x * x;
        x * (1.0 - square * (1.0 / 3.0 - square * (2.0 / 15.0)))
    } else {
        let small = (-2.0 * size).exp();
        ((1.0 - small) / (1.0 + small)).copysign(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bellcrank_machine::description::ActuatorKind;

    fn resistance(breakaway: f64) -> Resistance {
        let actuator = Actuator {
            kind: ActuatorKind::Cylinder { bore: 0.08, rod: 0.056 },
            area_a: 5.0e-3,
            area_b: 2.5e-3,
            travel: 0.6,
            dead_a: 1e-4,
            dead_b: 1e-4,
            swell: [0.0; 2],
            leak: 0.0,
            viscous: 1500.0,
            coulomb: 600.0,
            coulomb_speed: 0.005,
            breakaway,
            breakaway_speed: 0.01,
            cushion: 0.03,
        };
        Resistance::new(&actuator, 200e5)
    }

    #[test]
    fn slopes_are_those_of_the_forces() {
        let resistance = resistance(600.0);
        for stroke in [-2e-4, 0.01, 0.3, 0.585, 0.6002] {
            for speed in [-0.31, -0.02, 0.003, 0.2] {
                let total = |s: f64, v: f64| resistance.forces(s, v).total();
                let over_stroke = (total(stroke + 1e-8, speed) - total(stroke - 1e-8, speed)) / 2e-8;
                let over_speed = (total(stroke, speed + 1e-8) - total(stroke, speed - 1e-8)) / 2e-8;
                let (k, d) = resistance.slopes(stroke, speed, resistance.grip(speed));
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

    #[test]
    fn the_tangent_is_that_of_the_library() {
        for k in -400..=400_i32 {
            let x = 1.1_f64.powi(k.abs() / 4 - 60) * f64::from(k.signum());
            assert!((tanh(x) - x.tanh()).abs() <= 1e-13 * x.tanh().abs(), "{x}");
        }
    }

    /// Breakaway 900 N, Coulomb 600 N: the peak is near breakaway, and far out only Coulomb and the viscous part are left.
    #[test]
    fn dry_friction_breaks_away_and_then_falls() {
        let resistance = resistance(900.0);
        let friction = |speed: f64| -resistance.forces(0.3, speed).friction;
        let peak = (1..1000).map(|k| friction(f64::from(k) * 5e-5)).fold(0.0, f64::max);
        assert!(peak > 700.0 && peak < 900.0, "{peak}");
        assert!((friction(1.0) - 600.0 - 1500.0).abs() < 0.1, "{}", friction(1.0));
        assert!((friction(0.01) - 15.0 - 750.0 * (2.0_f64).tanh()).abs() < 1e-9);
        assert_eq!(friction(-0.02), -friction(0.02));
        let by_difference = (friction(0.015 + 1e-7) - friction(0.015 - 1e-7)) / 2e-7;
        let falling = -resistance.slopes(0.3, 0.015, resistance.grip(0.015)).1;
        assert!(
            falling < 0.0 && (falling - by_difference).abs() < 1e-3,
            "{falling}, by difference {by_difference}"
        );
    }
}
