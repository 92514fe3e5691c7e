//! Keep-out: how near the parts of the arms are to the zones and to each other.
//!
//! Takes the [`Machine`] and where its arms are; gives the nearest pair ([`nearest`]), or every pair that is near ([`Surroundings::scan`])
//! with what each joint does to it ([`Surroundings::closing`]). It holds no state and decides nothing.
//!
//! Each link, each cylinder and the grip is a capsule: its line with a radius. A part that a zone spares is not looked at beside that zone, nor is
//! the link that carries one. Distances are as good as `distance` says; a pair is passed over without working out its distance only where the
//! boxes around the two are already too far apart. An arm whose pose is not known has no parts: who moves arms must not move them then.

mod distance;
mod parts;

use core::cell::Cell;

use heapless::Vec;

use crate::chain::{ArmPose, JointPlace};
use crate::machine::{ARMS_MAX, Carried, Machine, Shape, ZONES_MAX, Zone};
use crate::math;
use crate::vec3::{Vec3, dot};

pub use distance::{Nearest, to_line, to_shape};
use distance::{along_line, from_line, from_shape};
use parts::{Capsule, Layout};
pub use parts::{MOVERS, PARTS_MAX};

/// A part of an arm, by the number of its joint, counted from the base; the grip's comes after the last joint's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Part {
    /// The link that the joint carries.
    Link(u8),
    /// The cylinder that moves the joint.
    Cylinder(u8),
}

impl Part {
    /// The number of its joint.
    pub fn joint(self) -> u8 {
        match self {
            Self::Link(joint) | Self::Cylinder(joint) => joint,
        }
    }

    /// A number that no other part of its arm has, below [`PARTS_MAX`].
    pub fn number(self) -> usize {
        match self {
            Self::Link(joint) => usize::from(joint),
            Self::Cylinder(joint) => MOVERS.saturating_add(joint.into()),
        }
    }
}

/// What a part is near to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum With {
    /// A zone: its number.
    Zone(u8),
    /// A part of another arm.
    Arm(usize, Part),
}

/// A part of an arm and what it is near to.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Closest {
    /// From surface to surface, m; below 0 where they overlap.
    pub gap: f32,
    /// What the gap should not be less than, m.
    pub margin: f32,
    /// What is near.
    pub with: With,
    /// Number of the arm.
    pub arm: usize,
    /// Its part.
    pub part: Part,
    /// The nearest point on the part's line, m.
    pub point: Vec3,
    /// Unit vector to that point from what is near; zero where no direction leads away for certain.
    pub outward: Vec3,
}

impl Closest {
    /// What is left of the gap beyond the margin, m.
    pub fn room(&self) -> f32 {
        self.gap - self.margin
    }
}

/// The pair with the least room: a part of an arm and a zone, or parts of two arms. None where there is no pair.
pub fn nearest(machine: &Machine, poses: &[Option<ArmPose>]) -> Option<Closest> {
    nearest_where(machine, poses, |_, _| true)
}

/// The same among the pairs in which one arm takes part, whatever the other arm is near to.
pub fn nearest_of(machine: &Machine, poses: &[Option<ArmPose>], arm: usize) -> Option<Closest> {
    nearest_where(machine, poses, |(one, _), with| {
        one == arm || matches!(with, With::Arm(other, _) if other == arm)
    })
}

fn nearest_where(
    machine: &Machine,
    poses: &[Option<ArmPose>],
    counts: impl Fn(ArmPart, With) -> bool,
) -> Option<Closest> {
    let (least, found) = (Cell::new(f32::INFINITY), Cell::new(None));
    let mut surroundings = Surroundings::new(machine);
    surroundings.look(poses);
    surroundings.scan(
        |one, with| {
            if counts(one, with) {
                least.get()
            } else {
                f32::NEG_INFINITY
            }
        },
        |pair| {
            let room = pair.closest.room();
            if room < least.get() {
                least.set(room);
                found.set(Some(pair.closest));
            }
        },
    );
    found.get()
}

/// A pair that was found near, with what it takes to say how joints move it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair<'s> {
    /// What is near to what.
    pub closest: Closest,
    capsule: &'s Capsule,
    share: f32,
    other: Other<'s>,
}

/// What is on the other side of a pair.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Other<'s> {
    Still,
    Carried(Carried),
    /// A part of the second arm, and how far along its line.
    Part(&'s Capsule, f32),
}

/// How much each joint closes a gap, by arm and joint (the grip after the last joint), m/rad (m/m where it slides).
pub type Closing = [[f32; MOVERS]; ARMS_MAX];

/// A part of an arm: the number of the arm, and the part.
pub type ArmPart = (usize, Part);

/// The arms where they are, among the zones.
pub struct Surroundings<'m> {
    machine: &'m Machine,
    poses: &'m [Option<ArmPose>],
    arms: [Layout<'m>; ARMS_MAX],
    zones: Vec<Surrounded<'m>, ZONES_MAX>,
}

