//! Go-to moves: they keep to their line and arrive, and what is in the way is named before anything moves.

#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "narrowing to what the core is given is meant"
)]

use bellcrank_core::inputs::{Frame, GoTo, Mode, Target};
use bellcrank_core::last_tick::{Obstacle, Refusal};
use bellcrank_core::machine::{AxisId, Machine};
use bellcrank_core::units::Lever;
use nalgebra::Vector3;

use crate::ideal::{Ideal, TICK, builtin};

const LEFT: &[f64] = &[-15.0, -20.0, 70.0, 40.0, 20.0];
const RIGHT: &[f64] = &[-30.0, -40.0, 100.0, 20.0, 0.0];

/// What is stated of a go-to move on ideal axes: within 1 mm of its line, and ending within 0.1 mm of its end.
const OFF_LINE: f64 = 1e-3;
const OFF_END: f64 = 1e-4;

fn setter() -> Machine {
    builtin("drystone setter")
}

fn by(arm: u8, way: [f32; 3]) -> GoTo {
    GoTo {
        number: 1,
        arm,
        to: Target::By(way),
        frame: Frame::Machine,
        speed: 0.25,
    }
}

/// Runs until the order moves the tip; how long that took, s.
fn until_going(bench: &mut Ideal, arm: usize) -> f64 {
    for tick in 0..2_000 {
        bench.tick();
        if bench.rates.tips[arm].is_some() {
            return f64::from(tick) * TICK;
        }
        assert_eq!(bench.rates.refused, None, "refused");
    }
    panic!("never under way");
}

/// Runs until the order is refused; the arms must not have moved.
#[track_caller]
fn refused(bench: &mut Ideal) -> Refusal {
    let before = bench.angles.clone();
    for _ in 0..2_000 {
        bench.tick();
        if let Some(refusal) = bench.rates.refused {
            assert_eq!(bench.angles, before, "something moved");
            bench.run(1.0, |bench| assert_eq!(bench.rates.refused, None, "told twice"));
            assert_eq!(bench.angles, before, "something moved after it was refused");
            return refusal;
        }
    }
    panic!("neither refused nor done");
}

#[test]
fn a_go_to_keeps_to_its_line_and_arrives() {
    let machine = setter();
    for way in [[0.0, 0.0, 0.5], [-0.3, 0.3, 0.2], [0.05, -0.4, 0.1], [0.0, 0.002, 0.0]] {
        let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
        let (from, level) = (bench.tip(0), bench.facing(0).row(2).into_owned());
        bench.order(by(0, way));
        let wanted = Vector3::from(way.map(f64::from));
        let direction = wanted.normalize();
        let mut fastest = 0.0_f64;
        let mut last = from;
        bench.run(7.0, |bench| {
            let way = bench.tip(0) - from;
            let off = (way - direction * way.dot(&direction)).norm();
            assert!(off < OFF_LINE, "{off} m off its line");
            fastest = fastest.max((bench.tip(0) - last).norm() / TICK);
            last = bench.tip(0);
        });
        let off = (bench.tip(0) - from - wanted).norm();
        assert!(off < OFF_END, "{way:?}: ends {off} m off");
        assert!(fastest < 1.01 * 0.25, "{fastest}");
        assert!((bench.facing(0).row(2) - level).norm().to_degrees() < 0.1);
        assert_eq!(bench.rates.tips, [None; 2], "still under way");
        let there = bench.angles.clone();
        bench.run(1.0, |_| {});
        assert_eq!(bench.angles, there, "an order that is done does nothing more");
    }
}

/// How long it takes, against the profile's closed formula: T = h/v + v/a + a/j, with the arm's full speed in its ramp.
#[test]
fn a_go_to_takes_as_long_as_its_profile_says() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    bench.order(by(0, [0.0, 0.0, 0.5]));
    until_going(&mut bench, 0);
    let mut moving = 0.0;
    bench.run(6.0, |bench| {
        if bench.rates.tip_velocities[0].is_some_and(|v| v != [0.0; 3]) {
            moving += TICK;
        }
    });
    let (h, v) = (0.5, 0.25);
    let (full, ramp) = (
        f64::from(machine.arms()[0].tip_speed),
        f64::from(machine.arms()[0].tip_ramp),
    );
    let (a, j) = (full * 4.0 / (3.0 * ramp), full * 16.0 / (3.0 * ramp * ramp));
    let wanted = h / v + v / a + a / j;
    assert!((moving - wanted).abs() < 0.01, "{moving} s, wanted {wanted}");
}

