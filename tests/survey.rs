//! The survey against values that can be worked out by hand.

use std::f64::consts::FRAC_PI_2;

use bellcrank_machine::description::{Actuator, Axis, Carrier, Description, Joint, JointAxis, Linkage};
use bellcrank_machine::{builtin, read};
use bellcrank_sim::plant::bodies::GRAVITY;
use bellcrank_sim::plant::{Bodies, JOINTS_MAX, Pose, statics};
use bellcrank_sim::survey::{ActuatorSurvey, Lift, LiftCell, LiftLimit, lift, survey};
use nalgebra::{Vector2, Vector3};

/// Sizes of the arm by hand, m, kg, N m: a straight link with all the mass and all the load on its motor, and a weightless one with a
/// motor that never gives in, there only so that the tip covers an area.
const HEIGHT: f64 = 1.0;
const LINK: f64 = 2.0;
const LINK_MASS: f64 = 80.0;
const TORQUE: f64 = 9000.0;
const SECOND_LINK: f64 = 1.0;
/// What it stands on: a square of two metres, the centre of mass behind the middle.
const CARRIER_MASS: f64 = 300.0;
const BEHIND: f64 = 0.2;
const HALF: f64 = 1.0;

fn digger() -> Description {
    read("yard-digger", builtin("yard-digger").unwrap()).unwrap()
}

/// A joint with a motor that gives this torque at supply pressure.
fn motor(like: &Axis, name: &str, axis: JointAxis, link: f64, mass: f64, range: (f64, f64), torque: f64) -> Axis {
    let volume = torque / (200e5 - 2e5);
    Axis {
        name: name.to_owned(),
        joint: Joint {
            axis,
            link: Vector3::new(link, 0.0, 0.0),
            mass,
            centre: Vector3::new(0.5 * link, 0.0, 0.0),
            radius: 0.01,
            range,
        },
        linkage: Linkage::Direct { zero: range.0 },
        actuator: Actuator {
            area_a: volume,
            area_b: volume,
            travel: range.1 - range.0,
            ..like.actuator.clone()
        },
        ..like.clone()
    }
}

/// The arm by hand, on a slew that turns this far either way, rad, or without one.
fn by_hand(slew: Option<f64>) -> Description {
    let machine = digger();
    let like = &machine.axes[0];
    let slew = slew.map(|half| motor(like, "slew", JointAxis::Z, 0.0, 0.0, (-half, half), 1e4));
    let mut axes: Vec<Axis> = slew.into_iter().collect();
    axes.push(motor(
        like,
        "shoulder",
        JointAxis::Y,
        LINK,
        LINK_MASS,
        (-1.0, 1.0),
        TORQUE,
    ));
    axes.push(motor(like, "elbow", JointAxis::Y, SECOND_LINK, 0.0, (0.1, 2.8), 1e6));
    let mut arm = machine.arms[0].clone();
    arm.base = Vector3::new(0.0, 0.0, HEIGHT);
    arm.axes = (0..axes.len()).collect();
    arm.pitch_joint = 0;
    let corner = |x: f64, y: f64| Vector2::new(x * HALF, y * HALF);
    Description {
        axes,
        arms: vec![arm],
        zones: Vec::new(),
        carrier: Some(Carrier {
            mass: CARRIER_MASS,
            centre: Vector3::new(-BEHIND, 0.0, 0.5),
            tip_margin: 0.0,
            support: vec![
                corner(-1.0, -1.0),
                corner(1.0, -1.0),
                corner(1.0, 1.0),
                corner(-1.0, 1.0),
            ],
        }),
        ..machine
    }
}

fn chart(machine: &Description) -> Lift {
    survey(machine, 0.0)
        .unwrap()
        .arms
        .remove(0)
        .lift
        .expect("two joints raise and reach")
}

/// Cells with reach and height, m.
fn cells(lift: &Lift) -> impl Iterator<Item = (f64, f64, &LiftCell)> {
    lift.cells.iter().zip(&lift.height_mm).flat_map(move |(row, height)| {
        let cells = row.iter().zip(&lift.reach_mm);
        cells.filter_map(move |(cell, reach)| Some((reach * 1e-3, height * 1e-3, cell.as_ref()?)))
    })
}

/// How far out the middle of the straight link is, m: law of cosines, the elbow bent downwards.
fn middle(reach: f64, height: f64) -> f64 {
    let up = height - HEIGHT;
    let away = reach.hypot(up);
    let between = (LINK * LINK + away * away - SECOND_LINK * SECOND_LINK) / (2.0 * LINK * away);
    0.5 * LINK * (up.atan2(reach) + between.acos()).cos()
}

#[track_caller]
fn near(found: f64, expect: f64) {
    assert!((found / expect - 1.0).abs() < 1e-6, "{found} is not {expect}");
}

