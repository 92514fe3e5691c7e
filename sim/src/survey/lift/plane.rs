//! The tip of an arm over reach and height, and the poses that bring it to a place there.
//!
//! Two of the joints span a mesh, the ones that move the tip most; every other joint that moves it takes a few values over its range, each
//! with a mesh of its own (a sheet). A place inside a triangle of a sheet has a pose near the triangle's corners, which Newton steps of
//! the two joints then make exact. So each place is met with every value of the other joints that allows it: all poses that matter.

use bellcrank_machine::description::{Arm, Description};
use nalgebra::{Matrix2, Vector2};

use super::super::grid::Chain;
use crate::plant::{Bodies, JOINTS_MAX, PerJoint, Pose};

/// Intervals of a mesh over the range of each of its joints.
const MESH: usize = 30;
/// Most sheets.
const SHEETS_MAX: usize = 130;
/// Most values of a joint beside the meshed ones.
const VALUES_MAX: usize = 49;
/// A joint that moves the tip less than this, m/rad, does not move it.
const UNMOVED: f64 = 1e-6;
/// The tip is there, m.
const THERE: f64 = 1e-9;
/// Newton steps that lead there from the corners of a triangle; each squares the error of some mm.
const STEPS: usize = 5;

/// Reach and height of an arm's tip. Reach is the distance from the axis of its first joint as seen from above, height is over the ground, m.
pub(super) struct Plane<'m> {
    machine: &'m Description,
    arm: &'m Arm,
    bodies: &'m Bodies,
    meshed: [usize; 2],
    others: Vec<usize>,
}

/// The mesh that two joints span, all others standing still.
pub(super) struct Sheet {
    angles: PerJoint,
    ranges: [(f64, f64); 2],
    /// Reach and height of its corners, row by row.
    corners: Vec<Vector2<f64>>,
}

/// A corner of a triangle: the angles of the two meshed joints, and where the tip is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Corner {
    angles: Vector2<f64>,
    pub(super) at: Vector2<f64>,
}

impl<'m> Plane<'m> {
    /// None where fewer than two joints move the tip in reach and height: it then has no area to be charted.
    pub(super) fn new(machine: &'m Description, arm: &'m Arm, bodies: &'m Bodies) -> Option<Plane<'m>> {
        let mut plane = Plane {
            machine,
            arm,
            bodies,
            meshed: [0; 2],
            others: Vec::new(),
        };
        let mut most = [0.0_f64; JOINTS_MAX];
        Chain::of_arm(machine, arm).each_coarse(&[], bodies, |_, pose| {
            for (most, slope) in most.iter_mut().zip(plane.slopes(pose)) {
                *most = most.max(slope.norm());
            }
        });
        let mut moving: Vec<usize> = arm.axes.iter().copied().filter(|&axis| most[axis] > UNMOVED).collect();
        moving.sort_by(|&a, &b| most[b].total_cmp(&most[a]));
        let (&[first, second], others) = moving.split_first_chunk()?;
        plane.meshed = [first, second];
        plane.others = others.to_vec();
        Some(plane)
    }

    fn at(&self, pose: &Pose) -> Vector2<f64> {
        let tip = pose.tip(self.machine, self.arm);
        Vector2::new((tip - self.arm.base).xy().norm(), tip.z)
    }

    /// How reach and height change with each joint, m/rad.
    fn slopes(&self, pose: &Pose) -> [Vector2<f64>; JOINTS_MAX] {
        let tip = pose.tip(self.machine, self.arm);
        let outward = (tip - self.arm.base).xy().try_normalize(0.0).unwrap_or_default();
        let last = self.arm.axes[self.arm.axes.len() - 1];
        let columns = self.bodies.jacobian(pose, last, &tip);
        std::array::from_fn(|axis| {
            let way = columns.fixed_view::<3, 1>(0, axis);
            Vector2::new(outward.x * way[0] + outward.y * way[1], way[2])
        })
    }

    pub(super) fn sheets(&self) -> Vec<Sheet> {
        let joints = u32::try_from(self.others.len()).unwrap_or(u32::MAX);
        let fits = |values: &usize| values.checked_pow(joints).is_some_and(|sheets| sheets <= SHEETS_MAX);
        let values = (2..=VALUES_MAX).take_while(fits).last().unwrap_or(2);
        let ranges = self.meshed.map(|axis| self.machine.axes[axis].joint.range);
        let mut sheets = Vec::new();
        let mut pose = Pose::default();
        Chain::of_arm(self.machine, self.arm).each_value_of(&self.others, values, |angles| {
            let mut angles = *angles;
            let mut corners = Vec::with_capacity((MESH + 1) * (MESH + 1));
            for i in 0..=MESH {
                for j in 0..=MESH {
                    let corner = corner_angles(&ranges, i, j);
                    (angles[self.meshed[0]], angles[self.meshed[1]]) = (corner.x, corner.y);
                    self.bodies.place(&angles, &mut pose);
                    corners.push(self.at(&pose));
                }
            }
            sheets.push(Sheet {
                angles,
                ranges,
                corners,
            });
        });
        sheets
    }

    /// The pose of a sheet in which the tip is at a place inside one of its triangles. None if it is beyond a joint's range after all.
    pub(super) fn pose_at(
        &self,
        sheet: &Sheet,
        triangle: &[Corner; 3],
        place: &Vector2<f64>,
    ) -> Option<(PerJoint, Pose)> {
        let shares = shares(triangle, place)?;
        let mut now: Vector2<f64> = triangle
            .iter()
            .zip(shares)
            .map(|(corner, share)| corner.angles * share)
            .sum();
        let mut pose = Pose::default();
        let mut angles = sheet.angles;
        for _ in 0..STEPS {
            for (k, axis) in self.meshed.into_iter().enumerate() {
                angles[axis] = now[k];
            }
            self.bodies.place(&angles, &mut pose);
            let error = place - self.at(&pose);
            if error.norm() < THERE {
                let within = |(angle, (low, high)): (&f64, (f64, f64))| (low..=high).contains(angle);
                return now.iter().zip(sheet.ranges).all(within).then_some((angles, pose));
            }
            let slopes = self.slopes(&pose);
            let columns = self.meshed.map(|axis| slopes[axis]);
            now += Matrix2::from_columns(&columns).try_inverse()? * error;
        }
        None
    }
}

impl Sheet {
    /// Reach and height of the corners.
    pub(super) fn corners(&self) -> &[Vector2<f64>] {
        &self.corners
    }

