//! Where oil and energy go: an account that can be switched on, and that must balance.
//!
//! A flow between two pressures loses the difference in what the oil carries ([`super::oil::Law::carried`]), and so does
//! oil that a motor lets out less squeezed than it took it in. Energies of oil count from gauge pressure zero, so what the
//! checks draw from the tank comes in. The powers are integrated by the trapezoidal rule over the integrator's own steps.
//! Oil with air balances in mass and energy; textbook oil, whose density does not follow its pressure, to the order of
//! p/E of the flow and (p/E)² of the energy.

use super::axis::Place;
use super::chambers;
use super::mechanics::Mechanism;
use super::model::Model;
use super::supply::Source;

/// Energies since the account was opened, J, and oil, m³ at atmospheric density. Energies are losses but `input` and
/// `load`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Energies {
    /// Work of the pumps (or the ideal supply) on the oil, with what came in from the tank through checks.
    pub input: f64,
    /// Work done against the test bench's load.
    pub load: f64,
    /// Metering lands, with what the oil still held on reaching the tank.
    pub lands: f64,
    /// Main and port reliefs.
    pub reliefs: f64,
    /// Dump valves.
    pub dump: f64,
    /// Anti-cavitation checks.
    pub checks: f64,
    /// Load-holding valves.
    pub holding: f64,
    /// Out of burst hoses.
    pub bursts: f64,
    /// Leakage past pistons, and what motors let out squeezed.
    pub leakage: f64,
    /// Viscous and dry friction.
    pub friction: f64,
    /// Cushions, and the damping of the stops.
    pub ends: f64,
    /// The ground's damping and friction.
    pub ground: f64,
    /// Oil that came from the tank.
    pub oil_in: f64,
    /// Oil that went back to it.
    pub oil_back: f64,
    /// Oil that was lost.
    pub oil_spilt: f64,
}

impl Energies {
    /// All losses together.
    pub fn lost(&self) -> f64 {
        let valves = self.lands + self.reliefs + self.dump + self.checks + self.holding;
        valves + self.bursts + self.leakage + self.friction + self.ends + self.ground
    }

    fn add(&mut self, share: f64, power: &Energies) {
        for (sum, power) in [
            (&mut self.input, power.input),
            (&mut self.load, power.load),
            (&mut self.lands, power.lands),
            (&mut self.reliefs, power.reliefs),
            (&mut self.dump, power.dump),
            (&mut self.checks, power.checks),
            (&mut self.holding, power.holding),
            (&mut self.bursts, power.bursts),
            (&mut self.leakage, power.leakage),
            (&mut self.friction, power.friction),
            (&mut self.ends, power.ends),
            (&mut self.ground, power.ground),
            (&mut self.oil_in, power.oil_in),
            (&mut self.oil_back, power.oil_back),
            (&mut self.oil_spilt, power.oil_spilt),
        ] {
            *sum += share * power;
        }
    }
}

/// Energy that the plant holds, J.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Stored {
    /// Of motion.
    pub kinetic: f64,
    /// Of height.
    pub potential: f64,
    /// Of compressed oil, and of the walls around it.
    pub oil: f64,
    /// Of the springs of end stops and ground.
    pub stops: f64,
    /// Oil in the circuits, m³ at atmospheric density. Not an energy.
    pub contents: f64,
}