/// One step of the converter, 10 V in 2^16 - 1 steps, at the slew sensor's 160 degrees in 9 V: at the tip it is as many radians times the
/// distance from the joint, which is the longest with the elbow at the straighter end of its range (law of cosines).
#[test]
fn a_step_of_the_converter_is_carried_to_the_tip() {
    let step = 10.0 / 65_535.0 * 160_f64.to_radians() / 9.0;
    let whole = (LINK * LINK + SECOND_LINK * SECOND_LINK + 2.0 * LINK * SECOND_LINK * 0.1_f64.cos()).sqrt();
    let survey = survey(&by_hand(None), 0.0).unwrap();
    for (axis, from_joint) in survey.axes.iter().zip([whole, SECOND_LINK]) {
        near(axis.count_joint_deg, step.to_degrees());
        near(axis.count_tip_mm.unwrap(), step * from_joint * 1e3);
    }
}

/// By pressure: the motor's torque carries link and load, `T = g (m c + W r)`, so `W = T / (g r) - m c / r`.
/// By tipping: about the front edge, `W (r - b) = M (b + d) + m (b - c)` (moments of weights; any statics text).
#[test]
fn a_straight_arm_lifts_what_moments_about_its_joint_and_the_edge_say() {
    let lift = chart(&by_hand(None));
    let mut seen = [0, 0];
    for (reach, height, cell) in cells(&lift) {
        let middle = middle(reach, height);
        let hydraulic = TORQUE / (GRAVITY * reach) - LINK_MASS * middle / reach;
        near(cell.hydraulic_kg, hydraulic);
        assert_eq!(cell.weakest_axis, "shoulder");
        let tipping = (CARRIER_MASS * (HALF + BEHIND) + LINK_MASS * (HALF - middle)) / (reach - HALF);
        if reach > HALF {
            near(cell.tipping_kg.expect("in front of the edge"), tipping);
        } else {
            assert_eq!(cell.tipping_kg, None, "over the support at {reach}");
        }
        let tips_first = reach > HALF && 0.75 * tipping < 0.87 * hydraulic;
        let (limit, rated) = if tips_first {
            (LiftLimit::Tipping, 0.75 * tipping)
        } else {
            (LiftLimit::Pressure, 0.87 * hydraulic)
        };
        assert_eq!(cell.limited_by, limit, "at {reach}, {height}");
        near(cell.rated_kg, rated);
        seen[usize::from(tips_first)] += 1;
    }
    assert!(seen.iter().all(|count| *count > 5), "both limits are met: {seen:?}");
}

/// Square to the side, `W (r - b) = M b + m (b - c)`: the centre of mass is no further in there. Where the slew ends before that, it is its end
/// or straight ahead: at an angle s the side edge gives `W (r sin s - b) = M b + m (b - c sin s)`.
#[test]
fn a_slewing_arm_tips_in_its_worst_direction() {
    for half in [FRAC_PI_2 + 0.3, 1.2] {
        let worst = half.min(FRAC_PI_2);
        let mut count = 0;
        for (reach, height, cell) in cells(&chart(&by_hand(Some(half)))) {
            let middle = middle(reach, height);
            let side = reach * worst.sin() - HALF;
            let side = (side > 0.0).then(|| (CARRIER_MASS * HALF + LINK_MASS * (HALF - middle * worst.sin())) / side);
            let front =
                (reach > HALF).then(|| (CARRIER_MASS * (HALF + BEHIND) + LINK_MASS * (HALF - middle)) / (reach - HALF));
            let expect = side.into_iter().chain(front).reduce(f64::min);
            assert_eq!(cell.tipping_kg.is_some(), expect.is_some(), "at {reach}, {height}");
            if let (Some(found), Some(expect)) = (cell.tipping_kg, expect) {
                near(found, expect);
                count += 1;
            }
        }
        assert!(count > 20, "{count}");
    }
}

#[test]
fn without_a_carrier_pressure_alone_limits() {
    let machine = Description {
        carrier: None,
        ..by_hand(None)
    };
    let survey = survey(&machine, 0.0).unwrap();
    assert!(!survey.tipping_known);
    let lift = survey.arms[0].lift.as_ref().expect("a chart");
    assert!(cells(lift).count() > 20);
    for (_, _, cell) in cells(lift) {
        assert_eq!((cell.tipping_kg, cell.limited_by), (None, LiftLimit::Pressure));
        near(cell.rated_kg, lift::PRESSURE_SHARE * cell.hydraulic_kg);
    }
    let picture = lift::picture(&machine, &survey, 0).expect("a picture");
    assert!(picture.contains("Tipping is not looked at"));
}

