//! Inverse kinematics: the core's beside the general-purpose crate `k`, on the same arms, from the same pose, to the same random
//! targets within reach. Says what each reached, judged in f64, and the quotient of the times.
//!
//! `k` takes the rows of a pose that it is to meet; it gets as many as the arm has joints. Where it gives up it starts again, from as many
//! other poses as ours may.

use std::hint::black_box;
use std::time::{Duration, Instant};

use bellcrank_benches::measuring;
use bellcrank_core::plan::inverse::{Facing, Inverse, Target};
use bellcrank_tests::poses::{PosedArm, about, turned};
use k::prelude::*;
use k::{Constraints, Isometry3, JacobianIkSolver, JointType, NodeBuilder, SerialChain};

/// Targets of each arm.
const POSES: usize = 2_000;
/// A target is reached within this, m.
const TIP: f64 = 1e-3;
/// And this, rad.
const FACING: f64 = 0.1 * std::f64::consts::PI / 180.0;
/// Starts that either may try.
const STARTS: usize = 24;
/// Steps that `k` may take from each: with more it is slower and reaches no more.
const STEPS: usize = 20;

/// Anything that finds joint angles for the target of a number.
trait Solver {
    fn solve(&self, target: usize) -> Option<Vec<f64>>;
}

struct Ours<'m> {
    inverse: Inverse<'m>,
    from: Vec<f32>,
    targets: Vec<Target>,
}

impl Solver for Ours<'_> {
    fn solve(&self, target: usize) -> Option<Vec<f64>> {
        let found = self.inverse.solve(&self.from, &self.targets[target]).ok()?;
        Some(found.iter().copied().map(f64::from).collect())
    }
}

struct General {
    chain: SerialChain<f64>,
    solver: JacobianIkSolver<f64>,
    constraints: Constraints,
    starts: Vec<Vec<f64>>,
    targets: Vec<Isometry3<f64>>,
}

impl Solver for General {
    fn solve(&self, target: usize) -> Option<Vec<f64>> {
        self.starts.iter().find_map(|start| {
            self.chain.set_joint_positions(start).ok()?;
            let solved = self
                .solver
                .solve_with_constraints(&self.chain, &self.targets[target], &self.constraints);
            solved.is_ok().then(|| self.chain.joint_positions())
        })
    }
}

impl General {
    fn new(arm: &PosedArm, targets: &[nalgebra::Isometry3<f64>]) -> General {
        let mut nodes = Vec::new();
        let mut at = arm.base();
        for (number, joint) in arm.joints().enumerate() {
            let axis = about(joint.axis);
            nodes.push(
                NodeBuilder::new()
                    .name(&format!("j{number}"))
                    .translation(translation(at))
                    .joint_type(JointType::Rotational {
                        axis: k::nalgebra::Unit::new_unchecked(k::Vector3::new(axis.x, axis.y, axis.z)),
                    })
                    .limits(Some((joint.range.0..=joint.range.1).into()))
                    .into_node(),
            );
            at = joint.link;
        }
        let tip = NodeBuilder::new().name("tip").translation(translation(at)).into_node();
        nodes.push(tip);
        for pair in nodes.windows(2) {
            pair[1].set_parent(&pair[0]);
        }
        let joints = arm.joints().count();
        General {
            chain: SerialChain::from_end(&nodes[joints]),
            solver: JacobianIkSolver::new(TIP, FACING, 1.0, STEPS),
            constraints: Constraints {
                rotation_x: joints > 4,
                rotation_z: joints > 5,
                ..Constraints::default()
            },
            starts: std::iter::once(arm.third()).chain(arm.random(STARTS - 1)).collect(),
            targets: targets.iter().map(isometry).collect(),
        }
    }
}

fn translation(v: nalgebra::Vector3<f64>) -> k::Translation3<f64> {
    k::Translation3::new(v.x, v.y, v.z)
}

fn isometry(at: &nalgebra::Isometry3<f64>) -> Isometry3<f64> {
    let turn = k::nalgebra::Quaternion::from_parts(
        at.rotation.w,
        k::Vector3::new(at.rotation.i, at.rotation.j, at.rotation.k),
    );
    Isometry3::from_parts(
        translation(at.translation.vector),
        k::UnitQuaternion::from_quaternion(turn),
    )
}

