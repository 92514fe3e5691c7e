//! The built-in machines at work: the plant alone with its valves a little open, and core, wiring and plant together.

use std::path::Path;

use bellcrank_core::{Controller, Machine};
use bellcrank_sim::plant::{Accuracy, Inputs, Plant};
use bellcrank_sim::scenario::{self, Scenario};
use bellcrank_sim::wiring::Wiring;

/// The built-in scenario of the digger, and of the setter.
pub const SCENARIOS: [&str; 2] = ["straight-lift", "setting-a-stone"];

/// Time between two ticks, s.
pub const TICK: f64 = 0.002;

/// What is trapped in the less loaded chamber of each cylinder at the start, Pa.
const PRELOAD: f64 = 5e5;

/// A built-in scenario.
///
/// # Panics
/// If there is none of that name.
pub fn built_in(name: &str) -> Scenario {
    let text = scenario::builtin(name).expect("it is built in");
    scenario::parse(name, text, Path::new("")).expect("it is right")
}

/// A machine as its scenario starts, its pressure line full.
///
/// # Panics
/// If the machine cannot be simulated.
pub fn charged(scenario: &Scenario, accuracy: Accuracy) -> Plant {
    let machine = &scenario.machine;
    let mut plant = Plant::of_machine(machine, accuracy).expect("it can be simulated");
    plant.stand(&scenario.start, PRELOAD);
    plant.charge(machine.supply.pressure);
    plant
}

/// Every valve open by this share, one to extend, the next to retract.
pub fn valves_open(share: f64) -> Inputs {
    let mut inputs = Inputs::default();
    for (spool, sign) in inputs.spool.iter_mut().zip([1.0, -1.0].into_iter().cycle()) {
        *spool = sign * share;
    }
    inputs
}

/// Ticks from one turn of the valves to the next: short enough for the arms to stay off the ground.
const TURN: u32 = 100;

/// Drives every valve to and fro by a share, tick by tick.
///
/// # Panics
/// If the plant cannot be integrated.
pub fn to_and_fro(plant: &mut Plant, share: f64, ticks: u32) {
    for tick in 0..ticks {
        let sign = if (tick / TURN).is_multiple_of(2) { 1.0 } else { -1.0 };
        plant
            .advance(&valves_open(sign * share), TICK)
            .expect("it can be integrated");
    }
}

/// Core, wiring and plant in a loop, as in a rehearsal, with nobody writing down what happens.
pub struct Loop<'s> {
    scenario: &'s Scenario,
    wiring: Wiring,
    controller: Controller<'s>,
    plant: Plant,
    tick: u32,
}

/// The machine of a scenario, as the core knows it.
///
/// # Panics
/// If it cannot be controlled.
pub fn controlled(scenario: &Scenario) -> Machine {
    bellcrank_machine::build(&scenario.machine).expect("it can be controlled")
}

impl<'s> Loop<'s> {
    /// At the start of the scenario.
    ///
    /// # Panics
    /// If its ticks are not [`TICK`] long.
    pub fn new(scenario: &'s Scenario, machine: &'s Machine) -> Self {
        assert_eq!(scenario.machine.timing.tick, TICK);
        let mut plant = charged(scenario, Accuracy::default());
        if let Some(bodies) = plant.bodies() {
            for load in &scenario.payloads {
                bodies.hang(&scenario.machine, &scenario.machine.arms[load.arm], load.mass);
            }
        }
        plant.stand(&scenario.start, PRELOAD);
        Self {
            scenario,
            wiring: Wiring::new(scenario, 1),
            controller: Controller::new(machine),
            plant,
            tick: 0,
        }
    }

    /// Goes on for so many ticks.
    ///
    /// # Panics
    /// If the plant cannot be integrated.
    pub fn go_on(&mut self, ticks: u32) {
        for _ in 0..ticks {
            let t = f64::from(self.tick) * TICK;
            let outputs = self.controller.tick(&self.wiring.read(self.scenario, t, &self.plant));
            let inputs = self.wiring.write(self.scenario, t, &outputs, &mut self.plant);
            self.plant.advance(&inputs, TICK).expect("it can be integrated");
            self.tick += 1;
        }
    }
}
