//! The parts of an arm as capsules, and how each joint moves a point of one.

use heapless::Vec;

use super::Part;
use crate::chain::{ArmPose, JointPlace, MACHINE_FRAME};
use crate::machine::{Arm, Cylinder, JOINTS_MAX, Joint, JointAxis, Rocker, Rod};
use crate::math;
use crate::vec3::{Vec3, add, dot, norm, scale, sub};

/// Joints of an arm, and its grip after the last.
pub const MOVERS: usize = JOINTS_MAX + 1;
/// Most parts of an arm: a link and a cylinder each.
pub const PARTS_MAX: usize = 2 * MOVERS;

/// More than rounding makes of the distance between two parts, or of how a gap closes, m.
const ROUNDING: f32 = 1e-5;

/// A part of an arm where it is now: all that is no further than its radius from a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capsule {
    pub part: Part,
    pub line: (Vec3, Vec3),
    pub radius: f32,
    /// The corners of the least box around the line. Of one with what is no number it is all there is.
    pub low: Vec3,
    pub high: Vec3,
    /// What the end of the line moves by when the part's own joint does; its start does not. Of a cylinder: a link moves as one.
    rod_rate: Vec3,
}

/// An arm laid out.
#[derive(Default)]
pub struct Layout<'p> {
    pub parts: Vec<Capsule, PARTS_MAX>,
    /// What moves them: its joints from base to tip, and its grip.
    pub movers: Vec<&'p JointPlace, MOVERS>,
}

impl<'p> Layout<'p> {
    /// Lays out an arm in a pose. A grip whose angle is not known is a ball that it stays in.
    pub fn fill(&mut self, arm: &Arm, pose: &'p ArmPose) {
        self.clear();
        let mut parent = &MACHINE_FRAME;
        for ((number, joint), place) in (0..).zip(arm.movers()).zip(places(pose)) {
            self.push(Capsule::new(
                Part::Link(number),
                (place.origin, place.end),
                joint.radius,
            ));
            if let Some(cylinder) = &joint.cylinder {
                self.push(of_cylinder(number, joint, cylinder, place, parent));
            }
            // Cannot be full: an arm has no more joints than this has room for, and one grip.
            let _ = self.movers.push(place);
            parent = &place.frame;
        }
        if let (Some(grip), None, Ok(number)) = (&arm.grip, &pose.grip, u8::try_from(arm.joints.len())) {
            let radius = norm(grip.link) + grip.radius;
            self.push(Capsule::new(Part::Link(number), (pose.tip, pose.tip), radius));
        }
    }

    /// Nothing is laid out.
    pub fn clear(&mut self) {
        self.parts.clear();
        self.movers.clear();
    }

    /// How far a part gets at most while each joint moves by no more than `moves`, rad (m where it slides): no point of it, nor one across a gap
    /// that goes with it, is further from a joint that turns than an end of its line, m.
    pub fn strays(&self, capsule: &Capsule, moves: &[f32; MOVERS]) -> f32 {
        let (start, end) = capsule.line;
        let (own, rod) = (capsule.joint(), capsule.rod(1.0));
        let carriers = self.movers.iter().zip(moves).take(own.saturating_add(1));
        carriers.enumerate().fold(ROUNDING, |stray, (joint, (place, moves))| {
            let [x, y, z] = match rod {
                Some(rod) if joint == own => rod,
                _ if place.along != [0.0; 3] => place.along,
                _ => longer(sub(start, place.origin), sub(end, place.origin)),
            };
            stray + math::rough_norm3(x, y, z) * moves
        })
    }

    fn push(&mut self, capsule: Capsule) {
        // Cannot be full: each joint and the grip add a link and a cylinder at most.
        let _ = self.parts.push(capsule);
    }
}

fn places(pose: &ArmPose) -> impl Iterator<Item = &JointPlace> {
    pose.joints.iter().chain(&pose.grip)
}

impl Capsule {
    fn new(part: Part, line: (Vec3, Vec3), radius: f32) -> Self {
        let ([x0, y0, z0], [x1, y1, z1]) = line;
        let (x, y, z) = (ordered(x0, x1), ordered(y0, y1), ordered(z0, z1));
        let [x, y, z] = match (x, y, z) {
            (Some(x), Some(y), Some(z)) => [x, y, z],
            _ => [(f32::NEG_INFINITY, f32::INFINITY); 3],
        };
        Self {
            part,
            line,
            radius,
            low: [x.0, y.0, z.0],
            high: [x.1, y.1, z.1],
            rod_rate: [0.0; 3],
        }
    }