#[test]
fn where_to_is_told_in_the_frame_of_the_order() {
    let text = bellcrank_machine::builtin("drystone setter").unwrap();
    let text = text.replace("yaw_deg = 0", "yaw_deg = 30");
    let machine = bellcrank_machine::build(&bellcrank_machine::read("setter", &text).unwrap()).unwrap();
    let (sin, cos) = 30_f64.to_radians().sin_cos();
    let seat = Vector3::new(0.0, 0.0, 0.6);
    let start = Ideal::new(&machine, &[LEFT, RIGHT]);
    let (tip, facing) = (start.tip(0), start.facing(0));
    let there = tip + Vector3::new(0.05, 0.1, 0.2);
    let [x, y, z] = [0, 1, 2].map(|i| (there - seat)[i]);
    let at = |place: Vector3<f64>| Target::At(place.map(|x| x as f32).into());
    for (frame, to, wanted) in [
        (Frame::Machine, at(there), there),
        (
            Frame::Seat,
            Target::By([0.0, 0.1, 0.0]),
            tip + Vector3::new(-sin, cos, 0.0) * 0.1,
        ),
        (
            Frame::Seat,
            at(Vector3::new(cos * x + sin * y, cos * y - sin * x, z)),
            there,
        ),
        (
            Frame::Tool,
            Target::By([-0.1, 0.0, 0.05]),
            tip + facing * Vector3::new(-0.1, 0.0, 0.05),
        ),
    ] {
        let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
        bench.order(GoTo {
            to,
            frame,
            ..by(0, [0.0; 3])
        });
        bench.run(4.0, |_| {});
        let off = (bench.tip(0) - wanted).norm();
        assert!(off < OFF_END, "{frame:?} {to:?}: {off} m off");
    }
}

/// The seat is zone 0 of the setter; the first part of the arm that would come too near it does so where the plain search says.
#[test]
fn a_go_to_through_the_seat_is_refused_before_anything_moves() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[&[-40.0, -55.0, 125.0, 20.0, 0.0], RIGHT]);
    bench.order(by(0, [-1.0, -1.0, 0.0]));
    let refusal = refused(&mut bench);
    assert_eq!((refusal.arm, refusal.obstacle), (0, Obstacle::Zone(0)), "{refusal:?}");
    assert!(refusal.along_mm > 0, "{refusal:?}");
}

#[test]
fn a_go_to_into_the_other_arm_is_refused() {
    let machine = setter();
    let ahead = &[0.0, -20.0, 70.0, 0.0, 0.0];
    let inward = &[30.0, -20.0, 70.0, 0.0, 0.0];
    let mut bench = Ideal::new(&machine, &[ahead, inward]);
    let across = bench.tip(1) - bench.tip(0);
    bench.order(by(0, [0.0, across.y as f32, 0.0]));
    let refusal = refused(&mut bench);
    assert_eq!(refusal.obstacle, Obstacle::OtherArm, "{refusal:?}");
    assert!((300..1500).contains(&refusal.along_mm), "{refusal:?}");
}

#[test]
fn a_go_to_past_an_end_of_range_or_out_of_reach_is_refused() {
    let machine = setter();
    // Straight up: the lift is at its upper end before the arm is stretched.
    let mut bench = Ideal::new(&machine, &[&[-15.0, -60.0, 70.0, 40.0, 0.0], RIGHT]);
    bench.order(by(0, [0.0, 0.0, 1.5]));
    let refusal = refused(&mut bench);
    let axis = match refusal.obstacle {
        Obstacle::EndOfRange(axis) => axis,
        other => panic!("{other:?}"),
    };
    let arm = &machine.arms()[0];
    assert!(
        arm.joints
            .iter()
            .any(|joint| joint.axis == axis && axis != AxisId::new(0).unwrap())
    );

    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    bench.order(by(0, [3.0, 0.0, 0.0]));
    let refusal = refused(&mut bench);
    assert!(
        matches!(refusal.obstacle, Obstacle::Reach | Obstacle::EndOfRange(_)),
        "{refusal:?}"
    );
    assert!((100..1500).contains(&refusal.along_mm), "{refusal:?}");
    bench.let_go();
    bench.tick();
    bench.order(by(0, [30.0, 0.0, 0.0]));
    assert_eq!(refused(&mut bench).obstacle, Obstacle::Reach);
}

