//! The parts of an arm as capsules, and how each joint moves a point of one.

use heapless::Vec;

use super::Part;
use crate::chain::{ArmPose, JointPlace, MACHINE_FRAME};
use crate::machine::{Arm, Cylinder, JOINTS_MAX, Joint, JointAxis, Rocker, Rod};
use crate::math;
use crate::vec3::{Vec3, add, cross, dot, norm, scale, sub};

/// Joints of an arm, and its grip after the last.
pub const MOVERS: usize = JOINTS_MAX + 1;
/// A link and a cylinder each.
const PARTS_MAX: usize = 2 * MOVERS;

/// A part of an arm where it is now: all that is no further than its radius from a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capsule {
    pub part: Part,
    pub line: (Vec3, Vec3),
    pub radius: f32,
    /// The corners of the least box around the line.
    pub low: Vec3,
    pub high: Vec3,
    /// What the end of the line moves by when the part's own joint does; its start does not. Of a cylinder: a link moves as one.
    rod_rate: Vec3,
}

/// All parts of an arm.
pub type Parts = Vec<Capsule, PARTS_MAX>;

/// The parts of an arm in a pose. A grip whose angle is not known is a ball that it stays in.
pub fn parts(arm: &Arm, pose: &ArmPose) -> Parts {
    let mut parts = Parts::new();
    let mut push = |capsule| {
        // Cannot be full: each joint and the grip add a link and a cylinder at most.
        let _ = parts.push(capsule);
    };
    let mut parent = MACHINE_FRAME;
    for ((number, joint), place) in (0..).zip(arm.movers()).zip(places(pose)) {
        push(Capsule::new(
            Part::Link(number),
            (place.origin, place.end),
            joint.radius,
        ));
        if let Some(cylinder) = &joint.cylinder {
            push(of_cylinder(number, joint, cylinder, place, &parent));
        }
        parent = place.frame;
    }
    if let (Some(grip), None, Ok(number)) = (&arm.grip, &pose.grip, u8::try_from(arm.joints.len())) {
        let radius = norm(grip.link) + grip.radius;
        push(Capsule::new(Part::Link(number), (pose.tip, pose.tip), radius));
    }
    parts
}

/// What a point of a part, `share` of the way along its line, moves by when each joint that can move it does, m/rad (m/m where it slides): the
/// number of the joint, and that.
pub fn columns<'p>(
    pose: &'p ArmPose,
    capsule: &'p Capsule,
    share: f32,
    point: Vec3,
) -> impl Iterator<Item = (usize, Vec3)> + 'p {
    let own = usize::from(capsule.part.joint());
    let by_rod = matches!(capsule.part, Part::Cylinder(_));
    let moving = places(pose).take(own.saturating_add(1)).enumerate();
    moving.map(move |(joint, place)| {
        if by_rod && joint == own {
            (joint, scale(capsule.rod_rate, share))
        } else {
            (joint, carried(place, point))
        }
    })
}

/// The same for a point fixed to a joint's link.
pub fn columns_on(pose: &ArmPose, joint: usize, point: Vec3) -> impl Iterator<Item = (usize, Vec3)> + '_ {
    let moving = places(pose).take(joint.saturating_add(1)).enumerate();
    moving.map(move |(joint, place)| (joint, carried(place, point)))
}

/// No point of the parts of joint i moves by more than row i for each joint: what is between, link by link, and by how much a cylinder stands
/// out; 1 for a joint that slides.
pub fn reach(pose: &ArmPose, parts: &Parts) -> [[f32; MOVERS]; MOVERS] {
    let far = |from: Vec3, to: Vec3| {
        let [x, y, z] = sub(to, from);
        math::rough_norm3(x, y, z)
    };
    let joint = |part: Part| places(pose).nth(usize::from(part.joint()));
    let cylinders = parts.iter().filter(|capsule| matches!(capsule.part, Part::Cylinder(_)));
    let stands_out = cylinders.filter_map(|capsule| {
        let from = joint(capsule.part)?.origin;
        Some(math::max(far(from, capsule.line.0), far(from, capsule.line.1)))
    });
    let stands_out = stands_out.fold(0.0, math::max);
    let mut reach = [[0.0; MOVERS]; MOVERS];
    for (number, place) in places(pose).enumerate() {
        let length = far(place.origin, place.end);
        // From its own part on outwards, each joint up to this one has its link between.
        for row in reach.iter_mut().skip(number) {
            for so_far in row.iter_mut().take(number.saturating_add(1)) {
                *so_far += length;
            }
        }
    }
    for (number, place) in places(pose).enumerate() {
        for row in reach.iter_mut().skip(number) {
            if let Some(reach) = row.get_mut(number) {
                *reach = if place.along == [0.0; 3] {
                    *reach + stands_out
                } else {
                    1.0
                };
            }
        }
    }
    reach
}

fn carried(place: &JointPlace, point: Vec3) -> Vec3 {
    add(place.along, cross(place.about, sub(point, place.origin)))
}

fn places(pose: &ArmPose) -> impl Iterator<Item = &JointPlace> {
    pose.joints.iter().chain(&pose.grip)
}

impl Capsule {
    fn new(part: Part, line: (Vec3, Vec3), radius: f32) -> Self {
        let ([x0, y0, z0], [x1, y1, z1]) = line;
        Self {
            part,
            line,
            radius,
            low: [math::min(x0, x1), math::min(y0, y1), math::min(z0, z1)],
            high: [math::max(x0, x1), math::max(y0, y1), math::max(z0, z1)],
            rod_rate: [0.0; 3],
        }
    }
}

/// The cylinder of a joint, from its barrel pin to its rod pin.
fn of_cylinder(number: u8, joint: &Joint, cylinder: &Cylinder, place: &JointPlace, parent: &[Vec3; 3]) -> Capsule {
    let of_parent = |[x, y, z]: Vec3| add(add(scale(parent[0], x), scale(parent[1], y)), scale(parent[2], z));
    let (rod, rod_rate) = match &cylinder.rod {
        Rod::Link(pin) => {
            let rod = place.point(*pin);
            (rod, carried(place, rod))
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
