//! Load-holding valves: when they open, and that they hold.

use bellcrank_machine::description::{Actuator, Holding, HoldingKind};
use bellcrank_sim::plant::holding::HoldingValve;
use bellcrank_sim::plant::rig::Rig;
use bellcrank_sim::plant::{Accuracy, Inputs, Plant, hole};

use super::{BAR, LPM, benchmark, cylinder, ideal, near, oil, valve};

fn counterbalance(pilot_ratio: f64, on: [bool; 2]) -> Holding {
    Holding {
        kind: HoldingKind::Counterbalance { setting: 250.0 * BAR },
        on,
        pilot_ratio,
        flow: 60.0 * LPM,
        drop: 10.0 * BAR,
        band: 30.0 * BAR,
        line: [2e-4; 2],
    }
}

const CAP: [bool; 2] = [true, false];
const ROD: [bool; 2] = [false, true];

/// PV-41a: pilot = (setting - load) / ratio, drained spring (force balance).
#[test]
fn the_pilot_opens_a_counterbalance_valve_by_its_ratio() {
    for (ratio, pilot) in [(3.0, 33.33333333), (4.5, 22.22222222)] {
        let valve = HoldingValve::new(&counterbalance(ratio, CAP));
        let opening = |pilot: f64| valve.opening(0, 150.0 * BAR, pilot * BAR);
        assert_eq!(opening(pilot - 1e-6), 0.0, "{ratio}");
        assert!(opening(pilot + 1e-6) > 0.0, "{ratio}");
    }
}

/// An 80/56 cylinder with nothing but viscous friction, valves of one kind on it, and a load; both lines as the spool connects them, the
/// pump's at `supply`.
struct Held {
    holding: Option<Holding>,
    leak: f64,
    viscous: f64,
    supply: f64,
    /// As pressure in the side that carries it; pulling out if that is the rod's.
    load: f64,
    rod_carries: bool,
}

impl Held {
    fn plant(&self) -> (Plant, f64) {
        let actuator = Actuator {
            leak: self.leak,
            viscous: self.viscous,
            coulomb: 0.0,
            breakaway: 0.0,
            ..cylinder(0.08, 0.056, 0.6)
        };
        let (pressure, load) = if self.rod_carries {
            ([0.0, self.load], -self.load * actuator.area_b)
        } else {
            ([self.load, 0.0], self.load * actuator.area_a)
        };
        let rig = Rig {
            holding: self.holding.clone(),
            actuator,
            valve: valve(),
            feed: ideal(self.supply),
            stroke: 0.3,
            pressure,
            ..benchmark()
        };
        (rig.plant(Accuracy::default()), load)
    }

    /// Speed after half a second with the spool asked for `demand`.
    fn speed(&self, demand: f64) -> f64 {
        let (mut plant, load) = self.plant();
        let mut inputs = Inputs {
            load,
            ..Inputs::default()
        };
        inputs.spool[0] = demand;
        plant.advance(&inputs, 0.5).expect("a run");
        plant.axis(0).stroke_rate
    }
}

fn held() -> Held {
    Held {
        holding: Some(counterbalance(3.0, CAP)),
        leak: 0.0,
        viscous: 3e4,
        supply: 0.0,
        load: 150.0 * BAR,
        rod_carries: false,
    }
}

/// PV-41b and c: on the cylinder the pilot's pressure also pushes the load onto the valve, by the areas (force balance).
#[test]
fn on_a_cylinder_the_pilot_opens_it_sooner() {
    for (rod_carries, pilot, ease) in [(false, 28.49002849, 0.3), (true, 20.1581028, 0.3)] {
        let speed = |supply: f64| {
            let held = Held {
                holding: Some(counterbalance(3.0, if rod_carries { ROD } else { CAP })),
                supply: supply * BAR,
                rod_carries,
                ..held()
            };
            held.speed(if rod_carries { 1.0 } else { -1.0 })
        };
        let (below, above) = (speed(pilot - ease).abs(), speed(pilot + ease).abs());
        assert!(below < 1e-6 && above > 1e-3, "{pilot}: {below} and {above} m/s");
    }
}

