//! How well the built-in machines keep their tips to a way, what is reached and not what is wished for; and that no axis swings on for
//! being driven as it is.

use std::path::Path;

use bellcrank_machine::description::Description;
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario;
use bellcrank_tests::moves::{MACHINES, moves};

/// Largest position error of each move, mm: what was reached, and some 15 % more.
const REACHED: [&[f64]; 3] = [
    &[7.4, 8.7, 7.8, 7.0, 5.8, 6.9, 8.4],
    &[2.4, 3.2, 2.7, 2.1, 2.9, 3.0, 2.9],
    &[5.4, 12.8, 4.2, 6.1, 11.3, 11.7],
];

#[test]
fn each_machine_tracks_as_well_as_it_did() {
    for (machine, reached) in MACHINES.into_iter().zip(REACHED) {
        let moves = moves(machine);
        assert_eq!(moves.len(), reached.len(), "{machine}");
        for (a_move, most) in moves.iter().zip(reached) {
            let found = a_move.track();
            let position = 1e3 * found.position_largest_m;
            assert!(position < *most, "{machine}, {}: {found:?}", a_move.name);
        }
    }
}

/// ρ at 500 mm/s, by the speed led: the aims of 0.02 s with mobile valves and 0.005 s with servo-class valves.
#[test]
fn at_half_a_metre_a_second_the_aims_are_met() {
    for (machine, aim) in MACHINES.into_iter().zip([0.02, 0.005, 0.02]) {
        let fast = moves(machine)
            .into_iter()
            .filter(|a_move| a_move.name.contains("500 mm/s"));
        for a_move in fast {
            let found = a_move.track();
            assert!(found.rho_led_s <= aim, "{machine}, {}: {found:?}", a_move.name);
        }
    }
}

/// The digger's arm near both ends of each of its axes, one at a time at a third of its rate away from that end: what swings after the
/// start dies out while it goes on, and after it has stopped.
#[test]
fn no_axis_swings_on_near_the_ends_of_its_stroke() {
    for machine in ["yard-digger", "servo-digger"] {
        let text = bellcrank_machine::builtin(machine).unwrap();
        let description = bellcrank_machine::read(machine, text).unwrap();
        let ends = (0..description.axes.len()).flat_map(|axis| [(axis, 0.12), (axis, 0.88)]);
        let moved = ends.filter(|&(axis, end)| swing_dies_out(machine, &description, axis, end));
        // The guard lets hardly any motion happen in one pose or another.
        assert!(moved.count() >= 6, "{machine}");
    }
}

/// Whether the axis moved; what swings must die out.
fn swing_dies_out(machine: &str, description: &Description, axis: usize, end: f64) -> bool {
    // Folded, or the machine would tip to the side, where it slews.
    let shares = if axis == 0 {
        [0.5, 0.35, 0.8, 0.5]
    } else {
        [0.5, 0.45, 0.6, 0.5]
    };
    let angles: Vec<f64> = (0..4)
        .map(|i| {
            let (low, high) = description.axes[i].joint.range;
            let share = if i == axis { end } else { shares[i] };
            (low + share * (high - low)).to_degrees()
        })
        .collect();
    let name = &description.axes[axis].name;
    let run = |share: f64| {
        let text = format!(
            "name = \"n\"\nabout = \"a\"\nmachine = \"{machine}\"\nlength_s = 6\nstation = \"seat\"\nmode = \"joint\"\n[[start]]\narm = \"digger\"\nangles_deg = {angles:?}\n[[hand]]\nat_s = 0.4\nenable = true\n[[hand]]\nat_s = 1.5\nlever = {{ axis = \"{name}\", share = {share} }}\n[[hand]]\nat_s = 3.5\nneutral = true\n"
        );
        let scenario = scenario::parse("n", &text, Path::new("")).unwrap();
        rehearse(&scenario, 1).unwrap()
    };
    let at = |trace: &bellcrank_sim::trace::Trace, from: f64, to: f64| {
        let rates: Vec<f64> = trace
            .samples
            .iter()
            .filter(|sample| (from..to).contains(&sample.t))
            .map(|sample| sample.axes[axis].rate)
            .collect();
        let (low, high) = rates.iter().fold((f64::MAX, f64::MIN), |(low, high), rate| {
            (low.min(*rate), high.max(*rate))
        });
        (rates.iter().sum::<f64>() / rates.len() as f64, high - low)
    };
    // One of the two directions leads away from the end; it is the one in which it goes furthest.
    let (forth, back) = (run(0.3), run(-0.3));
    let trace = if at(&forth, 2.0, 3.5).0.abs() > at(&back, 2.0, 3.5).0.abs() {
        forth
    } else {
        back
    };
    let (moving, swing) = at(&trace, 3.0, 3.5);
    if moving.abs() < 5e-3 {
        return false;
    }
    assert!(
        swing < 0.3 * moving.abs(),
        "{machine}, {name} at {end}: {moving} swings by {swing}"
    );
    let (_, rest) = at(&trace, 5.5, 6.0);
    assert!(
        rest < 0.1 * moving.abs(),
        "{machine}, {name} at {end}: {rest} left of {moving}"
    );
    true
}
