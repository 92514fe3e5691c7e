//! A bench for planning alone: a machine of ideal axes that do in each tick just what is asked of them, whole arms of it.

#![allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "narrowing to what the core is given is meant"
)]

use bellcrank_core::chain::ArmPose;
use bellcrank_core::inputs::{GoTo, HandFrame, Inputs, Mode, Relays, Station};
use bellcrank_core::machine::{AxisId, Machine, PerAxis};
use bellcrank_core::plan::{Plan, Rates};
use bellcrank_core::sense::{AxisPosture, Levels, Posture, poses};
use bellcrank_core::stamp::Stamp;
use bellcrank_core::supervise::{Action, Permit};
use bellcrank_core::units::{Duration, Instant, Lever};
use nalgebra::Vector3;

use crate::check::permit;

/// The tick, s.
pub const TICK: f64 = 0.002;

/// Planning on ideal axes.
pub struct Ideal<'m> {
    /// The machine.
    pub machine: &'m Machine,
    /// What the hand does.
    pub hand: HandFrame,
    /// What the later stages may do.
    pub action: Action,
    /// What planning wanted last.
    pub rates: Rates,
    /// Joint angles, rad, by axis.
    pub angles: Vec<f64>,
    plan: Plan,
    ticks: u64,
}

impl<'m> Ideal<'m> {
    /// In tip mode, the arms' joints at these angles (deg) from base to tip, the rest in the middle of their strokes.
    pub fn new(machine: &'m Machine, arms: &[&[f64]]) -> Self {
        let mut angles: Vec<f64> = machine
            .axes()
            .map(|(_, axis)| f64::from(axis.linkage.angle(0.5 * (axis.stroke.0 + axis.stroke.1)).unwrap()))
            .collect();
        for (arm, given) in machine.arms().iter().zip(arms) {
            for (joint, angle) in arm.joints.iter().zip(*given) {
                angles[joint.axis.index()] = angle.to_radians();
            }
        }
        Self {
            machine,
            hand: HandFrame {
                age: Some(Duration::from_ticks(0)),
                mode: Mode::Tip,
                enable: true,
                stop_clear: true,
                ..HandFrame::default()
            },
            action: Action::Drive,
            rates: Rates::default(),
            angles,
            plan: Plan::default(),
            ticks: 0,
        }
    }

    /// Pushes the levers of an arm, forward, left, up, pitch, roll, yaw, as many as are given; the rest stay.
    pub fn push(&mut self, arm: usize, shares: &[f32]) {
        for (&lever, &share) in self.machine.arms()[arm].levers.iter().zip(shares) {
            self.hand.levers[usize::from(lever)] = Lever::new(share).unwrap();
        }
    }

    /// Lets go of everything but the enabling switch.
    pub fn let_go(&mut self) {
        self.hand.levers = HandFrame::default().levers;
        self.hand.go_to = None;
    }

    /// Gives an order.
    pub fn order(&mut self, order: GoTo) {
        self.hand.go_to = Some(order);
    }

    /// Where the machine is.
    pub fn posture(&self) -> Posture {
        let mut axes = PerAxis::default();
        for ((id, axis), &angle) in self.machine.axes().zip(&self.angles) {
            let angle = angle as f32;
            let ratio = axis.linkage.ratio(angle).unwrap();
            axes.set(
                id,
                AxisPosture {
                    stroke: axis.linkage.stroke(angle).unwrap(),
                    angle,
                    ratio,
                    rate: self.rates.axes.get(id) * ratio,
                    known: true,
                    ..AxisPosture::default()
                },
            );
        }
        Posture {
            now: Instant::from_ticks(self.ticks * 2_000),
            dt: Duration::from_ticks(2_000),
            untimely: None,
            stamp: Stamp::sensed(1),
            arms: poses(self.machine, &axes),
            axes,
            switches: Levels {
                seat_enable: true,
                ..Levels::default()
            },
        }
    }

    /// One tick of planning, and of the axes.
    pub fn tick(&mut self) {
        self.ticks += 1;
        let posture = self.posture();
        let permit = Permit {
            action: self.action,
            ..permit(self.machine)
        };
        let inputs = Inputs {
            now: posture.now,
            sensors: PerAxis::default(),
            stop_chain: [true; 2],
            relays: Relays::default(),
            supply: None,
            reset: false,
            selector: Station::Seat,
            commissioning: false,
            seat: self.hand,
            remote: HandFrame::default(),
        };
        self.rates = self.plan.step(self.machine, &posture, &permit, &inputs);
        for ((id, axis), angle) in self.machine.axes().zip(&mut self.angles) {
            let now = posture.axes.get(id);
            let asked = self.rates.axes.get(id) * now.ratio;
            let full = axis.valve.full_rate.toward(asked);
            assert!(asked.abs() <= full * 1.000_01, "{id:?}: {asked} of {full}");
            *angle += TICK * f64::from(self.rates.axes.get(id));
        }
    }

    /// So many seconds; after each tick `look`.
    pub fn run(&mut self, seconds: f64, mut look: impl FnMut(&Self)) {
        for _ in 0..(seconds / TICK).round() as u64 {
            self.tick();
            look(self);
        }
    }

    /// Where an arm is.
    pub fn pose(&self, arm: usize) -> ArmPose {
        let joints = self.machine.arms()[arm].joints.iter();
        let angles = joints.map(|joint| self.angles[joint.axis.index()] as f32);
        ArmPose::new(&self.machine.arms()[arm], angles)
    }

    /// Where its tip is.
    pub fn tip(&self, arm: usize) -> Vector3<f64> {
        Vector3::from(self.pose(arm).tip.map(f64::from))
    }

    /// The tip frame's axes as columns.
    pub fn facing(&self, arm: usize) -> nalgebra::Matrix3<f64> {
        let columns = self.pose(arm).frame.map(|axis| Vector3::from(axis.map(f64::from)));
        nalgebra::Matrix3::from_columns(&columns)
    }

    /// The angle of a joint of an arm, deg.
    pub fn joint(&self, arm: usize, joint: usize) -> f64 {
        let axis: AxisId = self.machine.arms()[arm].joints[joint].axis;
        self.angles[axis.index()].to_degrees()
    }
}

/// A built-in machine.
pub fn builtin(name: &str) -> Machine {
    let text = bellcrank_machine::builtin(name).unwrap();
    bellcrank_machine::build(&bellcrank_machine::read(name, text).unwrap()).unwrap()
}
