//! The guard's promises, on the built-in machines and on the bench: what it states of every pair, that an arm slides along a zone and comes to
//! rest at one, reduced tip speed, and the moment that keeps a machine on its feet, worked out by hand.

use bellcrank_core::Machine;
use bellcrank_core::chain::ArmPose;
use bellcrank_core::guard;
use bellcrank_core::keepout::Surroundings;
use bellcrank_core::last_tick::Held;
use bellcrank_core::machine::{Arm, AxisId, Footing, PerAxis};
use bellcrank_core::plan::Rates;
use bellcrank_core::sense::{AxisPosture, Levels, Posture, poses};
use bellcrank_core::stamp::Stamp;
use bellcrank_core::supervise::{Permit, State, What};
use bellcrank_core::units::{Duration, Instant, seconds};
use bellcrank_core::vec3::{Vec3, add, dot, scale};
use bellcrank_machine::description::{Shape, Zone};
use nalgebra::Vector3;
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::check::{Bench, parts, permit};

fn built_in(index: usize) -> Machine {
    let (name, text) = bellcrank_machine::BUILTIN[index];
    bellcrank_machine::build(&bellcrank_machine::read(name, text).unwrap()).unwrap()
}

/// The setter with something on the third link of its left arm that its right arm keeps from.
fn carrying() -> Machine {
    let text = bellcrank_machine::builtin("drystone-setter").unwrap();
    let mut setter = bellcrank_machine::read("setter", text).unwrap();
    setter.zones = vec![Zone {
        name: "lamp".into(),
        shape: Shape::Capsule {
            from: Vector3::new(0.2, -0.3, 0.0),
            to: Vector3::new(0.2, -0.6, 0.0),
            radius: 0.05,
        },
        on: Some(2),
        spares: (0..6).collect(),
        margin: 0.1,
    }];
    bellcrank_machine::build(&setter).unwrap()
}

/// A machine with each axis at a share of its stroke, moving at a share of its full rate, read a while ago.
fn posture(machine: &Machine, shares: &[f32], moving: &[f32], age_s: f32) -> Posture {
    let mut axes = PerAxis::default();
    for ((id, axis), (share, moving)) in machine.axes().zip(shares.iter().zip(moving)) {
        let stroke = axis.stroke.0 + (axis.stroke.1 - axis.stroke.0) * share;
        let angle = axis.linkage.angle(stroke).unwrap();
        axes.set(
            id,
            AxisPosture {
                stroke,
                spread: axis.fastest() * age_s,
                rate: moving * axis.valve.full_rate.toward(*moving),
                angle,
                ratio: axis.linkage.ratio(angle).unwrap(),
                fault: None,
                known: true,
                unchanged: Duration::from_ticks(0),
            },
        );
    }
    Posture {
        now: Instant::from_ticks(0),
        dt: Duration::from_ticks(2000),
        untimely: None,
        stamp: Stamp::sensed(1),
        arms: poses(machine, &axes),
        axes,
        switches: Levels {
            seat_enable: true,
            ..Levels::default()
        },
    }
}

/// Rates that are each a share of what the axis can.
fn rates(machine: &Machine, posture: &Posture, shares: &[f32]) -> Rates {
    let mut wanted = Rates::default();
    for ((id, axis), share) in machine.axes().zip(shares) {
        let full = axis.valve.full_rate.toward(*share);
        wanted.axes.set(id, share * full / posture.axes.get(id).ratio);
    }
    wanted
}

fn shares() -> impl Strategy<Value = Vec<f32>> {
    prop::collection::vec(0.0_f32..1.0, 12)
}

