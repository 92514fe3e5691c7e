//! Hoses, cylinders, oil and load-holding valves.

use super::{Entry, MOTION, PLAIN, Subsystem};
use crate::scenario::FaultKind;

const HYDRAULICS: Entry = Entry {
    subsystem: Subsystem::Hydraulics,
    names: &MOTION,
    ..PLAIN
};

/// All of them.
pub const ENTRIES: &[Entry] = &[
    Entry {
        name: "hose burst",
        about: "a hose between a valve and its axis bursts",
        on: Some(|_| true),
        amount: "a hole of 1 to 8 mm; below half the extending side's, above it the other's",
        mildest: 0.5,
        make: |at| {
            let hole = at.either_way(0.001, 0.008);
            let side = usize::from(hole > 0.0);
            let (axis, hole) = (at.axis, hole.abs());
            (FaultKind::HoseBurst { axis, side, hole }, None)
        },
        beyond: Some("load-holding valves on the cylinder: without one the load comes down"),
        ..HYDRAULICS
    },
    Entry {
        name: "oil hot",
        about: "the oil is suddenly hot and thin",
        amount: "70 to 110 °C",
        make: |at| {
            let to = at.between(70.0, 110.0);
            (FaultKind::OilHot { to }, None)
        },
        ..HYDRAULICS
    },
    Entry {
        name: "piston leak",
        about: "oil passes the piston seal of an axis",
        on: Some(|_| true),
        amount: "0.05 to 2 cm³ a second and bar",
        make: |at| {
            let leak = at.between(0.05, 2.0) * 1e-11;
            (FaultKind::PistonLeak { axis: at.axis, leak }, None)
        },
        beyond: Some("maintenance: no valve holds a cylinder that leaks inside"),
        ..HYDRAULICS
    },
    Entry {
        name: "air in the oil",
        about: "the oil holds much undissolved air: a low tank, a leaking suction line",
        // Common practice, no source: up to 1 or 2 % is usual, more than 10 % is foam.
        amount: "2 to 15 % of its volume",
        make: |at| {
            let share = at.between(0.02, 0.15);
            (FaultKind::AirInOil { share }, None)
        },
        ..HYDRAULICS
    },
    Entry {
        name: "holding valve stuck open",
        about: "the load-holding valves of an axis stick open",
        on: Some(|axis| axis.holding.is_some()),
        make: |at| (FaultKind::HoldingStuckOpen { axis: at.axis }, None),
        beyond: Some(
            "maintenance, and another valve at the load: the spool lets the lines out to tank, and nothing else holds it",
        ),
        ..HYDRAULICS
    },
];