#[test]
fn an_arm_whose_tip_moves_on_a_line_has_no_chart() {
    let mut machine = by_hand(None);
    machine.axes.truncate(1);
    machine.arms[0].axes = vec![0];
    assert_eq!(survey(&machine, 0.0).unwrap().arms[0].lift, None);
}

/// Each cell of the digger again, another way: with the load hung on, one actuator is at supply pressure and none above it; the
/// resultant of all weights stands on the edge of the support; and the tip is where the chart says.
#[test]
fn each_cell_is_what_statics_finds_in_its_pose() {
    let machine = digger();
    let (arm, supply) = (&machine.arms[0], &machine.supply);
    let carrier = machine.carrier.as_ref().unwrap();
    let lift = chart(&machine);
    let bare = Bodies::of_machine(&machine).unwrap();
    let mut count = 0;
    for (reach, height, cell) in cells(&lift) {
        let mut angles = [0.0; JOINTS_MAX];
        for (&axis, degrees) in arm.axes.iter().zip(&cell.angles_deg) {
            angles[axis] = degrees.to_radians();
        }
        let mut bodies = bare.clone();
        bodies.hang(&machine, arm, cell.hydraulic_kg);
        let mut pose = Pose::default();
        bodies.place(&angles, &mut pose);
        let tip = pose.tip(&machine, arm);
        near((tip - arm.base).xy().norm(), reach);
        assert!((tip.z - height).abs() < 1e-6);

        let torque = statics::gravity_torque(&bodies, &pose);
        let pressures = machine.axes.iter().enumerate().map(|(index, axis)| {
            let geometry = bellcrank_machine::geometry::Geometry::of(axis).unwrap();
            let areas = [axis.actuator.area_a, axis.actuator.area_b];
            let ratio = geometry.ratio(angles[index]).unwrap();
            let hold = statics::hold(torque[index], ratio, areas, supply.tank);
            (hold.pressure_a.max(hold.pressure_b), axis.name.as_str())
        });
        let (most, weakest) = pressures.reduce(|a, b| if b.0 > a.0 { b } else { a }).unwrap();
        near(most, supply.pressure);
        assert_eq!(weakest, cell.weakest_axis);

        let Some(load) = cell.tipping_kg else { continue };
        let links = machine
            .axes
            .iter()
            .enumerate()
            .map(|(index, axis)| (axis.joint.mass, pose.point(index, &axis.joint.centre)));
        let all = links.chain([(carrier.mass, carrier.centre), (load, tip)]);
        let (mass, moment) = all.fold((0.0, Vector3::zeros()), |(mass, moment), (m, at)| {
            (mass + m, moment + at * m)
        });
        let centre = moment / mass;
        let (front, side) = (carrier.support[1].x, carrier.support[2].y);
        let beyond = (centre.x.abs() - front).max(centre.y.abs() - side);
        assert!(beyond.abs() < 1e-6, "{beyond} m beyond the edge at {reach}, {height}");
        count += 1;
    }
    assert!(count > 30, "{count}");
}

/// PV-20: push and pull forces of five cylinders at three pressures, the other side at no pressure.
#[test]
fn forces_are_those_of_the_table() {
    let path = format!("{}/data/published-values.csv", env!("CARGO_MANIFEST_DIR"));
    let mut rows = csv::Reader::from_path(path).unwrap();
    let mut count = 0;
    for row in rows
        .records()
        .map(Result::unwrap)
        .filter(|row| row[0].starts_with("PV-20"))
    {
        let inputs: Vec<&str> = row[2].split([';', '=']).collect();
        let ["bore_mm", bore, "rod_mm", rod, "p_bar", pressure] = inputs[..] else {
            panic!("{}: {inputs:?}", &row[0]);
        };
        let text = builtin("yard-digger").unwrap();
        let sized = text.replace(
            "bore_mm = 80, rod_mm = 45",
            &format!("bore_mm = {bore}, rod_mm = {rod}"),
        );
        let mut machine = read("sized", &sized).unwrap();
        // The boom by itself, pushed by this pressure.
        machine.axes = vec![machine.axes.remove(1)];
        machine.arms.clear();
        machine.supply.pressure = 1e5 * pressure.parse::<f64>().unwrap();
        machine.supply.tank = 0.0;
        let survey = survey(&machine, 0.0).unwrap();
        let ActuatorSurvey::Cylinder { push_kn, pull_kn, .. } = &survey.axes[0].actuator else {
            panic!("a cylinder");
        };
        let found = if row[1].starts_with("push") { push_kn } else { pull_kn };
        let expect: f64 = row[3].parse().unwrap();
        assert!(
            (found / expect - 1.0).abs() < 1e-4,
            "{}: {found} is not {expect} kN",
            &row[0]
        );
        count += 1;
    }
    assert_eq!(count, 30);
}
