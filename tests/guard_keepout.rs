//! Keep-out geometry: the core's f32 against the simulator's f64, which goes another way, over poses of the built-in machines.

use bellcrank_core::Machine;
use bellcrank_core::chain::ArmPose;
use bellcrank_core::keepout::{Closest, MOVERS, Pair, Part, Surroundings, With, nearest, nearest_of};
use bellcrank_core::machine::{Carried, Shape, Spares, Zone};
use bellcrank_machine::description::{self, Description};
use bellcrank_sim::clearance;
use bellcrank_sim::plant::{Bodies, Pose};
use nalgebra::Vector3;

/// What the core's gap may be off: its poses' error over an arm of 4 m, and its distances'.
const GAP_M: f64 = 3e-4;

struct Built {
    description: Description,
    machine: Machine,
    bodies: Bodies,
    pose: Pose,
    seed: u64,
}

impl Built {
    fn of(description: Description) -> Self {
        Self {
            machine: bellcrank_machine::build(&description).unwrap(),
            bodies: Bodies::of_machine(&description).unwrap(),
            description,
            pose: Pose::default(),
            seed: 1,
        }
    }

    /// The built-in machines, and the setter with more zones: one of each kind on a link, each of them in its arms' way.
    fn all() -> Vec<Self> {
        let read = |name: &str| bellcrank_machine::read(name, bellcrank_machine::builtin(name).unwrap()).unwrap();
        let mut more = read("drystone setter");
        let zone = |name: &str, on, shape| description::Zone {
            name: name.into(),
            shape,
            on,
            spares: vec![0, 2],
            margin: 0.05,
        };
        more.zones = vec![
            zone(
                "lamp",
                Some(1),
                description::Shape::Box {
                    min: Vector3::new(0.2, 0.1, -0.1),
                    max: Vector3::new(0.4, 0.3, 0.1),
                },
            ),
            zone(
                "hose",
                Some(7),
                description::Shape::Capsule {
                    from: Vector3::new(0.1, 0.2, 0.0),
                    to: Vector3::new(0.8, 0.2, 0.2),
                    radius: 0.05,
                },
            ),
            zone(
                "plate",
                Some(0),
                description::Shape::HalfSpace {
                    point: Vector3::new(-0.4, 0.0, 0.0),
                    outward: Vector3::x(),
                },
            ),
            zone(
                "post",
                None,
                description::Shape::Capsule {
                    from: Vector3::new(0.8, 0.0, 0.0),
                    to: Vector3::new(0.8, 0.2, 2.0),
                    radius: 0.1,
                },
            ),
        ];
        vec![
            Self::of(read("yard digger")),
            Self::of(read("drystone setter")),
            Self::of(more),
        ]
    }

    /// A number from 0 to 1.
    fn number(&mut self) -> f64 {
        self.seed = self
            .seed
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.seed >> 33) as f64 / f64::from(1_u32 << 31)
    }

    /// Angles of all axes somewhere in their ranges.
    fn angles(&mut self) -> Vec<f64> {
        let ranges: Vec<_> = self.description.axes.iter().map(|axis| axis.joint.range).collect();
        ranges
            .into_iter()
            .map(|(low, high)| low + (high - low) * self.number())
            .collect()
    }

    fn poses(&self, angles: &[f64]) -> Vec<Option<ArmPose>> {
        let arms = self.description.arms.iter().zip(self.machine.arms());
        arms.map(|(described, arm)| {
            let axes = described.axes.iter().chain(&described.grip);
            #[allow(clippy::cast_possible_truncation)]
            Some(ArmPose::new(arm, axes.map(|&axis| angles[axis] as f32)))
        })
        .collect()
    }
}