/// A zone, and the box around it: none where nothing is so far that it can be told by a box.
struct Surrounded<'m> {
    zone: &'m Zone,
    around: Option<(Vec3, Vec3)>,
}

impl<'m> Surroundings<'m> {
    /// Nothing yet but room for it: what is this large is filled where it is kept, and not handed over.
    pub fn new(machine: &'m Machine) -> Self {
        Self {
            machine,
            poses: &[],
            arms: [Layout::default(), Layout::default()],
            zones: Vec::new(),
        }
    }

    /// The machine's zones, and its arms in these poses.
    pub fn look(&mut self, poses: &'m [Option<ArmPose>]) {
        self.poses = poses;
        for ((arm, pose), layout) in self.machine.arms().iter().zip(poses).zip(&mut self.arms) {
            match pose {
                Some(pose) => layout.fill(arm, pose),
                None => layout.clear(),
            }
        }
        self.zones.clear();
        for zone in self.machine.zones() {
            // Cannot be full: a machine has no more zones than this has room for.
            let _ = self.zones.push(Surrounded::new(zone));
        }
    }

    /// Visits every pair whose room may be less than `limit` of the part and what it is beside, m. A pair of two
    /// lines is visited where it is nearest, and at the ends of its lines as well: a line that turns may be about to be nearest there.
    pub fn scan<'s>(&'s self, limit: impl Fn(ArmPart, With) -> f32, mut visit: impl FnMut(&Pair<'s>)) {
        for (index, arm) in self.arms.iter().enumerate() {
            for capsule in &arm.parts {
                for (number, zone) in (0..).zip(&self.zones) {
                    if meets(zone.zone, index, capsule.part) {
                        let limit = || limit((index, capsule.part), With::Zone(number));
                        self.beside_zone(index, capsule, number, zone, &limit, &mut visit);
                    }
                }
            }
        }
        let [first, second] = &self.arms;
        for one in &first.parts {
            for two in &second.parts {
                let limit = || limit((0, one.part), With::Arm(1, two.part));
                self.beside_part(one, two, &limit, &mut visit);
            }
        }
    }

    fn beside_zone<'s>(
        &'s self,
        arm: usize,
        capsule: &'s Capsule,
        number: u8,
        Surrounded { zone, around }: &Surrounded,
        limit: &impl Fn() -> f32,
        visit: &mut impl FnMut(&Pair<'s>),
    ) {
        let far = || limit() + zone.margin + capsule.radius;
        let carrier = match zone.carried {
            None => None,
            // The pose of who carries it is not known: no more is where the zone is.
            Some(carried) => match self.place(carried) {
                None => return,
                found => found,
            },
        };
        let (start, end) = match carrier {
            None if around.is_some_and(|around| is_far(capsule, around, far())) => return,
            None => capsule.line,
            Some(place) => (place.local(capsule.line.0), place.local(capsule.line.1)),
        };
        let near = to_shape(&zone.shape, start, end);
        // What is no number is near.
        if near.distance >= far() {
            return;
        }
        let ends = [0.0, 1.0].map(|share| from_shape(&zone.shape, start, end, share));
        let ends = ends.iter().filter(|at_end| at_end.share != near.share);
        for near in core::iter::once(&near).chain(ends) {
            if near.distance >= far() {
                continue;
            }
            visit(&Pair {
                closest: Closest {
                    gap: near.distance - capsule.radius,
                    margin: zone.margin,
                    with: With::Zone(number),
                    arm,
                    part: capsule.part,
                    point: carrier.map_or(near.point, |place| place.point(near.point)),
                    outward: carrier.map_or(near.outward, |place| place.vector(near.outward)),
                },
                capsule,
                share: near.share,
                other: zone.carried.map_or(Other::Still, Other::Carried),
            });
        }
    }

    /// A part of the first arm beside one of the second.
    fn beside_part<'s>(
        &'s self,
        one: &'s Capsule,
        two: &'s Capsule,
        limit: &impl Fn() -> f32,
        visit: &mut impl FnMut(&Pair<'s>),
    ) {
        let margin = self.machine.arm_margin();
        let radii = one.radius + two.radius;
        let far = || limit() + margin + radii;
        if is_far(one, (two.low, two.high), far()) {
            return;
        }
        let (near, theirs) = to_line(one.line, two.line);
        if near.distance >= far() {
            return;
        }
        let ends = [
            (0.0, along_line(two.line, one.line.0)),
            (1.0, along_line(two.line, one.line.1)),
            (along_line(one.line, two.line.0), 0.0),
            (along_line(one.line, two.line.1), 1.0),
        ];
        let ends = ends.iter().filter(|ends| **ends != (near.share, theirs));
        let ends = ends.map(|(share, theirs)| from_line(one.line, *share, two.line, *theirs));
        for (near, share) in core::iter::once((near, theirs)).chain(ends) {
            if near.distance >= far() {
                continue;
            }
            visit(&Pair {
                closest: Closest {
                    gap: near.distance - radii,
                    margin,
                    with: With::Arm(1, two.part),
                    arm: 0,
                    part: one.part,
                    point: near.point,
                    outward: near.outward,
                },
                capsule: one,
                share: near.share,
                other: Other::Part(two, share),
            });
        }
    }

