//! The closed form for a column and a plane of links: `[z] y y [y] [x]`.
//!
//! What pitch and roll the facing asks for settles the tool, and with it how far the tip stands aside of the arm's plane; that settles
//! the column, which has the tip in front of it or behind. What is left between the first joint about y and the last is a triangle of
//! two links, bent one way or the other. Any robotics text has it for links in one line (Craig, *Introduction to Robotics*, ch. 4, from
//! memory); here a link may point anywhere.

use heapless::Vec;

use super::{Angles, FACING_ERROR, Facing, Inverse, Off, TIP_ERROR, Target, Unreachable, apart, steps};
use crate::chain::in_frame;
use crate::linkage::included;
use crate::machine::{Arm, JointAxis};
use crate::math;
use crate::vec3::{Vec3, add, norm, sub};

/// A point this near to the column's axis leaves its angle open, m.
const ON_AXIS: f32 = 1e-6;
/// A tool whose axis is this near to upright stands on end, rad: within what an answer may be off.
const ON_END: f32 = 0.2 * FACING_ERROR;
/// A facing off by more than this is another one, not rounding, rad.
const OTHER_FACING: f32 = 0.05;

/// An arm of that kind: what its links are.
#[derive(Debug, Clone, Copy)]
pub struct Planar {
    base: Vec3,
    /// Link of the column; none where the first joint turns about y.
    column: Option<Vec3>,
    upper: Vec3,
    fore: Vec3,
    /// Link of the third joint about y.
    hand: Option<Vec3>,
    /// Link of the roll.
    tool: Option<Vec3>,
}

/// The best that was found so far, and what the others lacked.
struct Search<'a> {
    inverse: &'a Inverse<'a>,
    from: &'a [f32],
    target: &'a Target,
    best: Option<(f32, Angles)>,
    miss: Option<(Unreachable, f32)>,
}

impl Planar {
    /// The arm's links, if it is of that kind.
    pub fn of(arm: &Arm) -> Option<Self> {
        let mut joints = arm.joints.iter().peekable();
        let mut next = |about| joints.next_if(|joint| joint.about == about).map(|joint| joint.link);
        let planar = Self {
            base: arm.base,
            column: next(JointAxis::Z),
            upper: next(JointAxis::Y)?,
            fore: next(JointAxis::Y)?,
            hand: next(JointAxis::Y),
            tool: next(JointAxis::X),
        };
        joints.next().is_none().then_some(planar)
    }

    /// The facing leaves no joint open.
    pub fn settles(&self, facing: &Facing) -> bool {
        self.hand.is_none() || *facing != Facing::Free
    }

    /// The way nearest to `from`.
    pub fn solve(&self, inverse: &Inverse, from: &[f32], target: &Target) -> Result<Angles, Unreachable> {
        let mut search = Search {
            inverse,
            from,
            target,
            best: None,
            miss: None,
        };
        for (pitch, roll) in self.tilts(&mut search) {
            self.try_tilt(pitch, roll, &mut search);
        }
        // With neither an answer nor a miss there was no tilt to try.
        let why = search.miss.map_or(Unreachable::Facing, |(why, _)| why);
        search.best.map(|(_, angles)| angles).ok_or(why)
    }

    /// Pitch and roll that give the facing.
    fn tilts(&self, search: &mut Search) -> Vec<(f32, f32), 2> {
        let mut tilts = Vec::new();
        let mut add_tilt = |pitch, roll| {
            // Cannot be full: there are two at most.
            let _ = tilts.push((pitch, roll));
        };
        match (self.tool, search.target.facing) {
            (None, Facing::Free) => add_tilt(0.0, 0.0),
            (None, facing) => {
                let [x, y, z] = facing.up();
                if math::abs(y) <= FACING_ERROR {
                    add_tilt(math::atan2(-x, z), 0.0);
                }
            }
            (Some(_), Facing::Free) => add_tilt(0.0, search.present_roll()),
            (Some(_), Facing::Up([x, y, z])) => {
                let side = math::hypot(y, z);
                for sign in [1.0, -1.0] {
                    // Where the tool stands on end any roll will do.
                    let roll = if side > ON_END {
                        math::atan2(sign * y, sign * z)
                    } else {
                        search.present_roll()
                    };
                    add_tilt(math::atan2(-x, sign * side), roll);
                }
            }
            (Some(tool), Facing::Frame(frame)) => {
                // Before the roll, and even where the tool stands on end, the wrist is known, and with it the column.
                let wrist = sub(search.target.tip, in_frame(&frame, tool));
                let [x, y, _] = sub(wrist, self.base);
                let aside = self.aside(self.fore, self.hand.unwrap_or_default());
                for (slew, _) in self.planes(x, y, aside, search) {
                    let (sin, cos) = math::sin_cos(slew);
                    let [along, across, up] = frame;
                    let aside = |v: Vec3| cos * v[1] - sin * v[0];
                    let pitch = math::atan2(-along[2], cos * along[0] + sin * along[1]);
                    add_tilt(pitch, math::atan2(-aside(up), aside(across)));
                }
            }
        }
        tilts
    }

    /// How far the tip stands aside of the plane through the column's axis.
    fn aside(&self, fore: Vec3, end: Vec3) -> f32 {
        self.column.unwrap_or_default()[1] + self.upper[1] + fore[1] + end[1]
    }

