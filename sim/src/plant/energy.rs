//! Where the energy goes: an account that can be switched on, and that must balance.
//!
//! Oil at pressure p carries `e(p) = p + p²/2E` a unit of volume: the work of pushing it in, and what its compression
//! holds. Every flow between two pressures loses the difference. Energies of oil count from p = 0, so what the checks
//! draw from the tank comes in. The powers are integrated by the trapezoidal rule over the integrator's own steps. What
//! is left out is of the order (p/E)²; for a motor, whose chambers do not grow, p/2E (under 1 %) of its power is
//! missing.

use super::model::{Mechanism, Model};
use super::supply::Source;

/// Energies since the account was opened, J. All are losses but `input` and `load`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Energies {
    /// Work of the pump (or the ideal supply) on the oil, with what came in from the tank through checks.
    pub input: f64,
    /// Work done against the test bench's load.
    pub load: f64,
    /// Metering lands, with what the oil still held on reaching the tank.
    pub lands: f64,
    /// Main relief and port reliefs.
    pub reliefs: f64,
    /// Dump valve.
    pub dump: f64,
    /// Anti-cavitation checks.
    pub checks: f64,
    /// Leakage past pistons.
    pub leakage: f64,
    /// Viscous and Coulomb friction.
    pub friction: f64,
    /// Cushions, and the damping of the stops.
    pub ends: f64,
}

impl Energies {
    /// All losses together.
    pub fn lost(&self) -> f64 {
        self.lands + self.reliefs + self.dump + self.checks + self.leakage + self.friction + self.ends
    }

    fn add(&mut self, share: f64, power: &Energies) {
        self.input += share * power.input;
        self.load += share * power.load;
        self.lands += share * power.lands;
        self.reliefs += share * power.reliefs;
        self.dump += share * power.dump;
        self.checks += share * power.checks;
        self.leakage += share * power.leakage;
        self.friction += share * power.friction;
        self.ends += share * power.ends;
    }
}

/// Energy that the plant holds, J.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Stored {
    /// Of motion.
    pub kinetic: f64,
    /// Of height.
    pub potential: f64,
    /// Of compressed oil.
    pub oil: f64,
    /// Of the end stops' springs.
    pub stops: f64,
}

impl Stored {
    /// All of it.
    pub fn total(&self) -> f64 {
        self.kinetic + self.potential + self.oil + self.stops
    }
}

/// A running account.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Account {
    /// What has gone in and out.
    pub sum: Energies,
    /// Powers at the last step's end, W.
    last: Energies,
}

impl Account {
    /// Takes the powers afresh, where the inputs may have changed.
    pub(super) fn begin(&mut self, model: &mut Model, time: f64, states: &[f64]) {
        self.last = powers(model, time, states);
    }

    /// Adds a step that ends here.
    pub(super) fn keep(&mut self, model: &mut Model, time: f64, states: &[f64], step: f64) {
        let now = powers(model, time, states);
        self.sum.add(0.5 * step, &self.last);
        self.sum.add(0.5 * step, &now);
        self.last = now;
    }
}

/// All powers, W.
fn powers(model: &mut Model, time: f64, states: &[f64]) -> Energies {
    model.place(states);
    let carried = |p: f64| p * (1.0 + 0.5 * p / model.bulk_modulus);
    let (line, tank) = (carried(model.manifold(states)), carried(model.source.tank()));
    let mut power = Energies::default();
    let mut drawn = 0.0;
    for (i, axis) in model.axes.iter().enumerate() {
        let flows = model.flows(i, states);
        let (a, b) = (carried(states[model.at.a(i)]), carried(states[model.at.b(i)]));
        let (stroke, ratio) = model.stroke_and_ratio(i);
        let speed = ratio * states[model.at.rate(i)];
        let resistance = axis.resistance.forces(stroke, speed);
        drawn += flows.from_supply();
        power.input += tank * (flows.check_a + flows.check_b);
        power.lands +=
            flows.supply_to_a * (line - a) + flows.supply_to_b * (line - b) + flows.a_to_tank * a + flows.b_to_tank * b;
        power.reliefs += flows.relief_a * a + flows.relief_b * b;
        power.checks += flows.check_a * (tank - a) + flows.check_b * (tank - b);
        power.leakage += flows.leak * (a - b);
        power.friction -= resistance.friction * speed;
        power.ends -= (resistance.cushion + resistance.stop - axis.resistance.spring(stroke)) * speed;
    }
    match &model.source {
        Source::Ideal { .. } => power.input += line * drawn,
        Source::Pump(pump) => {
            let out = pump.flows(model.manifold(states), model.dump_opening(time));
            power.input += line * states[model.at.pump()];
            power.reliefs += line * out.relief;
            power.dump += line * out.dump;
        }
    }
    if matches!(model.mechanism, Mechanism::Mass(_)) {
        power.load = model.inputs.load * states[model.at.rate(0)];
    }
    power
}

/// Energy stored at these states.
pub(super) fn stored(model: &mut Model, states: &[f64]) -> Stored {
    model.place(states);
    let n = model.axes.len();
    let mut stored = Stored::default();
    match &model.mechanism {
        Mechanism::Arms(bodies) => {
            stored.kinetic = bodies.kinetic_energy(model.pose(), &states[n..2 * n]);
            stored.potential = bodies.potential_energy(model.pose());
        }
        Mechanism::Mass(mass) => stored.kinetic = 0.5 * mass * states[n] * states[n],
    }
    for (i, axis) in model.axes.iter().enumerate() {
        let (stroke, _) = model.stroke_and_ratio(i);
        let stiffness = axis.section.stiffness(stroke);
        for (side, p) in [states[model.at.a(i)], states[model.at.b(i)]].into_iter().enumerate() {
            stored.oil += 0.5 * p * p / stiffness[side];
        }
        stored.stops += axis.resistance.stored(stroke);
    }
    if let Source::Pump(pump) = &model.source {
        stored.oil += pump.stored(model.manifold(states));
    }
    stored
}