#[test]
fn the_core_and_the_simulator_agree_on_every_clearance() {
    for mut built in Built::all() {
        for _ in 0..300 {
            let angles = built.angles();
            let poses = built.poses(&angles);
            built.bodies.place(&angles, &mut built.pose);
            let mut gaps = vec![f64::INFINITY; built.description.zones.len()];
            for arm in &built.description.arms {
                for clear in clearance::of_arm(&built.description, arm, &built.pose) {
                    gaps[clear.zone] = gaps[clear.zone].min(clear.distance);
                }
            }
            let between = clearance::least_between_arms(&built.description, &built.pose, None);
            let mut found = vec![f64::INFINITY; gaps.len()];
            let mut found_between = f64::INFINITY;
            for closest in all_pairs(&built.machine, &poses) {
                let least = match closest.with {
                    With::Zone(number) => &mut found[usize::from(number)],
                    With::Arm(..) => &mut found_between,
                };
                *least = least.min(closest.gap.into());
            }
            let name = &built.description.name;
            for (found, gap) in found.iter().zip(&gaps) {
                // In a box both have no more to say than that it is in there.
                let off = if *gap < -0.05 { 0.0 } else { (found - gap).abs() };
                assert!(off < GAP_M, "{name}: {found} m, in f64 {gap} m, at {angles:?}");
            }
            if let Some(between) = between {
                assert!(
                    (found_between - between).abs() < 2.0 * GAP_M,
                    "{name}: {found_between}, in f64 {between}"
                );
            }
        }
    }
}

/// Passing over what is far changes nothing: the nearest pair is the nearest of all pairs, of the whole machine and of each arm.
#[test]
fn the_nearest_is_the_nearest_of_all() {
    for mut built in Built::all() {
        for _ in 0..300 {
            let angles = built.angles();
            let poses = built.poses(&angles);
            let all = all_pairs(&built.machine, &poses);
            let least = |counts: &dyn Fn(&Closest) -> bool| {
                all.iter()
                    .filter(|c| counts(c))
                    .map(Closest::room)
                    .fold(f32::INFINITY, f32::min)
            };
            assert_eq!(nearest(&built.machine, &poses).unwrap().room(), least(&|_| true));
            for arm in 0..poses.len() {
                let takes_part = |c: &Closest| c.arm == arm || matches!(c.with, With::Arm(other, _) if other == arm);
                assert_eq!(
                    nearest_of(&built.machine, &poses, arm).unwrap().room(),
                    least(&takes_part)
                );
            }
        }
    }
}

fn all_pairs(machine: &Machine, poses: &[Option<ArmPose>]) -> Vec<Closest> {
    let mut all = Vec::new();
    let mut surroundings = Surroundings::new(machine);
    surroundings.look(poses);
    surroundings.scan(|_, _| f32::INFINITY, |pair: &Pair| all.push(pair.closest));
    all
}