    fn try_tilt(&self, pitch: f32, roll: f32, search: &mut Search) {
        let tool = self.tool.map_or([0.0; 3], |link| about_x(link, roll));
        // The end is what the pitch settles; without a third joint about y the tool is part of the fore link.
        let (fore, end) = match self.hand {
            Some(hand) => (self.fore, about_y(add(hand, tool), pitch)),
            None => (add(self.fore, tool), [0.0; 3]),
        };
        let column = self.column.unwrap_or_default();
        let [x, y, z] = sub(search.target.tip, self.base);
        for (slew, forward) in self.planes(x, y, self.aside(fore, end), search) {
            let across = forward - column[0] - end[0];
            let up = z - column[2] - end[2];
            self.try_plane(slew, [across, -up], fore, (pitch, roll), search);
        }
    }

    /// Column angles that bring the arm's plane to pass a point at `aside`, and how far in front of the column's axis the point
    /// then is.
    fn planes(&self, x: f32, y: f32, aside: f32, search: &mut Search) -> Vec<(f32, f32), 2> {
        let mut planes = Vec::new();
        if self.column.is_none() {
            let off = math::abs(y - aside);
            if off <= TIP_ERROR {
                let _ = planes.push((0.0, x));
            } else {
                search.miss(Unreachable::Aside, off);
            }
            return planes;
        }
        let away = math::hypot(x, y);
        let short = math::abs(aside) - away;
        if short > TIP_ERROR {
            search.miss(Unreachable::TooNear, short);
            return planes;
        }
        let forward = math::sqrt(math::max((away - aside) * (away + aside), 0.0));
        let present = search.from.first().copied().unwrap_or_default();
        for forward in [forward, -forward] {
            let slew = if away > ON_AXIS {
                math::atan2(y, x) - math::atan2(aside, forward)
            } else {
                present
            };
            let _ = planes.push((slew, forward));
        }
        planes
    }

    /// Both ways of bending two links to a point of the plane, whose second axis points down as a positive angle does.
    fn try_plane(&self, slew: f32, point: [f32; 2], fore: Vec3, (pitch, roll): (f32, f32), search: &mut Search) {
        let (upper, fore) = ([self.upper[0], -self.upper[2]], [fore[0], -fore[2]]);
        let length = |v: [f32; 2]| math::hypot(v[0], v[1]);
        let polar = |v: [f32; 2]| math::atan2(v[1], v[0]);
        let (a, b, away) = (length(upper), length(fore), length(point));
        let (nearest, farthest) = (math::abs(a - b), a + b);
        if away > farthest + TIP_ERROR {
            return search.miss(Unreachable::TooFar, away - farthest);
        }
        if away < nearest - TIP_ERROR {
            return search.miss(Unreachable::TooNear, nearest - away);
        }
        let away = math::clamp(away, nearest, farthest);
        let (Ok(lead), Ok(elbow)) = (included(a, away, b), included(a, b, away)) else {
            return search.miss(Unreachable::TooNear, nearest);
        };
        for bend in [1.0, -1.0] {
            let first = polar(point) - bend * lead - polar(upper);
            let second = bend * (core::f32::consts::PI - elbow) + polar(upper) - polar(fore);
            let joints = [
                self.column.map(|_| slew),
                Some(first),
                Some(second),
                self.hand.map(|_| pitch - first - second),
                self.tool.map(|_| roll),
            ];
            search.take(joints.into_iter().flatten());
        }
    }
}

impl Search<'_> {
    fn present_roll(&self) -> f32 {
        self.from.last().copied().unwrap_or_default()
    }

    /// Notes why a way is none. Of several reasons the one that came furthest counts, then the one that was missed by least.
    fn miss(&mut self, why: Unreachable, by: f32) {
        let came = |why| match why {
            Unreachable::Facing => 2,
            Unreachable::Range(_) => 1,
            _ => 0,
        };
        let further = |(last, least)| came(why) > came(last) || (came(why) == came(last) && by < least);
        if self.miss.is_none_or(further) {
            self.miss = Some((why, by));
        }
    }

    /// Keeps a way that is within the ranges, leads there, and is nearer than the best.
    fn take(&mut self, joints: impl Iterator<Item = f32>) {
        let mut angles = Angles::new();
        for (joint, ((angle, range), near)) in (0..).zip(joints.zip(&self.inverse.ranges).zip(self.from)) {
            match range.turned(angle, *near) {
                // Cannot be full: an arm has no more joints than this has room for.
                Ok(angle) => {
                    let _ = angles.push(angle);
                }
                Err(outside) => return self.miss(Unreachable::Range(joint), outside),
            }
        }
        let nearer = |angles: &Angles, best: &Option<(f32, Angles)>| {
            let way = apart(angles, self.from);
            best.as_ref().is_none_or(|(least, _)| way < *least).then_some(way)
        };
        let Some(mut way) = nearer(&angles, &self.best) else {
            return;
        };
        let off = Off::new(self.target, &self.inverse.pose(&angles));
        if !off.is_there() {
            if norm(off.turn) > OTHER_FACING {
                return self.miss(Unreachable::Facing, norm(off.turn));
            }
            // Near a stretched arm, or where an angle was brought back into its range, rounding is all that is missing.
            match steps::approach(self.inverse, angles, self.target) {
                Some(found) => angles = found,
                None => return self.miss(Unreachable::Facing, norm(off.turn)),
            }
            way = apart(&angles, self.from);
        }
        self.best = Some((way, angles));
    }
}

/// A vector turned about x.
fn about_x(v: Vec3, angle: f32) -> Vec3 {
    let (sin, cos) = math::sin_cos(angle);
    [v[0], cos * v[1] - sin * v[2], sin * v[1] + cos * v[2]]
}

/// A vector turned about y.
fn about_y(v: Vec3, angle: f32) -> Vec3 {
    let (sin, cos) = math::sin_cos(angle);
    [cos * v[0] + sin * v[2], v[1], cos * v[2] - sin * v[0]]
}