    /// How much each joint that `counts` (by arm and number) closes the gap of a pair. Where no direction leads away for certain, any motion of
    /// its point closes it.
    pub fn closing(&self, pair: &Pair, counts: impl Fn(usize, usize) -> bool) -> Closing {
        let mut closing = [[0.0; MOVERS]; ARMS_MAX];
        // A point across the gap moves along it as this one does when it moves with the same link.
        let Closest {
            point, outward, arm, ..
        } = pair.closest;
        let either = outward == [0.0; 3];
        let mut close = |arm: usize, sign: f32, own: usize, rod: Option<Vec3>| {
            let (Some(layout), Some(row)) = (self.arms.get(arm), closing.get_mut(arm)) else {
                return;
            };
            for (joint, (place, closing)) in layout.movers.iter().zip(row).enumerate().take(own.saturating_add(1)) {
                if !counts(arm, joint) {
                    continue;
                }
                let column = match rod {
                    Some(rod) if joint == own => rod,
                    _ => place.carries(point),
                };
                *closing += if either {
                    math::rough_norm3(column[0], column[1], column[2])
                } else {
                    sign * dot(column, outward)
                };
            }
        };
        close(arm, -1.0, pair.capsule.joint(), pair.capsule.rod(pair.share));
        match &pair.other {
            Other::Still => {}
            Other::Carried(Carried { arm, joint }) => close(usize::from(*arm), 1.0, usize::from(*joint), None),
            Other::Part(capsule, share) => close(1, 1.0, capsule.joint(), capsule.rod(*share)),
        }
        closing
    }

    /// The parts of an arm, and how far each gets at most while each joint, the grip's after the last, moves by no more than `moves`, rad (m
    /// where it slides): no gap of it closes by more, m.
    pub fn strays(&self, arm: usize, moves: &[f32; MOVERS]) -> impl Iterator<Item = (Part, f32)> {
        let layout = self.arms.get(arm).into_iter();
        layout.flat_map(move |layout| {
            let stray = move |capsule: &Capsule| (capsule.part, layout.strays(capsule, moves));
            layout.parts.iter().map(stray)
        })
    }

    fn pose(&self, arm: usize) -> Option<&ArmPose> {
        self.poses.get(arm)?.as_ref()
    }

    fn place(&self, Carried { arm, joint }: Carried) -> Option<&JointPlace> {
        self.pose(usize::from(arm))?.joints.get(usize::from(joint))
    }
}

/// The zone keeps this part of this arm out.
fn meets(zone: &Zone, arm: usize, part: Part) -> bool {
    let joint = usize::from(part.joint());
    let carries = zone
        .carried
        .is_some_and(|carried| usize::from(carried.arm) == arm && usize::from(carried.joint) == joint);
    !carries && !zone.spares.has(arm, joint)
}

impl<'m> Surrounded<'m> {
    fn new(zone: &'m Zone) -> Self {
        let around = match zone.shape {
            Shape::Box { min, max } => Some((min, max)),
            Shape::Capsule { from, to, radius } => {
                let corner = |pick: fn(f32, f32) -> f32, by: f32| {
                    let ([x0, y0, z0], [x1, y1, z1]) = (from, to);
                    [pick(x0, x1) + by, pick(y0, y1) + by, pick(z0, z1) + by]
                };
                Some((corner(math::min, -radius), corner(math::max, radius)))
            }
            Shape::HalfSpace { .. } => None,
        };
        Self { zone, around }
    }
}

/// A part's line is at least this far from all in a box, seen from the box around it. In the box nothing is far.
fn is_far(capsule: &Capsule, (low, high): (Vec3, Vec3), far: f32) -> bool {
    let ([x0, y0, z0], [x1, y1, z1]) = (low, high);
    let ([a0, b0, c0], [a1, b1, c1]) = (capsule.low, capsule.high);
    let mut square = 0.0;
    far > 0.0
        && [(x0, x1, a0, a1), (y0, y1, b0, b1), (z0, z1, c0, c1)]
            .into_iter()
            .any(|(low, high, from, to)| {
                let between = between(low, high, from, to);
                square += between * between;
                square >= far * far
            })
}

/// What is between two ranges; 0 where they meet.
fn between(low: f32, high: f32, from: f32, to: f32) -> f32 {
    if to < low {
        low - to
    } else if high < from {
        from - high
    } else {
        0.0
    }
}