fn both_ways() -> impl Strategy<Value = Vec<f32>> {
    prop::collection::vec(prop_oneof![-1.0_f32..1.0, Just(0.0), Just(1.0), Just(-1.0)], 12)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    /// Whatever is asked of any machine, in any pose and motion: each rate is between zero and what was asked; and no pair of parts
    /// can lose more of its room, by all joints that close it, than there is.
    #[test]
    fn every_pair_can_still_be_braked_for(
        index in 0_usize..3, at in shares(), moving in both_ways(), asked in both_ways(), together in any::<bool>(), age in prop_oneof![Just(0.0_f32), 0.0_f32..0.02],
    ) {
        let machine = if index < 2 { built_in(index) } else { carrying() };
        let posture = posture(&machine, &at, &moving, age);
        let wanted = Rates { together, ..rates(&machine, &posture, &asked) };
        let (given, _) = guard::step(&machine, &posture, &permit(&machine), &wanted);
        for ((_, given), (_, wanted)) in given.axes.iter().zip(wanted.axes.iter()) {
            prop_assert!(given.abs() <= wanted.abs() && given * wanted >= 0.0, "{given} of {wanted}");
        }

        let reaction = seconds(machine.timing().reaction);
        let mut surroundings = Surroundings::new(&machine);
        surroundings.look(&posture.arms);
        let mut worst = f32::INFINITY;
        surroundings.scan(|_, _| f32::INFINITY, |pair| {
            let closing = surroundings.closing(pair, |_, _| true);
            let (mut needed, mut room) = (0.0, pair.closest.room());
            for (arm, closing) in machine.arms().iter().zip(closing) {
                for (joint, closing) in arm.movers().zip(closing) {
                    let (axis, now) = (machine.axis(joint.axis).unwrap(), posture.axes.get(joint.axis));
                    let rate = closing.signum() * given.axes.get(joint.axis);
                    if rate > 0.0 {
                        let braking = axis.tracking.braking / now.ratio.abs();
                        needed += closing.abs() * rate * (reaction + 0.5 * rate / braking);
                    }
                    room -= closing.abs() * now.spread / now.ratio.abs();
                }
            }
            if needed > 0.0 {
                worst = worst.min(room - needed);
            }
        });
        prop_assert!(worst > -1e-4, "{worst} m short");
    }

    #[test]
    fn what_is_no_number_does_not_move_any_machine(
        index in 0_usize..2, at in shares(), asked in both_ways(), axis in 0_usize..4, bad in prop_oneof![Just(f32::NAN), Just(f32::INFINITY), Just(f32::NEG_INFINITY)],
    ) {
        let machine = built_in(index);
        let posture = posture(&machine, &at, &asked, 0.0);
        let mut wanted = rates(&machine, &posture, &asked);
        let bad_axis = AxisId::new(axis).unwrap();
        wanted.axes.set(bad_axis, bad);
        let (given, _) = guard::step(&machine, &posture, &permit(&machine), &wanted);
        prop_assert_eq!(given.axes.get(bad_axis), 0.0);
        for ((id, given), (_, wanted)) in given.axes.iter().zip(wanted.axes.iter()) {
            prop_assert!(id == bad_axis || given.abs() <= wanted.abs(), "{given} of {wanted}");
        }
    }

    /// No tip is faster than the station's cap, and the joints of an arm go as they were asked, only slower.
    #[test]
    fn no_tip_is_faster_than_the_station_allows(index in 0_usize..2, at in shares(), asked in both_ways(), cap in 0.05_f32..1.0) {
        let machine = built_in(index);
        let posture = posture(&machine, &at, &[0.0; 12], 0.0);
        let wanted = rates(&machine, &posture, &asked);
        let free = permit(&machine);
        let capped = Permit { limits: bellcrank_core::machine::StationLimits { tip_speed: Some(cap), ..free.limits }, ..free };
        let [(given, _), (without, _)] = [capped, free].map(|permit| guard::step(&machine, &posture, &permit, &wanted));
        for (arm, pose) in machine.arms().iter().zip(&posture.arms) {
            let velocity = tip_velocity(arm, pose.as_ref().unwrap(), &given);
            let speed = dot(velocity, velocity).sqrt();
            prop_assert!(speed <= cap * 1.001, "{speed} m/s with a cap of {cap}");
            let mut shares = arm.joints.iter().filter(|joint| without.axes.get(joint.axis) != 0.0).map(|joint| given.axes.get(joint.axis) / without.axes.get(joint.axis));
            if let Some(first) = shares.next() {
                // Both pumps' flow is shared out after it: what the cap takes leaves more of that.
                prop_assert!(shares.all(|share| (share - first).abs() < 1e-3 * first.abs().max(1.0)));
            }
        }
    }
}