impl Stored {
    /// All energy.
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

/// All powers, W, and flows, m³/s.
fn powers(model: &mut Model, time: f64, states: &[f64]) -> Energies {
    model.place(states);
    let (n, at, law) = (model.axes.len(), &model.at, &model.law);
    let (_, rate) = model.angles_and_rates(states);
    let carried = |p: f64| law.carried(p);
    let mut power = Energies::default();
    for (i, axis) in model.axes.iter().enumerate() {
        let at_axis = model.place_of(i, states);
        let flows = model.flows(i, &at_axis);
        let (port, in_chamber) = ([at_axis.ports.a, at_axis.ports.b], at_axis.chamber);
        let (line, tank) = (
            carried(model.manifold(axis.pump, states)),
            carried(model.source.tank(axis.pump)),
        );
        let [a, b] = port.map(carried);
        let chamber = in_chamber.map(carried);
        let (stroke, ratio) = model.stroke_and_ratio(i);
        let speed = ratio * states[at.rate(i)];
        let resistance = axis.resistance.forces(stroke, speed);
        let s = &flows.section;
        power.lands += s.supply_to_a * (line - a) + s.supply_to_b * (line - b) + s.a_to_tank * a + s.b_to_tank * b;
        power.reliefs += s.relief_a * a + s.relief_b * b;
        power.input += tank * (s.check_a + s.check_b);
        power.checks += s.check_a * (tank - a) + s.check_b * (tank - b);
        power.bursts += flows.burst[0] * a + flows.burst[1] * b;
        power.holding += flows.through[0] * (a - chamber[0]) + flows.through[1] * (b - chamber[1]);
        let passed = axis.chambers.passed(speed, in_chamber.map(|p| law.at(p)));
        power.leakage += (flows.leak + passed) * (chamber[0] - chamber[1]);
        if passed != 0.0 {
            power.leakage -= axis.chambers.force(in_chamber) * speed;
        }
        power.friction -= resistance.friction * speed;
        power.ends -= (resistance.cushion + resistance.stop - axis.resistance.spring(stroke)) * speed;
        power.oil_in += s.check_a + s.check_b;
        power.oil_back += s.a_to_tank + s.b_to_tank + s.relief_a + s.relief_b;
        power.oil_spilt += flows.burst[0] + flows.burst[1];
        if let Source::Ideal { .. } = model.source {
            power.input += line * s.from_supply();
            power.oil_in += s.from_supply();
        }
    }
    for (k, pump) in model.source.all().iter().enumerate() {
        let running = model.running(k, states);
        let line = carried(running.pressure);
        let out = pump.flows(running.pressure, model.dump_opening(k, time));
        power.input += line * pump.delivered(&running);
        power.reliefs += line * out.relief;
        power.dump += line * out.dump;
        power.oil_in += pump.delivered(&running);
        power.oil_back += out.relief + out.dump;
    }
    match &model.mechanics.mechanism {
        Mechanism::Mass(_) => power.load = model.inputs.load * rate[0],
        Mechanism::Arms(bodies) => {
            let touches = model
                .mechanics
                .ground
                .touches(bodies, model.mechanics.pose(), &rate[..n]);
            power.ground = touches.map(|touch| touch.lost).sum();
        }
    }
    power
}

/// What is stored at these states.
pub(super) fn stored(model: &mut Model, states: &[f64]) -> Stored {
    model.place(states);
    let n = model.axes.len();
    let (_, rate) = model.angles_and_rates(states);
    let rate = &rate[..n];
    let mut stored = Stored::default();
    match &model.mechanics.mechanism {
        Mechanism::Arms(bodies) => {
            let pose = model.mechanics.pose();
            stored.kinetic = bodies.kinetic_energy(pose, rate);
            stored.potential = bodies.potential_energy(pose);
            let touches = model.mechanics.ground.touches(bodies, pose, rate);
            stored.stops = touches.map(|touch| touch.stored).sum();
        }
        Mechanism::Mass(mass) => stored.kinetic = 0.5 * mass * rate[0] * rate[0],
    }
    let law = &model.law;
    for (i, axis) in model.axes.iter().enumerate() {
        let (stroke, _) = model.stroke_and_ratio(i);
        let Place { chamber, ports } = model.place_of(i, states);
        let filled = axis.chambers.filled(stroke, chamber);
        stored.oil += chambers::held(law, filled, chamber) + axis.chambers.in_walls(chamber);
        let contents =
            |volume: [f64; 2], p: [f64; 2]| volume[0] / law.at(p[0]).volume + volume[1] / law.at(p[1]).volume;
        stored.contents += contents(filled, chamber);
        if let Some(holding) = &axis.holding {
            let lines = [ports.a, ports.b];
            stored.oil += chambers::held(law, holding.lines(), lines);
            stored.contents += contents(holding.lines(), lines);
        }
        stored.stops += axis.resistance.stored(stroke);
    }
    for (k, pump) in model.source.all().iter().enumerate() {
        let (volume, pressure) = (pump.supply().volume, model.manifold(k, states));
        stored.oil += law.held(volume, pressure);
        stored.contents += volume / law.at(pressure).volume;
    }
    stored
}