/// With the line open to a tank and no pilot only leakage past the piston lets it down, by `leak p / A`.
#[test]
fn a_load_sinks_by_leakage_only() {
    let drift = |leak: f64| Held { leak, ..held() }.speed(-1.0);
    assert!(drift(0.0).abs() < 1e-7, "{}", drift(0.0));
    near("drift", drift(1e-12), -1e-12 * 150.0 * BAR / 5.026548e-3, 5e-3);
    let open = Held {
        holding: None,
        ..held()
    };
    assert!(open.speed(-1.0).abs() > 0.1, "{}", open.speed(-1.0));
}

/// Speed of a load two seconds after the hose on the bore side has burst: a hole of 2 mm.
fn after_a_burst(held: &Held) -> f64 {
    let (mut plant, load) = held.plant();
    plant.faults().burst[0] = [hole(0.002, oil().density), 0.0];
    let inputs = Inputs {
        load,
        ..Inputs::default()
    };
    plant.advance(&inputs, 2.0).expect("a run");
    plant.axis(0).stroke_rate
}

/// PV-25: 17.43 l/min through 2 mm at 100 bar, with the root of the pressure.
#[test]
fn a_burst_hose_drops_a_load_by_the_orifice_law() {
    let speed = after_a_burst(&Held {
        holding: None,
        viscous: 0.0,
        ..held()
    });
    let by_hand = 17.43356999 * LPM * 1.5f64.sqrt() / 5.026548e-3;
    near("speed", speed, -by_hand, 5e-3);
}

#[test]
fn a_valve_on_the_cylinder_holds_when_the_hose_bursts() {
    let lock = Holding {
        kind: HoldingKind::Lock { spring: 2.0 * BAR },
        ..counterbalance(4.0, CAP)
    };
    for holding in [counterbalance(3.0, CAP), lock] {
        let speed = after_a_burst(&Held {
            holding: Some(holding),
            ..held()
        });
        assert!(speed.abs() < 1e-7, "{speed} m/s");
    }
}

/// Over its setting a counterbalance valve lets go without any pilot, a lock does not.
#[test]
fn a_counterbalance_valve_relieves_above_its_setting() {
    let speed = |load: f64, kind: Option<HoldingKind>| {
        let mut holding = counterbalance(3.0, CAP);
        holding.kind = kind.unwrap_or(holding.kind);
        let held = Held {
            holding: Some(holding),
            load: load * BAR,
            ..held()
        };
        held.speed(-1.0)
    };
    assert!(speed(248.0, None).abs() < 1e-6, "{}", speed(248.0, None));
    assert!(speed(255.0, None) < -0.01, "{}", speed(255.0, None));
    let lock = HoldingKind::Lock { spring: 2.0 * BAR };
    assert!(speed(255.0, Some(lock)).abs() < 1e-6, "{}", speed(255.0, Some(lock)));
}

/// By force balance: a lock opens where ratio · pilot = load + spring.
#[test]
fn a_lock_opens_by_its_pilot_ratio() {
    let lock = HoldingValve::new(&Holding {
        kind: HoldingKind::Lock { spring: 2.0 * BAR },
        ..counterbalance(4.0, CAP)
    });
    let opening = |pilot: f64| lock.opening(0, 150.0 * BAR, pilot * BAR);
    assert_eq!(opening(38.0 - 1e-6), 0.0);
    assert!(opening(38.0 + 1e-6) > 0.0);
}

/// PV-21: with the rod side blocked, 210 bar on the bore of an 80/56 cylinder make 411.76 behind the piston, by the areas
/// (force balance).
#[test]
fn a_blocked_rod_side_intensifies_the_pressure() {
    let blocked = Holding {
        kind: HoldingKind::Lock { spring: 600.0 * BAR },
        ..counterbalance(0.5, ROD)
    };
    let held = Held {
        holding: Some(blocked),
        supply: 210.0 * BAR,
        load: 0.0,
        ..held()
    };
    let (mut plant, _) = held.plant();
    let mut inputs = Inputs::default();
    inputs.spool[0] = 1.0;
    plant.advance(&inputs, 2.0).expect("a run");
    near("PV-21b, bar", plant.axis(0).pressure_b / BAR, 411.7647, 1e-5);
}