#[allow(clippy::cast_possible_truncation, reason = "narrowing to what the core is given")]
fn narrow(v: nalgebra::Vector3<f64>) -> [f32; 3] {
    [v.x as f32, v.y as f32, v.z as f32]
}

fn target(arm: &PosedArm, tip: &nalgebra::Isometry3<f64>) -> Target {
    let facing = if arm.joints().count() < 6 {
        Facing::Up(narrow(up(tip)))
    } else {
        let axis = |v| narrow(tip.rotation * v);
        Facing::Frame([nalgebra::Vector3::x(), nalgebra::Vector3::y(), nalgebra::Vector3::z()].map(axis))
    };
    Target {
        tip: narrow(tip.translation.vector),
        facing,
    }
}

/// Up in a tip's own frame.
fn up(tip: &nalgebra::Isometry3<f64>) -> nalgebra::Vector3<f64> {
    tip.rotation.inverse() * nalgebra::Vector3::z()
}

/// By how much a facing is off what the arm has joints for, rad.
fn facing_off(arm: &PosedArm, found: &nalgebra::Isometry3<f64>, wanted: &nalgebra::Isometry3<f64>) -> f64 {
    if arm.joints().count() < 6 {
        up(found).angle(&up(wanted))
    } else {
        turned(found, wanted)
    }
}

/// The answer is there, and within the ranges.
fn is_right(arm: &PosedArm, angles: &[f64], wanted: &nalgebra::Isometry3<f64>) -> bool {
    let tip = arm.tip(angles.iter().copied());
    let within = arm
        .joints()
        .zip(angles)
        .all(|(joint, angle)| (joint.range.0 - 4e-6..=joint.range.1 + 4e-6).contains(angle));
    within
        && (tip.translation.vector - wanted.translation.vector).norm() <= TIP
        && facing_off(arm, &tip, wanted) <= FACING
}

/// Solves everything once, and keeps the least time that each target has taken so far: what the machine does beside then falls on
/// neither solver.
fn run(solver: &impl Solver, least: &mut [Duration]) -> Vec<Option<Vec<f64>>> {
    let targets = least.iter_mut().enumerate();
    let answers = targets.map(|(target, least)| {
        let start = Instant::now();
        let found = black_box(solver.solve(target));
        *least = start.elapsed().min(*least);
        found
    });
    answers.collect()
}

fn main() {
    let poses = if measuring() { POSES } else { 50 };
    for arm in PosedArm::all() {
        let machine = bellcrank_machine::build(&arm.machine).expect("a checked machine");
        let wanted: Vec<_> = arm.random(poses).into_iter().map(|angles| arm.tip(angles)).collect();
        #[allow(clippy::cast_possible_truncation, reason = "narrowing to what the core is given")]
        let ours = Ours {
            inverse: Inverse::new(&machine, &machine.arms()[arm.index]).expect("linkages that close"),
            from: arm.third().iter().map(|angle| *angle as f32).collect(),
            targets: wanted.iter().map(|tip| target(&arm, tip)).collect(),
        };
        let general = General::new(&arm, &wanted);
        let mut least = [vec![Duration::MAX; poses], vec![Duration::MAX; poses]];
        let mut answers = [Vec::new(), Vec::new()];
        for _ in 0..if measuring() { 10 } else { 1 } {
            answers = [run(&ours, &mut least[0]), run(&general, &mut least[1])];
        }
        let [a, b] = answers.map(|answers| {
            let right = answers.iter().zip(&wanted);
            right
                .filter(|(found, wanted)| found.as_ref().is_some_and(|found| is_right(&arm, found, wanted)))
                .count()
        });
        let [ours, general] = least.map(|times| poses as f64 / times.iter().sum::<Duration>().as_secs_f64());
        println!(
            "{}: reached {a} and {b} of {poses}; {ours:.0} and {general:.0} a second; ratio {:.1}",
            arm.name,
            ours / general
        );
    }
}
