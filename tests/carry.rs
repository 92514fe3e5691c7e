//! Carry mode: what two arms hold between them is moved as one.

use bellcrank_core::inputs::{Frame, Mode};
use bellcrank_core::machine::Machine;
use bellcrank_core::plan::Rates;
use bellcrank_sim::findings::judge;
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario;
use nalgebra::Vector3;

use crate::ideal::{Ideal, builtin};

const LEFT: &[f64] = &[-15.0, -10.0, 80.0, -20.0, 0.0];
const RIGHT: &[f64] = &[15.0, -10.0, 80.0, -20.0, 0.0];

/// What is stated: on ideal axes the tips keep their places to one another within 1 mm.
const APART: f64 = 1e-3;

fn setter() -> Machine {
    builtin("drystone setter")
}

fn carrying(machine: &Machine) -> Ideal<'_> {
    let mut bench = Ideal::new(machine, &[LEFT, RIGHT]);
    bench.hand.mode = Mode::Carry;
    bench
}

fn between(bench: &Ideal) -> Vector3<f64> {
    bench.tip(1) - bench.tip(0)
}

#[test]
fn one_set_of_levers_moves_both_tips_alike() {
    let machine = setter();
    for (frame, shares) in [
        (Frame::Machine, [0.0, 0.0, 0.6]),
        (Frame::Machine, [0.3, 0.3, 0.3]),
        (Frame::Seat, [-0.4, 0.0, 0.4]),
    ] {
        let mut bench = carrying(&machine);
        bench.hand.frame = frame;
        let (tip, apart) = (bench.tip(0), between(&bench));
        bench.push(0, &shares);
        bench.run(2.0, |bench| {
            assert!((between(bench) - apart).norm() < APART, "{shares:?}");
            assert!(bench.rates.together || bench.rates == bellcrank_core::plan::Rates::default());
        });
        bench.let_go();
        bench.run(2.0, |bench| assert!((between(bench) - apart).norm() < APART));
        let way = bench.tip(0) - tip;
        let wanted = Vector3::from(shares.map(f64::from)).normalize();
        assert!(way.norm() > 0.1 && way.normalize().dot(&wanted) > 0.9999, "{way:?}");
        assert!(!bench.rates.together, "nothing is asked any more");
    }
}

/// The levers of the other arms do nothing, and those of grips stay their own.
#[test]
fn the_other_arms_levers_do_nothing() {
    let machine = setter();
    let mut bench = carrying(&machine);
    bench.push(1, &[0.5, 0.5, 0.5, 0.5, 0.5]);
    let before = bench.angles.clone();
    bench.run(1.0, |_| {});
    assert_eq!(bench.angles, before);
}

/// What they hold is pitched about the line through the middle between the tips: one with the other, each about itself.
#[test]
fn what_is_held_is_turned_about_its_middle() {
    let machine = setter();
    let mut bench = carrying(&machine);
    let (tip, before) = (bench.tip(0), bench.joint(0, 3));
    bench.push(0, &[0.0, 0.0, 0.0, 0.5]);
    bench.run(1.0, |_| {});
    let turned = [0, 1].map(|arm| bench.facing(arm).column(0).z.asin().to_degrees());
    assert!((turned[0] - turned[1]).abs() < 0.1, "{turned:?}");
    assert!((bench.joint(0, 3) - before).abs() > 3.0);
    // The line through both tips is the axis: they stay.
    assert!((bench.tip(0) - tip).norm() < APART);

    let mut bench = carrying(&machine);
    let (middle, apart) = (0.5 * (bench.tip(0) + bench.tip(1)), between(&bench).norm());
    bench.push(0, &[0.0, 0.0, 0.0, 0.0, 0.3]);
    bench.run(1.0, |_| {});
    assert!((0.5 * (bench.tip(0) + bench.tip(1)) - middle).norm() < APART);
    assert!((between(&bench).norm() - apart).abs() < APART);
    assert!((bench.tip(0).z - bench.tip(1).z) > 0.05, "rolled: the left tip goes up");
}

/// One arm does only part of what is asked of it: the other waits, and their places to one another hold.
#[test]
fn an_arm_that_is_held_back_holds_back_the_other() {
    let machine = setter();
    let mut bench = carrying(&machine);
    let apart = between(&bench);
    let lift = machine.arms()[0].joints[1].axis.index();
    bench.push(0, &[0.0, 0.0, 0.8]);
    let mut worst = 0.0_f64;
    for _ in 0..1500 {
        let before = bench.angles[lift];
        bench.tick();
        // The left lift does a third of what it should.
        bench.angles[lift] = before + (bench.angles[lift] - before) / 3.0;
        worst = worst.max((between(&bench) - apart).norm());
    }
    assert!(worst < 0.009, "{worst} m");
    assert!(bench.tip(1).z > 0.0);
}

/// A tip that was moved away while nothing was asked is brought back to its place beside the other with the next lift.
#[test]
fn places_are_kept_from_one_lift_to_the_next() {
    let machine = setter();
    let mut bench = carrying(&machine);
    let apart = between(&bench);
    bench.push(0, &[0.0, 0.0, 0.4]);
    bench.run(1.0, |_| {});
    bench.let_go();
    bench.run(2.0, |_| {});
    let lift = machine.arms()[1].joints[1].axis.index();
    bench.angles[lift] += 0.003;
    assert!((between(&bench) - apart).norm() > 2e-3);
    bench.push(0, &[0.0, 0.0, 0.3]);
    bench.run(3.0, |_| {});
    let off = (between(&bench) - apart).norm();
    assert!(off < 3e-4, "{off} m");
}

#[test]
fn leaving_the_mode_forgets_the_places() {
    let machine = setter();
    let mut bench = carrying(&machine);
    bench.push(0, &[0.0, 0.0, 0.4]);
    bench.run(0.5, |_| {});
    bench.let_go();
    bench.hand.mode = Mode::Tip;
    bench.run(0.5, |_| {});
    let nothing = Rates {
        stamp: bench.rates.stamp,
        ..Rates::default()
    };
    assert_eq!(bench.rates, nothing);
}

/// On the plant: a stone held between the setter's arms is lifted 1 m, and the tips keep their places to one another within 10 mm, and
/// how they are pitched and rolled to one another within a degree. (How they are headed follows their places.)
#[test]
fn the_setter_lifts_a_stone_with_both_arms() {
    let scenario = scenario::read("carry-lift").unwrap();
    let machine = &scenario.machine;
    for seed in 1..=3 {
        let trace = rehearse(&scenario, seed).unwrap();
        let found = judge(&scenario, seed, &trace);
        assert!(found.apart_m.unwrap() < 0.010, "seed {seed}: {:?}", found.apart_m);
        assert!(
            found.along_line_m.unwrap() > 0.99,
            "seed {seed}: {:?}",
            found.along_line_m
        );
        let turned = |sample: &bellcrank_sim::trace::Sample| {
            let [left, right] = [0, 1].map(|arm: usize| {
                let angles: Vec<f64> = machine.arms[arm]
                    .axes
                    .iter()
                    .map(|&axis| sample.axes[axis].angle)
                    .collect();
                [angles[1] + angles[2] + angles[3], angles[4]]
            });
            [left[0] - right[0], left[1] - right[1]]
        };
        let first = turned(&trace.samples[100]);
        for sample in &trace.samples[100..] {
            for (now, before) in turned(sample).iter().zip(first) {
                let off = (now - before).to_degrees().abs();
                assert!(off < 1.0, "seed {seed}, {} s: turned by {off} degrees", sample.t);
            }
        }
    }
}