#[test]
fn an_order_that_is_none_is_refused() {
    let machine = setter();
    for order in [
        by(2, [0.1, 0.0, 0.0]),
        by(0, [f32::NAN, 0.0, 0.0]),
        by(0, [0.0, f32::INFINITY, 0.0]),
        GoTo {
            speed: f32::NAN,
            ..by(0, [0.1, 0.0, 0.0])
        },
        GoTo {
            speed: -0.1,
            ..by(0, [0.1, 0.0, 0.0])
        },
    ] {
        let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
        bench.order(order);
        assert_eq!(refused(&mut bench).obstacle, Obstacle::Unusable, "{order:?}");
    }
}

/// Letting go, a push at a lever and another mode all end it on its line, within the way that its profile takes to brake.
#[test]
fn whatever_ends_a_go_to_stops_it_along_its_line() {
    let machine = setter();
    let endings: [fn(&mut Ideal); 4] = [
        |bench| bench.let_go(),
        |bench| bench.push(0, &[0.0, -0.5]),
        |bench| bench.hand.mode = Mode::Joint,
        |bench| {
            bench.order(GoTo {
                number: 2,
                ..by(0, [0.0, 0.0, -0.1])
            });
        },
    ];
    for (number, end) in endings.into_iter().enumerate() {
        let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
        let from = bench.tip(0);
        bench.order(by(0, [0.0, 0.0, 0.5]));
        until_going(&mut bench, 0);
        bench.run(1.2, |_| {});
        let let_go = bench.tip(0);
        end(&mut bench);
        bench.run(0.4, |bench| {
            let way = bench.tip(0) - from;
            assert!(way.xy().norm() < OFF_LINE, "{number}: {way:?}");
        });
        let on = bench.tip(0).z - let_go.z;
        assert!((0.02..0.06).contains(&on), "{number}: went on for {on} m");
        let stopped = bench.tip(0);
        bench.run(0.2, |_| {});
        assert!((bench.tip(0) - stopped).norm() < 1e-4, "{number}");
    }
}

/// In another mode its levers move an arm that was on its way only once that has come to rest; the bench sees to it that no axis is asked
/// for more than it can.
#[test]
fn an_arm_on_its_way_stops_before_anything_else_moves_it() {
    let machine = setter();
    for mode in [Mode::Joint, Mode::Carry] {
        let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
        let from = bench.tip(0);
        bench.order(by(0, [0.0, 0.0, 0.5]));
        until_going(&mut bench, 0);
        bench.run(1.2, |_| {});
        bench.let_go();
        bench.hand.mode = mode;
        bench.hand.levers[0] = Lever::new(1.0).unwrap();
        bench.run(0.4, |bench| assert!((bench.tip(0) - from).xy().norm() < OFF_LINE));
        bench.run(2.0, |_| {});
        assert!((bench.tip(0) - from).xy().norm() > 0.1, "{mode:?}: and then they do");
    }
}

/// It is taken up only once the levers are at neutral and the tip is at rest, and then looked at from there.
#[test]
fn an_order_waits_for_the_hands_to_let_go_of_the_levers() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    bench.push(0, &[0.0, 0.0, 0.5]);
    bench.run(1.0, |_| {});
    bench.order(by(0, [0.0, 0.2, 0.0]));
    bench.run(1.0, |bench| {
        assert!(bench.rates.tip_velocities[0].is_some_and(|v| v[1] == 0.0));
    });
    let order = bench.hand.go_to;
    bench.let_go();
    bench.hand.go_to = order;
    bench.run(4.0, |_| {});
    let there = bench.tip(0);
    bench.run(0.5, |_| {});
    assert_eq!(bench.tip(0), there);
}

/// While the arm is held back the profile waits: the wanted place is never further ahead than the leash, and arrives late.
#[test]
fn a_tip_that_is_held_back_is_waited_for() {
    let machine = setter();
    let mut bench = Ideal::new(&machine, &[LEFT, RIGHT]);
    let from = bench.tip(0);
    bench.order(by(0, [0.0, 0.0, 0.5]));
    until_going(&mut bench, 0);
    for _ in 0..500 {
        let before = bench.angles.clone();
        bench.tick();
        bench.angles = before;
        let ahead = (Vector3::from(bench.rates.tips[0].unwrap().map(f64::from)) - bench.tip(0)).norm();
        assert!(ahead < 0.0301, "{ahead}");
    }
    bench.run(6.0, |_| {});
    assert!((bench.tip(0) - from - Vector3::new(0.0, 0.0, 0.5)).norm() < OFF_END);
}
