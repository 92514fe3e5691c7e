//! The guard: it only ever makes less motion, and nothing gets past a zone or an end of range.

use bellcrank_core::Machine;
use bellcrank_core::guard;
use bellcrank_core::last_tick::Held;
use bellcrank_core::machine::AxisId;
use bellcrank_core::plan::Rates;
use bellcrank_core::sense::{AxisPosture, Posture, poses};
use bellcrank_core::supervise::{State, What};
use bellcrank_core::units::Duration;
use proptest::prelude::*;

use crate::check::{Bench, parts, permit};

fn posture(machine: &Machine, strokes: [f32; 2]) -> Posture {
    let bench = Bench::enabled(machine);
    let mut posture = bench.posture();
    for (index, stroke) in strokes.into_iter().enumerate() {
        let id = AxisId::new(index).unwrap();
        let angle = machine.axis(id).unwrap().linkage.angle(stroke).unwrap();
        posture.axes.set(
            id,
            AxisPosture {
                stroke,
                angle,
                ..posture.axes.get(id)
            },
        );
    }
    posture.arms = poses(machine, &posture.axes);
    posture
}

proptest! {
    #[test]
    fn only_ever_less_motion(
        strokes in [0.0_f32..3.0, 0.0_f32..3.0],
        rates in [(-5.0_f32..5.0, -5.0_f32..5.0), (-5.0_f32..5.0, -5.0_f32..5.0)],
    ) {
        let machine = Machine::new(parts()).unwrap();
        let mut wanted = Rates::default();
        for (index, (rate, correction)) in rates.into_iter().enumerate() {
            let id = AxisId::new(index).unwrap();
            wanted.axes.set(id, rate);
            wanted.corrections.set(id, correction);
        }
        let (given, _) = guard::step(&machine, &posture(&machine, strokes), &permit(&machine), &wanted);
        for (id, rate) in given.axes.iter() {
            let wanted = wanted.axes.get(id);
            prop_assert!(rate.abs() <= wanted.abs() && rate * wanted >= 0.0, "{rate} of {wanted}");
            let led = rate - given.corrections.get(id);
            prop_assert!(rate == wanted || (led.abs() <= rate.abs() && led * rate >= 0.0), "{led} led of {rate}");
        }
    }

    #[test]
    fn what_is_no_number_does_not_move(strokes in [0.2_f32..2.8, 0.2_f32..2.8], rate in -1.0_f32..1.0) {
        let machine = Machine::new(parts()).unwrap();
        let (slew, lift) = (AxisId::new(0).unwrap(), AxisId::new(1).unwrap());
        let mut wanted = Rates::default();
        wanted.axes.set(slew, f32::NAN);
        wanted.axes.set(lift, rate);
        let (given, _) = guard::step(&machine, &posture(&machine, strokes), &permit(&machine), &wanted);
        prop_assert_eq!(given.axes.get(slew), 0.0);
        prop_assert!(given.axes.get(lift).abs() <= rate.abs());
    }
}

/// The zone's near face is at y = 1.2 m, its margin 0.1 m, the link's radius 0.1 m: the tip must stop at y = 1.0 m, give or take the
/// 5 mm by which the drive's feedback may overshoot; the zone itself begins 100 mm further on.
#[track_caller]
fn stays_out(drive: impl Fn(&mut Bench)) {
    let machine = Machine::new(parts()).unwrap();
    let mut bench = Bench::enabled(&machine);
    drive(&mut bench);
    let mut furthest = f32::MIN;
    for _ in 0..4_000 {
        bench.tick();
        furthest = furthest.max(tip(&bench)[1]);
    }
    assert!(furthest < 1.005, "the tip got to y = {furthest} m");
    assert!(
        furthest > 0.9,
        "the tip stayed at y = {furthest} m: held back long before it had to be"
    );
    assert_eq!(bench.state(), State::Enabled);
    assert!(bench.logged(What::Held(Held::FromZone(0))), "{:?}", bench.events());
}

fn tip(bench: &Bench) -> [f32; 3] {
    let [slew, lift] = bench.strokes.map(|stroke| stroke - 1.5);
    [
        0.5 + 2.0 * slew.cos() * lift.cos(),
        2.0 * slew.sin() * lift.cos(),
        1.0 - 2.0 * lift.sin(),
    ]
}

#[test]
fn a_lever_at_full_towards_the_zone_in_joint_mode() {
    stays_out(|bench| bench.lever(0, 1.0));
}

#[test]
fn a_lever_at_full_towards_the_zone_in_tip_mode() {
    stays_out(|bench| {
        bench.tip_mode();
        bench.lever(3, 1.0);
    });
}

#[test]
fn the_end_of_the_range_is_braked_for() {
    let machine = Machine::new(parts()).unwrap();
    for (share, end) in [(1.0, 2.9), (-1.0, 0.1)] {
        let mut bench = Bench::enabled(&machine);
        bench.lever(1, share);
        bench.run(8_000);
        let left = (bench.strokes[1] - end).abs();
        assert!(left < 0.01, "stands {left} from its end");
        assert!(
            (0.1 - 1e-3..=2.9 + 1e-3).contains(&bench.strokes[1]),
            "went over its end: {}",
            bench.strokes[1]
        );
        assert_eq!(bench.state(), State::Enabled);
        assert!(bench.logged(What::Held(Held::FromEnd)));
    }
}

#[test]
fn the_pump_is_shared_alike() {
    let mut parts = parts();
    // Each axis at 0.4 rad/s takes 4e-5 m³/s; the pump gives half of what both want.
    parts.pump_flow = 4e-5;
    let machine = Machine::new(parts).unwrap();
    let posture = posture(&machine, [1.5, 1.5]);
    let mut wanted = Rates::default();
    for (id, rate) in [(0, 0.2), (1, -0.6)] {
        wanted.axes.set(AxisId::new(id).unwrap(), rate);
    }
    let (given, _) = guard::step(&machine, &posture, &permit(&machine), &wanted);
    for (id, rate) in [(0, 0.1), (1, -0.3)] {
        assert!((given.axes.get(AxisId::new(id).unwrap()) - rate).abs() < 1e-6);
    }
    assert_eq!(posture.dt, Duration::from_ticks(2_000));
}
