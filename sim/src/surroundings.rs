//! What a machine finds around it in a rehearsal, and no wire carries: what hangs on its arms, how the ground slopes, how warm
//! its oil is and how much air is in it.

use nalgebra::Vector3;

use crate::plant::Plant;
use crate::plant::bodies::GRAVITY;
use crate::scenario::{FaultKind, Load, Scenario};

/// The surroundings of one rehearsal.
pub struct Surroundings {
    /// Mass at the tip of each arm as the plant has it, kg.
    hung: Vec<f64>,
    /// Temperature of the oil as the plant has it, °C, and air beyond that of the machine file.
    oil: f64,
    air: Option<f64>,
}

impl Surroundings {
    /// Puts the plant where the scenario begins: it can be stood up after this.
    pub fn new(scenario: &Scenario, plant: &mut Plant) -> Self {
        if let Some(bodies) = plant.bodies() {
            bodies.gravity = gravity(scenario.slope);
        }
        let mut surroundings = Self {
            hung: vec![0.0; scenario.machine.arms.len()],
            oil: scenario.machine.oil.temperature,
            air: None,
        };
        surroundings.at(scenario, 0.0, plant);
        surroundings
    }

    /// Makes the plant's surroundings those of the scenario at time `t`, s.
    pub fn at(&mut self, scenario: &Scenario, t: f64, plant: &mut Plant) {
        for (arm, hung) in self.hung.iter_mut().enumerate() {
            let mass = hanging(&scenario.payloads, arm, t);
            if mass != *hung
                && let Some(bodies) = plant.bodies()
            {
                let machine = &scenario.machine;
                bodies.hang(machine, &machine.arms[arm], mass);
                plant.expect_jump();
                *hung = mass;
            }
        }
        let hot = scenario.active(t).find_map(|kind| match kind {
            FaultKind::OilHot { to } => Some(to),
            _ => None,
        });
        let oil = hot.or(scenario.oil).unwrap_or(scenario.machine.oil.temperature);
        if oil != self.oil {
            plant.set_oil_temperature(oil);
            plant.expect_jump();
            self.oil = oil;
        }
        let air = scenario.active(t).find_map(|kind| match kind {
            FaultKind::AirInOil { share } => Some(share),
            _ => None,
        });
        if air != self.air {
            plant.set_air(air);
            plant.expect_jump();
            self.air = air;
        }
    }
}

/// What hangs on an arm at a time, kg.
fn hanging(loads: &[Load], arm: usize, t: f64) -> f64 {
    let on = |load: &&Load| load.arm == arm && t >= load.from && load.until.is_none_or(|until| t < until);
    loads.iter().filter(on).map(|load| load.mass).sum()
}

/// Gravity in the frame of a machine that stands nose up by the first angle and then, about its own long axis, left side up by
/// the second, rad.
fn gravity([pitch, roll]: [f64; 2]) -> Vector3<f64> {
    let up = Vector3::new(pitch.sin(), pitch.cos() * roll.sin(), pitch.cos() * roll.cos());
    -GRAVITY * up
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A plane at rest: along the slope `g sin`, across it `g cos` (any mechanics text).
    #[test]
    fn gravity_points_down_the_slope() {
        let slope = 0.3_f64;
        let near = |found: Vector3<f64>, expect: Vector3<f64>| assert!((found - expect).norm() < 1e-12, "{found}");
        near(gravity([0.0, 0.0]), Vector3::new(0.0, 0.0, -GRAVITY));
        let (along, across) = (GRAVITY * slope.sin(), GRAVITY * slope.cos());
        near(gravity([slope, 0.0]), Vector3::new(-along, 0.0, -across));
        near(gravity([0.0, slope]), Vector3::new(0.0, -along, -across));
        assert!((gravity([0.4, -0.2]).norm() - GRAVITY).abs() < 1e-12);
    }

    #[test]
    fn a_load_hangs_from_when_it_is_picked_up_until_it_is_dropped() {
        let load = |mass, from, until| Load {
            arm: 0,
            mass,
            from,
            until,
        };
        let loads = [load(60.0, 1.0, Some(3.0)), load(5.0, 0.0, None)];
        let at = |t| hanging(&loads, 0, t);
        assert_eq!([at(0.9), at(1.0), at(2.9), at(3.0)], [5.0, 65.0, 65.0, 5.0]);
        assert_eq!(hanging(&loads, 1, 2.0), 0.0);
    }
}
