//! Forward kinematics and Jacobian of one arm.
//!
//! At joint angle zero all frames are parallel to the machine frame (x forward, y left, z up). Joint i sits at the end of link
//! i-1 and turns about x, y or z of its own frame by the right-hand rule, so a positive angle about y lowers a link along +x; or it
//! slides along one of them, the end of its link with it. The "angle" of such a joint is how far, in m.
//! Product of rotations and the cross-product form of the Jacobian: any robotics text.
//!
//! Error in f32 for arms of up to 4 m: tip within 0.01 mm, the unit vectors of its frame within 1e-6, Jacobian entries within 1e-5 (held
//! by the tests).

use heapless::Vec;

use crate::machine::{Arm, JOINTS_MAX, Joint, JointAxis};
use crate::math;
use crate::vec3::{Vec3, add, cross, dot, scale, sub};

/// Where one joint is, in the machine frame.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct JointPlace {
    /// The joint, m.
    pub origin: Vec3,
    /// Unit vector about which it turns; zero where it slides.
    pub about: Vec3,
    /// Unit vector along which it slides; zero where it turns.
    pub along: Vec3,
    /// The end of its link, m.
    pub end: Vec3,
    /// The unit vectors x, y, z of its frame.
    pub frame: [Vec3; 3],
}

/// The machine frame's own unit vectors.
pub const MACHINE_FRAME: [Vec3; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

impl JointPlace {
    /// A joint at `origin`, and the frame that it turns.
    #[inline]
    fn new(joint: &Joint, origin: Vec3, frame: &mut [Vec3; 3], angle: f32) -> Self {
        let (about, along) = turn(frame, joint.about, angle);
        Self {
            origin,
            about,
            along,
            end: add(origin, add(in_frame(frame, joint.link), scale(along, angle))),
            frame: *frame,
        }
    }

    /// Where a point given in the joint's frame is, m.
    pub fn point(&self, local: Vec3) -> Vec3 {
        add(self.origin, self.vector(local))
    }

    /// A vector given in the joint's frame, in the machine frame.
    pub fn vector(&self, local: Vec3) -> Vec3 {
        in_frame(&self.frame, local)
    }

    /// What a point that the joint carries moves by when the joint does, m/rad (m/m where it slides).
    pub fn carries(&self, point: Vec3) -> Vec3 {
        add(self.along, cross(self.about, sub(point, self.origin)))
    }

    /// A point of the machine frame, in the joint's frame, m.
    pub fn local(&self, point: Vec3) -> Vec3 {
        let from = sub(point, self.origin);
        self.frame.map(|axis| dot(axis, from))
    }
}

/// Where an arm is.
#[derive(Debug, Clone, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ArmPose {
    /// Its joints from base to tip.
    pub joints: Vec<JointPlace, JOINTS_MAX>,
    /// The grip, if the arm has one and its angle was given.
    pub grip: Option<JointPlace>,
    /// The tip, m.
    pub tip: Vec3,
    /// The tip frame's unit vectors x, y, z.
    pub frame: [Vec3; 3],
}

impl ArmPose {
    /// The pose of an arm whose joint angles, rad (m where a joint slides), are given from base to tip, that of its grip after them.
    pub fn new(arm: &Arm, angles: impl IntoIterator<Item = f32>) -> Self {
        let mut pose = Self::default();
        pose.turn_to(arm, angles);
        pose
    }

    /// Turns it to other angles, as [`Self::new`] has them.
    pub fn turn_to(&mut self, arm: &Arm, angles: impl IntoIterator<Item = f32>) {
        self.frame = MACHINE_FRAME;
        self.tip = arm.base;
        self.joints.clear();
        let mut angles = angles.into_iter();
        // The angles come second: a `zip` that runs out of joints has then not taken the grip's.
        for (joint, angle) in arm.joints.iter().zip(&mut angles) {
            let place = JointPlace::new(joint, self.tip, &mut self.frame, angle);
            self.tip = place.end;
            // Cannot be full: an arm has no more joints than this has room for.
            let _ = self.joints.push(place);
        }
        let grip = arm.grip.as_ref().zip(angles.next());
        self.grip = grip.map(|(grip, angle)| JointPlace::new(grip, self.tip, &mut self.frame.clone(), angle));
    }

    /// What a point on link `link` (counted from the base) moves by when the joints move: one column a joint, m/rad (m/m where
    /// it slides).
    pub fn point_columns(&self, link: usize, point: Vec3) -> impl Iterator<Item = Vec3> + '_ {
        self.joints
            .iter()
            .take(link.saturating_add(1))
            .map(move |joint| joint.carries(point))
    }
}

/// One item a joint, as many as there is room for: `collect`, without its way to a panic.
pub fn per_joint<T>(items: impl IntoIterator<Item = T>) -> Vec<T, JOINTS_MAX> {
    let mut kept = Vec::new();
    for item in items {
        if kept.push(item).is_err() {
            break;
        }
    }
    kept
}

/// Turns a frame about one of its own axes, and says about which direction; or leaves it, and says along which it slides.
fn turn(frame: &mut [Vec3; 3], about: JointAxis, angle: f32) -> (Vec3, Vec3) {
    const NONE: Vec3 = [0.0; 3];
    let (sin, cos) = math::sin_cos(angle);
    let [x, y, z] = *frame;
    // Turning about an axis takes the next of the other two towards the one after it.
    let turned = |from: Vec3, to: Vec3| {
        (
            add(scale(from, cos), scale(to, sin)),
            add(scale(to, cos), scale(from, -sin)),
        )
    };
    match about {
        JointAxis::X => {
            let (y, z) = turned(y, z);
            *frame = [x, y, z];
            (x, NONE)
        }
        JointAxis::Y => {
            let (z, x) = turned(z, x);
            *frame = [x, y, z];
            (y, NONE)
        }
        JointAxis::Z => {
            let (x, y) = turned(x, y);
            *frame = [x, y, z];
            (z, NONE)
        }
        JointAxis::AlongX => (NONE, x),
        JointAxis::AlongY => (NONE, y),
        JointAxis::AlongZ => (NONE, z),
    }
}

/// A vector given in a frame, in the machine frame.
pub fn in_frame(frame: &[Vec3; 3], v: Vec3) -> Vec3 {
    add(add(scale(frame[0], v[0]), scale(frame[1], v[1])), scale(frame[2], v[2]))
}
