//! What goes wrong with the hydraulics, and what the plant then does.

use bellcrank_machine::description::Valve;
use bellcrank_sim::plant::{Inputs, Plant, PlantError, SpoolFault};

use super::machines::three_joints;
use super::{BAR, cylinder, near, oil, pumped, spool, supply, valve};

#[test]
fn a_stuck_spool_keeps_moving_until_the_pressure_is_dumped() {
    let mut plant = three_joints(1500.0, 600.0);
    plant.advance(&spool(0.5), 0.4).expect("a run");
    plant.faults().spool[0] = SpoolFault::Frozen;
    let off = Inputs {
        valve_power: false,
        ..Inputs::default()
    };
    plant.advance(&off, 0.5).expect("a run");
    near("it sticks", plant.axis(0).spool, 0.5, 0.02);
    assert!(
        plant.axis(0).stroke_rate > 0.05,
        "neutral and no power do not stop it: {:?}",
        plant.axis(0)
    );
    plant
        .advance(
            &Inputs {
                dump_current: false,
                engine: false,
                ..off
            },
            0.5,
        )
        .expect("a run");
    assert!(
        plant.dump_opening() == 1.0 && plant.supply_pressure() < 5.0 * BAR,
        "{} Pa",
        plant.supply_pressure()
    );
    assert!(
        plant.axis(0).stroke_rate < 1e-3,
        "dumped it stops rising: {:?}",
        plant.axis(0)
    );

    plant.faults().spool[0] = SpoolFault::Forced(-0.3);
    plant.advance(&off, 0.3).expect("a run");
    near("forced", plant.axis(0).spool, -0.3, 1e-3);
    assert!(plant.axis(0).stroke_rate < -0.02, "it sinks: {:?}", plant.axis(0));
    plant.faults().spool[0] = SpoolFault::None;
    plant.advance(&off, 0.5).expect("a run");
    assert!(plant.axis(0).spool.abs() < 1e-3, "the springs centre it");
}

#[test]
fn a_worn_pump_is_slower_a_weak_coil_opens_less_and_a_leaking_piston_sinks() {
    let speed = |change: fn(&mut Plant)| {
        let mut plant = three_joints(1500.0, 600.0);
        change(&mut plant);
        plant.advance(&spool(1.0), 0.6).expect("a run");
        plant.axis(0).stroke_rate
    };
    let sound = speed(|_| {});
    assert!(speed(|plant| plant.faults().pump_scale = 0.3) < 0.5 * sound);
    assert!(speed(|plant| plant.faults().demand_scale[0] = 0.3) < 0.5 * sound);
    // Past a leaking piston the pressures even out, until the load hangs on the rod's area alone; then it sinks no
    // further.
    let mut plant = three_joints(1500.0, 600.0);
    let before = plant.axis(0).stroke;
    plant.faults().extra_leak[0] = 1e-10;
    plant.advance(&Inputs::default(), 2.0).expect("a run");
    let view = plant.axis(0);
    assert!(
        view.stroke < before - 0.005 && view.stroke > before - 0.015,
        "{} m",
        view.stroke - before
    );
    near("evened out", view.pressure_a, view.pressure_b, 1e-2);
}

/// A second-order spool of a tenth of its frequency takes ten times as long; what it goes to is the same.
#[test]
fn a_slow_spool_gets_there_later() {
    let after = |quickness: f64, time: f64| {
        let mut plant = three_joints(1500.0, 600.0);
        plant.faults().quickness[0] = quickness;
        plant.advance(&spool(0.5), time).expect("a run");
        plant.axis(0).spool
    };
    let (sound, slow) = (after(1.0, 0.02), after(0.1, 0.2));
    near("ten times as late", slow, sound, 0.03);
    assert!(after(0.1, 0.02) < 0.2 * sound, "{} of {sound}", after(0.1, 0.02));
    near("in the end", after(0.1, 1.5), 0.5, 0.01);
}