    /// The number of its joint.
    pub fn joint(&self) -> usize {
        usize::from(self.part.joint())
    }

    /// What a point of it, `share` of the way along its line, moves by when its own joint does, where it does not move as the joint's link.
    pub fn rod(&self, share: f32) -> Option<Vec3> {
        match self.part {
            Part::Link(_) => None,
            Part::Cylinder(_) => Some(scale(self.rod_rate, share)),
        }
    }
}

/// The lesser of two first. None where one is no number.
fn ordered(one: f32, two: f32) -> Option<(f32, f32)> {
    if one <= two {
        Some((one, two))
    } else if two < one {
        Some((two, one))
    } else {
        None
    }
}

fn longer(one: Vec3, two: Vec3) -> Vec3 {
    if dot(one, one) > dot(two, two) { one } else { two }
}

/// The cylinder of a joint, from its barrel pin to its rod pin.
fn of_cylinder(number: u8, joint: &Joint, cylinder: &Cylinder, place: &JointPlace, parent: &[Vec3; 3]) -> Capsule {
    let of_parent = |[x, y, z]: Vec3| add(add(scale(parent[0], x), scale(parent[1], y)), scale(parent[2], z));
    let (rod, rod_rate) = match &cylinder.rod {
        Rod::Link(pin) => {
            let rod = place.point(*pin);
            (rod, place.carries(rod))
        }
        Rod::Rocker(rocker) => {
            let turned = angle_of(joint.about, parent, &place.frame);
            let (pin, rate) = rocker.rod_pin(turned);
            (
                add(place.origin, of_parent(off_plane(joint.about, pin, cylinder.barrel))),
                of_parent(off_plane(joint.about, rate, [0.0; 3])),
            )
        }
    };
    let barrel = add(place.origin, of_parent(cylinder.barrel));
    Capsule {
        rod_rate,
        ..Capsule::new(Part::Cylinder(number), (barrel, rod), cylinder.radius)
    }
}

/// Cosine and sine of the angle that a frame is turned by, seen from its parent's.
fn angle_of(about: JointAxis, [x, y, z]: &[Vec3; 3], frame: &[Vec3; 3]) -> [f32; 2] {
    match about {
        JointAxis::X | JointAxis::AlongX => [dot(frame[1], *y), dot(frame[1], *z)],
        JointAxis::Y | JointAxis::AlongY => [dot(frame[0], *x), -dot(frame[0], *z)],
        JointAxis::Z | JointAxis::AlongZ => [dot(frame[0], *x), dot(frame[0], *y)],
    }
}

/// A vector of the plane of a joint, in the parent's axes, as far beside the plane as another.
fn off_plane(about: JointAxis, [u, v]: [f32; 2], [x, y, z]: Vec3) -> Vec3 {
    match about {
        JointAxis::X | JointAxis::AlongX => [x, u, v],
        JointAxis::Y | JointAxis::AlongY => [u, y, -v],
        JointAxis::Z | JointAxis::AlongZ => [u, v, z],
    }
}

impl Rocker {
    /// Where the rod's pin is, and what it moves by per radian of the joint, in the plane of the joint, in the parent's axes, m and m/rad:
    /// the rocker's coupler pin is where two circles meet, and both ends of the coupler have the same speed along it. Where the bars cannot
    /// reach, they lie in line.
    fn rod_pin(&self, turned: [f32; 2]) -> ([f32; 2], [f32; 2]) {
        let child = times(turned, self.child);
        let [x, y] = [child[0] - self.pivot[0], child[1] - self.pivot[1]];
        let square = x * x + y * y;
        let (rocker, coupler) = (self.rocker * self.rocker, self.coupler * self.coupler);
        let along = 0.5 * (rocker - coupler + square) / square;
        let beside = math::sqrt(math::max(rocker / square - along * along, 0.0));
        // Seen from the pivot: the coupler's pin on the rocker.
        let arm = times([x, y], [along, self.side * beside]);
        let coupled = [x - arm[0], y - arm[1]];
        let across = |v: [f32; 2]| v[0] * coupled[1] - v[1] * coupled[0];
        let gear = across(child) / across(arm);
        let [u, v] = times(arm, self.rod);
        ([self.pivot[0] + u, self.pivot[1] + v], [-gear * v, gear * u])
    }
}

/// The product of two complex numbers: turned and stretched.
fn times([a, b]: [f32; 2], [c, d]: [f32; 2]) -> [f32; 2] {
    [a * c - b * d, a * d + b * c]
}