    pub(super) fn triangles(&self) -> impl Iterator<Item = [Corner; 3]> + '_ {
        let corner = |i, j| Corner {
            angles: corner_angles(&self.ranges, i, j),
            at: self.corners[i * (MESH + 1) + j],
        };
        let quads = (0..MESH).flat_map(|i| (0..MESH).map(move |j| (i, j)));
        quads.flat_map(move |(i, j)| {
            let [a, b, c, d] = [corner(i, j), corner(i + 1, j), corner(i, j + 1), corner(i + 1, j + 1)];
            [[a, b, c], [d, c, b]]
        })
    }
}

fn corner_angles(ranges: &[(f64, f64); 2], i: usize, j: usize) -> Vector2<f64> {
    let angle = |(low, high): (f64, f64), number: usize| low + (high - low) * number as f64 / MESH as f64;
    Vector2::new(angle(ranges[0], i), angle(ranges[1], j))
}

/// The weights with which the corners of a triangle make up a place inside it. None outside, or where the triangle has no area.
fn shares(triangle: &[Corner; 3], place: &Vector2<f64>) -> Option<[f64; 3]> {
    let [a, b, c] = triangle.map(|corner| corner.at);
    let twice = (b - a).perp(&(c - a));
    let (to_b, to_c) = ((place - a).perp(&(c - a)) / twice, (b - a).perp(&(place - a)) / twice);
    let shares = [1.0 - to_b - to_c, to_b, to_c];
    // Not a number, where there is no area, is not inside either.
    shares.iter().all(|share| *share >= 0.0).then_some(shares)
}

/// Where a triangle's places reach at a height: least and greatest reach. None where it does not come to that height.
pub(super) fn cut(triangle: &[Corner; 3], height: f64) -> Option<(f64, f64)> {
    let mut span: Option<(f64, f64)> = None;
    for (k, start) in triangle.iter().enumerate() {
        let (start, end) = (start.at, triangle[(k + 1) % 3].at);
        if (start.y - height) * (end.y - height) <= 0.0 && start.y != end.y {
            let reach = start.x + (end.x - start.x) * (height - start.y) / (end.y - start.y);
            span = Some(span.map_or((reach, reach), |(low, high)| (low.min(reach), high.max(reach))));
        }
    }
    span
}
