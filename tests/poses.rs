//! Arms in random poses, in f64: what an inverse is asked for, and how its answers are judged.
//!
//! The chain is worked out here a second time, from the machine file's own numbers with a general library's rotations.

use bellcrank_machine::description::{Description, Joint, JointAxis};
use nalgebra::{Isometry3, Rotation3, Translation3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::cases::OracleArm;

/// An arm of a machine.
pub struct PosedArm {
    /// What it is called here.
    pub name: &'static str,
    /// Its machine.
    pub machine: Description,
    /// Which of the machine's arms it is.
    pub index: usize,
}

impl PosedArm {
    /// The arms of the built-in machines and the two check arms.
    ///
    /// # Panics
    /// If one of the repository's machine files is not as it should be.
    pub fn all() -> [PosedArm; 5] {
        let builtin = |name| {
            let text = bellcrank_machine::builtin(name).expect("a built-in machine");
            bellcrank_machine::read(name, text).expect("a machine file")
        };
        let arm = |name, machine, index| PosedArm { name, machine, index };
        [
            arm("digger", builtin("yard-digger"), 0),
            arm("setter, left", builtin("drystone-setter"), 0),
            arm("setter, right", builtin("drystone-setter"), 1),
            arm("check arm a", OracleArm::named("a").machine, 0),
            arm("check arm b", OracleArm::named("b").machine, 0),
        ]
    }

    /// Its joints from base to tip.
    pub fn joints(&self) -> impl Iterator<Item = &Joint> {
        let axes = &self.machine.arms[self.index].axes;
        axes.iter().map(|&axis| &self.machine.axes[axis].joint)
    }

    /// Where it is mounted, m.
    pub fn base(&self) -> Vector3<f64> {
        self.machine.arms[self.index].base
    }

    /// Where its tip is and how the tip's frame stands, at joint angles in rad.
    pub fn tip(&self, angles: impl IntoIterator<Item = f64>) -> Isometry3<f64> {
        let mut at = Isometry3::translation(self.base().x, self.base().y, self.base().z);
        for (joint, angle) in self.joints().zip(angles) {
            let turn = UnitQuaternion::from_axis_angle(&about(joint.axis), angle);
            at = at * turn * Translation3::from(joint.link);
        }
        at
    }

    /// Joint angles strewn evenly over the ranges, rad: always the same.
    pub fn random(&self, poses: usize) -> Vec<Vec<f64>> {
        let mut random = ChaCha8Rng::seed_from_u64(4);
        let mut pose = || {
            self.joints()
                .map(|joint| random.random_range(joint.range.0..=joint.range.1))
                .collect()
        };
        (0..poses).map(|_| pose()).collect()
    }

    /// The middle of all ranges, rad: a check arm is stretched there, which is the worst start.
    pub fn middle(&self) -> Vec<f64> {
        self.up(0.5)
    }

    /// A third up each range, rad: bent, which is a good start.
    pub fn third(&self) -> Vec<f64> {
        self.up(1.0 / 3.0)
    }

    fn up(&self, share: f64) -> Vec<f64> {
        let at = |(low, high): (f64, f64)| low + share * (high - low);
        self.joints().map(|joint| at(joint.range)).collect()
    }
}

/// The axis that a joint turns about.
pub fn about(axis: JointAxis) -> nalgebra::Unit<Vector3<f64>> {
    match axis {
        JointAxis::X => Vector3::x_axis(),
        JointAxis::Y => Vector3::y_axis(),
        JointAxis::Z => Vector3::z_axis(),
    }
}

/// By how much one rotation differs from another, rad.
pub fn turned(a: &Isometry3<f64>, b: &Isometry3<f64>) -> f64 {
    let (a, b): (Rotation3<f64>, Rotation3<f64>) = (a.rotation.into(), b.rotation.into());
    // Twice the sine of half the angle: the arc cosine of a trace would lose half the digits.
    let apart = (a.matrix() - b.matrix()).norm() / 8_f64.sqrt();
    2.0 * apart.min(1.0).asin()
}