/// In random poses each tip is led by what random rates would make of it. Whatever is held back, a tip goes that way or not at all; and there
/// are many that would otherwise be turned round.
#[test]
fn a_tip_that_is_led_one_way_does_not_go_the_other() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut turned = 0;
    for index in (0..2).cycle().take(2_000) {
        let machine = built_in(index);
        let [at, asked] = [0.0_f32..1.0, -1.0..1.0].map(|range| [(); 12].map(|()| rng.random_range(range.clone())));
        let posture = posture(&machine, &at, &[0.0; 12], 0.0);
        let free = rates(&machine, &posture, &asked);
        let mut led = free;
        for ((arm, pose), led) in machine.arms().iter().zip(&posture.arms).zip(&mut led.tip_velocities) {
            *led = pose.as_ref().map(|pose| tip_velocity(arm, pose, &free));
        }
        let [(with, _), (without, _)] =
            [led, free].map(|wanted| guard::step(&machine, &posture, &permit(&machine), &wanted));
        for ((arm, pose), led) in machine.arms().iter().zip(&posture.arms).zip(led.tip_velocities) {
            let (pose, led) = (pose.as_ref().unwrap(), led.unwrap());
            let along = |rates| dot(tip_velocity(arm, pose, rates), led);
            turned += u32::from(along(&without) < -1e-3);
            assert!(along(&with) > -1e-6, "{:?} led {led:?}", tip_velocity(arm, pose, &with));
        }
    }
    assert!(turned > 50, "{turned}");
}

fn tip_velocity(arm: &Arm, pose: &ArmPose, rates: &Rates) -> Vec3 {
    let moves = pose.point_columns(usize::MAX, pose.tip).zip(&arm.joints);
    moves.fold([0.0; 3], |sum, (column, joint)| {
        add(sum, scale(column, rates.axes.get(joint.axis)))
    })
}

/// The tip is sent along a zone and into it at once, at 0.5 m/s each way: it goes along it, and not into it.
#[test]
fn an_arm_slides_along_a_zone() {
    let machine = Machine::new(parts()).unwrap();
    for up in [1.0_f32, -1.0] {
        let mut bench = Bench::enabled(&machine);
        bench.tip_mode();
        bench.lever(3, 1.0);
        bench.run(4_000);
        assert!(bench.logged(What::Held(Held::FromZone(0))));
        let held_at = tip(&bench)[2];
        bench.lever(4, up);
        let mut furthest = f32::MIN;
        for _ in 0..750 {
            bench.tick();
            furthest = furthest.max(tip(&bench)[1]);
        }
        let along = up * (tip(&bench)[2] - held_at);
        assert!(furthest < 1.005, "the tip got to y = {furthest} m");
        // 0.75 m is asked for; what the pitch asks of the same joint is against it.
        assert!(along > 0.4, "slid by {along} m, up {up}");
    }
}

/// A lever held at full towards a zone for a long time: the tip comes to rest once, and stays there.
#[test]
fn an_arm_comes_to_rest_at_a_zone_once() {
    let machine = Machine::new(parts()).unwrap();
    for tip_mode in [false, true] {
        let mut bench = Bench::enabled(&machine);
        if tip_mode {
            bench.tip_mode();
            bench.lever(3, 1.0);
        } else {
            bench.lever(0, 1.0);
        }
        bench.run(200);
        let mut before = bench.strokes[0];
        loop {
            bench.tick();
            let after = bench.strokes[0];
            if after == before {
                break;
            }
            before = after;
        }
        let rests = tip(&bench)[1];
        assert!((0.97..1.002).contains(&rests), "it comes to rest at y = {rests} m");
        for _ in 0..5_000 {
            bench.tick();
            let y = tip(&bench)[1];
            assert!((y - rests).abs() < 5e-4, "it creeps on to y = {y} m from {rests} m");
        }
    }
}

fn tip(bench: &Bench) -> [f32; 3] {
    let [slew, lift] = bench.strokes.map(|stroke| stroke - 1.5);
    [
        0.5 + 2.0 * slew.cos() * lift.cos(),
        2.0 * slew.sin() * lift.cos(),
        1.0 - 2.0 * lift.sin(),
    ]
}