#[test]
fn a_spool_of_grown_overlap_opens_later_and_less() {
    let speed = |by: f64, told: f64| {
        let mut plant = three_joints(1500.0, 600.0);
        plant.faults().extra_overlap[0] = by;
        plant.advance(&spool(told), 0.6).expect("a run");
        plant.axis(0).stroke_rate
    };
    assert!(speed(0.0, 0.3) > 0.02, "{}", speed(0.0, 0.3));
    assert!(speed(0.3, 0.3).abs() < 1e-3, "{}", speed(0.3, 0.3));
    // The lands lie further out: so far is as much as that less of a sound one.
    near("further out", speed(0.2, 0.5), speed(0.0, 0.3), 0.02);
}

/// Without pressure in the line, worn lands let the load's oil out to the tank.
#[test]
fn an_axis_behind_worn_lands_sinks() {
    let off = Inputs {
        dump_current: false,
        engine: false,
        ..Inputs::default()
    };
    let sunk = |leak: f64| {
        let mut plant = three_joints(1500.0, 600.0);
        let before = plant.axis(0).stroke;
        plant.faults().land_leak[0] = leak;
        plant.advance(&off, 1.0).expect("a run");
        before - plant.axis(0).stroke
    };
    let (sound, worn) = (sunk(0.0), sunk(1e-11));
    assert!(sound < 0.0002 && worn > 0.004, "{sound} and {worn} m");
}

/// An orifice of three times the pump's flow at the setting lets all of that flow through at a ninth of it.
#[test]
fn a_relief_held_open_takes_the_pressure() {
    let mut plant = three_joints(1500.0, 600.0);
    plant.advance(&Inputs::default(), 0.5).expect("a run");
    let sound = plant.supply_pressure();
    plant.faults().relief_open = 3.0;
    plant.advance(&Inputs::default(), 0.5).expect("a run");
    let (set, tank) = (supply().relief, supply().tank);
    near("a ninth", plant.supply_pressure(), tank + (set - tank) / 9.0, 0.03);
    plant.faults().relief_open = 0.0;
    plant.advance(&Inputs::default(), 0.5).expect("a run");
    near("closed again", plant.supply_pressure(), sound, 0.01);
}

#[test]
fn a_stuck_dump_valve_keeps_the_pressure_when_its_current_goes() {
    let off = Inputs {
        dump_current: false,
        ..Inputs::default()
    };
    let mut plant = three_joints(1500.0, 600.0);
    plant.advance(&Inputs::default(), 0.3).expect("a run");
    let before = plant.supply_pressure();
    plant.faults().dump_stuck = true;
    plant.advance(&off, 0.5).expect("a run");
    assert_eq!(plant.dump_opening(), 0.0);
    near("kept", plant.supply_pressure(), before, 0.02);
    plant.faults().dump_stuck = false;
    plant.advance(&off, 0.5).expect("a run");
    assert!(plant.dump_opening() == 1.0 && plant.supply_pressure() < 10.0 * BAR);
}

/// Without pressure in the line, an opened valve lets a load sink backwards into it; the load check does not.
#[test]
fn the_load_check_holds_a_load_that_the_pump_does_not() {
    let sunk = |load_check: bool| {
        let (valve, supply) = (Valve { load_check, ..valve() }, supply());
        let mut plant = pumped(&cylinder(0.063, 0.036, 0.5), &valve, &supply, &oil());
        plant.set_state(0, 0.3);
        plant.set_state(plant.layout().a(0), 100.0 * BAR);
        let load = 100.0 * BAR * 3.117e-3;
        plant
            .advance(
                &Inputs {
                    engine: false,
                    dump_current: false,
                    load,
                    ..spool(0.6)
                },
                1.0,
            )
            .expect("a run");
        0.3 - plant.axis(0).stroke
    };
    assert!(
        sunk(false) > 0.1 && sunk(true) < 0.01,
        "{} and {} m",
        sunk(false),
        sunk(true)
    );
}

#[test]
fn what_cannot_be_integrated_is_an_error_that_says_where() {
    let mut plant = three_joints(1500.0, 600.0);
    plant.advance(&Inputs::default(), 0.01).expect("a run");
    let error = plant.advance(&spool(f64::NAN), 2e-3).expect_err("no number");
    let PlantError::NotFinite { time, state } = &error else {
        panic!("{error}")
    };
    assert!(
        (time - 0.01).abs() < 1e-12 && state == "spool rate of axis 0",
        "{error}"
    );
}