/// Turning a joint by a little changes each gap by what its closing says, to what a point of the line can add by moving along it.
#[test]
fn closing_is_the_slope_of_the_gap() {
    const STEP: f64 = 1e-3;
    for mut built in Built::all() {
        for _ in 0..40 {
            let angles = built.angles();
            let poses = built.poses(&angles);
            let mut surroundings = Surroundings::new(&built.machine);
            surroundings.look(&poses);
            let mut pairs = Vec::new();
            // A pair is visited first where it is nearest.
            surroundings.scan(
                |_, _| f32::INFINITY,
                |pair| {
                    if pairs
                        .last()
                        .is_none_or(|last: &Pair| !same(&last.closest, &pair.closest))
                    {
                        pairs.push(*pair);
                    }
                },
            );
            let stray = |arm: usize, part: Part, joint: usize| {
                let mut moves = [0.0; MOVERS];
                moves[joint] = 1.0;
                let mut strays = surroundings.strays(arm, &moves);
                f64::from(strays.find(|(other, _)| *other == part).unwrap().1)
            };
            for (arm, described) in built.description.arms.iter().enumerate() {
                for (joint, &axis) in described.axes.iter().chain(&described.grip).enumerate() {
                    let gaps = |sign: f64| {
                        let mut moved = angles.clone();
                        moved[axis] += sign * STEP;
                        all_pairs(&built.machine, &built.poses(&moved))
                    };
                    let (before, after) = (gaps(-1.0), gaps(1.0));
                    for pair in &pairs {
                        let nearest = |list: &[Closest]| *list.iter().find(|other| same(other, &pair.closest)).unwrap();
                        let (before, after) = (nearest(&before), nearest(&after));
                        // In a box there is no slope. Where another point becomes the nearest it may jump, from one side to the other.
                        if pair.closest.gap < 0.02 {
                            continue;
                        }
                        let now = f64::from(pair.closest.gap);
                        let slopes = [now - f64::from(before.gap), f64::from(after.gap) - now].map(|step| step / STEP);
                        let closing = f64::from(surroundings.closing(pair, |_, _| true)[arm][joint]);
                        let (least, most) = (slopes[0].min(slopes[1]) - 0.02, slopes[0].max(slopes[1]) + 0.02);
                        assert!(
                            (least..=most).contains(&-closing),
                            "{}: joint {joint} of arm {arm}, {:?}: slopes {slopes:?}, closing {closing}",
                            built.description.name,
                            pair.closest
                        );
                        let part = match pair.closest.with {
                            With::Arm(other, part) if other == arm => part,
                            _ => pair.closest.part,
                        };
                        // A zone that an arm carries is moved by it as well.
                        if pair.closest.arm == arm || matches!(pair.closest.with, With::Arm(..)) {
                            let stray = stray(arm, part, joint);
                            assert!(closing.abs() <= stray, "{closing}, stray {stray}: {:?}", pair.closest);
                        }
                    }
                }
            }
        }
    }
}

/// The same parts, or part and zone.
fn same(one: &Closest, other: &Closest) -> bool {
    (one.with, one.arm, one.part) == (other.with, other.arm, other.part)
}

/// A grip whose angle is not known takes all the room that it could be in.
#[test]
fn a_grip_that_is_not_known_is_a_ball() {
    let mut built =
        Built::of(bellcrank_machine::read("setter", bellcrank_machine::builtin("drystone setter").unwrap()).unwrap());
    for _ in 0..100 {
        let angles = built.angles();
        let known = built.poses(&angles);
        let unknown: Vec<_> = known
            .iter()
            .flatten()
            .map(|pose| {
                Some(ArmPose {
                    grip: None,
                    ..pose.clone()
                })
            })
            .collect();
        let least = |poses: &[Option<ArmPose>]| {
            let grips = all_pairs(&built.machine, poses)
                .into_iter()
                .filter(|closest| closest.part == Part::Link(5) && closest.with == With::Zone(0));
            grips.map(|closest| closest.gap).fold(f32::INFINITY, f32::min)
        };
        assert!(least(&unknown) <= least(&known) + 1e-5);
    }
}

#[test]
fn what_carries_a_zone_and_what_it_spares_may_be_in_it() {
    let mut parts = crate::check::parts();
    let ball = |carried, spares| Zone {
        shape: Shape::Capsule {
            from: [0.0; 3],
            to: [0.0; 3],
            radius: 0.5,
        },
        carried,
        spares,
        margin: 0.0,
    };
    let on = |joint| Some(Carried { arm: 0, joint });
    let mut spares = Spares::default();
    spares.add(0, 1);
    let pose = |parts: &bellcrank_core::machine::Parts| {
        let machine = Machine::new(parts.clone()).unwrap();
        let poses = [Some(ArmPose::new(&machine.arms()[0], [0.0, 0.0]))];
        nearest(&machine, &poses).map(|closest| closest.part)
    };
    parts.zones = [ball(on(1), Spares::default())].into_iter().collect();
    assert_eq!(pose(&parts), Some(Part::Link(0)));
    parts.zones = [ball(on(0), spares)].into_iter().collect();
    assert_eq!(pose(&parts), None);
    parts.zones = [ball(on(2), Spares::default())].into_iter().collect();
    assert!(
        Machine::new(parts).is_err(),
        "a joint that is not there carries nothing"
    );
}