/// The key for commissioning reduces the speed of the tip, in joint mode too; turned back it does not.
#[test]
fn commissioning_goes_at_reduced_speed() {
    let mut parts = parts();
    parts.commissioning_speed = Some(0.25);
    let machine = Machine::new(parts).unwrap();
    for (commissioning, wanted) in [(true, 0.25), (false, 1.0)] {
        let mut bench = Bench::ready(&machine);
        bench.inputs.commissioning = commissioning;
        bench.run(50);
        bench.inputs.seat.enable = true;
        bench.run(100);
        // 0.5 rad/s at 2 m.
        bench.lever(1, 1.0);
        bench.run(400);
        let before = tip(&bench);
        bench.run(100);
        let after = tip(&bench);
        let way: f32 = before.iter().zip(after).map(|(a, b)| (a - b).powi(2)).sum();
        let speed = way.sqrt() / 0.1;
        assert!((speed - wanted).abs() < 0.05 * wanted, "{speed} m/s, wanted {wanted}");
    }
}

/// A carrier of 1000 kg on a square of 2 m with its centre over the middle; an arm of 100 kg whose centre is 1 m out and a payload of 600 kg 2 m
/// out, on a joint 0.5 m in front of the middle. With the arm raised or lowered by a from level the front edge is held by
/// 1000 - 100 (cos a - 0.5) - 600 (2 cos a - 0.5) = 1350 - 1300 cos a, kg m, of which a tenth of 1000 must be left: cos a = 1250 / 1300.
#[test]
fn the_arm_is_not_lowered_to_where_the_machine_tips() {
    let mut parts = parts();
    parts.footing = Some(Footing {
        mass: 1000.0,
        centre: [0.0, 0.0],
        support: [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]
            .into_iter()
            .collect(),
        tip_margin: 0.1,
    });
    parts.arms[0].joints[1].mass = 100.0;
    parts.arms[0].joints[1].centre = [1.0, 0.0, 0.0];
    parts.arms[0].payload = 600.0;
    let machine = Machine::new(parts).unwrap();
    let limit = (1250.0_f32 / 1300.0).acos();

    // Level it is already beyond the margin. What leads out of that passes.
    let mut bench = Bench::enabled(&machine);
    bench.lever(1, 1.0);
    bench.run(500);
    assert!(
        bench.strokes[1] - 1.5 > 0.1,
        "lowering it from level brings it in: {}",
        bench.strokes[1]
    );
    bench.lever(1, -1.0);
    bench.run(600);
    let stuck = bench.strokes[1] - 1.5;
    assert!(stuck > 0.0, "it was raised again to {stuck} rad, further out");

    bench.lever(1, 1.0);
    bench.run(1_500);
    bench.lever(1, -1.0);
    bench.run(4_000);
    let rests = bench.strokes[1] - 1.5;
    assert!(
        (limit - 1e-3..limit + 0.03).contains(&rests),
        "rests at {rests} rad, the limit is {limit}"
    );
    assert_eq!(bench.state(), State::Enabled);
    assert!(bench.logged(What::Held(Held::FromTipping)), "{:?}", bench.events());
}

/// PV-66: the least gaps that do not crush: 120 mm for an arm, 100 mm for a hand. Source: ISO 13854, as found in an accident insurer's lexicon. PV-69: no
/// more than 250 mm/s with people near. Source: ISO 10218-1, as found in an engineering office's page; written for industrial robots and borrowed here.
#[test]
fn the_built_in_machines_keep_what_the_standards_say() {
    for (name, text) in bellcrank_machine::BUILTIN {
        let machine = bellcrank_machine::read(name, text).unwrap();
        let seat = machine.zones.iter().find(|zone| zone.name == "seat").unwrap();
        assert!(seat.margin >= 0.120, "{name}: {} m", seat.margin);
        assert!(machine.guard.commissioning_speed.unwrap() <= 0.250, "{name}");
        let remote = machine.stations.remote.as_ref().unwrap();
        assert!(remote.tip_speed.unwrap() <= 0.250, "{name}");
        if machine.arms.len() > 1 {
            assert!(machine.guard.arms_margin >= 0.100, "{name}");
        }
    }
}
