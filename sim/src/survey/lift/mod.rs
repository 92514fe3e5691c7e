//! The lift chart of an arm: what its tip can hold over reach and height.
//!
//! The rated load of a place is the lesser of 87 % of the load that the pressure holds (`holding`) and 75 % of the load that tips the
//! machine (`tipping`): the fractions of ISO 10567:2007, *Earth-moving machinery, hydraulic excavators, lift capacity*, as published
//! operators' handbooks repeat them (the standard itself was not seen). Reach is measured from the axis of rotation of the arm's
//! first joint and height from the ground, as there (*from memory*).
//!
//! Places are the crossings of a grid, and a load holds there, not around it. Where several poses bring the tip to a place, the one
//! that lifts most counts: a chart tells what the arm can do there, and the driver has the other joints in hand; in another pose the
//! same place may hold less. The first joint, where it turns about the vertical, stands in its worst direction; joints that do not
//! move the tip, and other arms, stand in the middle of their ranges, and no other arm carries a load.
//!
//! What is not in it: strength of links, pins and ground, friction, slopes, swinging loads, the moment of lifting off.

mod holding;
mod picture;
mod plane;
mod tipping;

use std::ops::Range;

use bellcrank_machine::description::{Arm, Description};
use bellcrank_machine::geometry::Geometry;
use nalgebra::Vector2;

use super::report::{Lift, LiftCell, LiftLimit};
use crate::plant::{Bodies, PerJoint, Pose};
use plane::{Plane, Sheet};
use tipping::Tipping;

pub use picture::picture;

/// Share of what the pressure holds that is rated.
pub const PRESSURE_SHARE: f64 = 0.87;
/// Share of what tips the machine that is rated.
pub const TIPPING_SHARE: f64 = 0.75;

/// Distances between places, m: the least that keeps within the most columns and rows.
const STEPS: [f64; 9] = [0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0];
const COLUMNS_MAX: f64 = 11.0;
const ROWS_MAX: f64 = 18.0;

/// Charts an arm. None where fewer than two of its joints move the tip in reach and height.
pub(super) fn chart(machine: &Description, geometry: &[Geometry], bodies: &Bodies, arm: &Arm) -> Option<Lift> {
    let plane = Plane::new(machine, arm, bodies)?;
    let sheets = plane.sheets();
    let judge = Judge {
        machine,
        geometry,
        bodies,
        arm,
        tipping: Tipping::new(machine, arm),
    };
    let grid = Grid::over(&sheets);
    let mut cells = vec![vec![None; grid.columns.len()]; grid.rows.len()];
    for sheet in &sheets {
        for triangle in sheet.triangles() {
            let corners = triangle.map(|corner| corner.at);
            for (row, column) in grid.within(&corners) {
                let place = grid.place(row, column);
                if let Some((angles, pose)) = plane.pose_at(sheet, &triangle, &place) {
                    keep_best(&mut cells[row][column], judge.cell(&angles, &pose));
                }
            }
        }
    }
    Some(grid.report(cells))
}

fn keep_best(best: &mut Option<LiftCell>, now: Option<LiftCell>) {
    if let Some(now) = now
        && best.as_ref().is_none_or(|best| now.rated_kg > best.rated_kg)
    {
        *best = Some(now);
    }
}

/// What says how much a pose lifts.
struct Judge<'m> {
    machine: &'m Description,
    geometry: &'m [Geometry],
    bodies: &'m Bodies,
    arm: &'m Arm,
    tipping: Option<Tipping<'m>>,
}

impl Judge<'_> {
    /// None where no pressure is too little: the load then stands over every joint.
    fn cell(&self, angles: &PerJoint, pose: &Pose) -> Option<LiftCell> {
        let holds = holding::load(self.machine, self.geometry, self.bodies, self.arm, angles, pose)?;
        let tips = self.tipping.as_ref().and_then(|tipping| tipping.load(pose));
        let by_pressure = PRESSURE_SHARE * holds.load;
        let by_tipping = tips.map_or(f64::INFINITY, |tips| TIPPING_SHARE * tips.load);
        let turn = tips.map_or(0.0, |tips| tips.turn);
        let angles = self.arm.axes.iter().enumerate().map(|(number, &axis)| {
            let angle = angles[axis] + if number == 0 { turn } else { 0.0 };
            angle.to_degrees()
        });
        Some(LiftCell {
            rated_kg: by_pressure.min(by_tipping),
            hydraulic_kg: holds.load,
            tipping_kg: tips.map(|tips| tips.load),
            limited_by: if by_tipping < by_pressure {
                LiftLimit::Tipping
            } else {
                LiftLimit::Pressure
            },
            weakest_axis: self.machine.axes[holds.axis].name.clone(),
            angles_deg: angles.collect(),
        })
    }
}

/// The places of a chart, m.
struct Grid {
    step: f64,
    /// Reach, the least first.
    columns: Vec<f64>,
    /// Height, the greatest first.
    rows: Vec<f64>,
}

impl Grid {
    /// Places that are whole numbers of a step apart, over all that the sheets cover.
    fn over(sheets: &[Sheet]) -> Grid {
        let corners = || sheets.iter().flat_map(Sheet::corners);
        let none = Vector2::repeat(f64::INFINITY);
        let least = corners().fold(none, |least, corner| least.inf(corner));
        let most = corners().fold(-none, |most, corner| most.sup(corner));
        let fits = |step: &&f64| most.x / **step <= COLUMNS_MAX && (most.y - least.y) / **step <= ROWS_MAX;
        let step = STEPS.iter().find(fits).copied().unwrap_or(20.0);
        let between = |low: f64, high: f64| {
            let mut places = Vec::new();
            let mut number = (low / step).ceil();
            while number * step <= high {
                places.push(number * step);
                number += 1.0;
            }
            places
        };
        // On the axis itself there is no direction to reach in.
        let columns = between(least.x.max(0.5 * step), most.x);
        let mut rows = between(least.y, most.y);
        rows.reverse();
        Grid { step, columns, rows }
    }

    fn place(&self, row: usize, column: usize) -> Vector2<f64> {
        Vector2::new(self.columns[column], self.rows[row])
    }

    /// Row and column of the places in the rectangle round some points.
    fn within(&self, points: &[Vector2<f64>; 3]) -> impl Iterator<Item = (usize, usize)> + use<'_> {
        let low = points[0].inf(&points[1]).inf(&points[2]);
        let high = points[0].sup(&points[1]).sup(&points[2]);
        let columns = self.columns.partition_point(|reach| *reach < low.x)
            ..self.columns.partition_point(|reach| *reach <= high.x);
        let rows =
            self.rows.partition_point(|height| *height > high.y)..self.rows.partition_point(|height| *height >= low.y);
        rows.flat_map(move |row| columns.clone().map(move |column| (row, column)))
    }

    /// Without the columns and rows at the edges that the tip meets nowhere.
    fn report(mut self, mut cells: Vec<Vec<Option<LiftCell>>>) -> Lift {
        let met = |row: &Vec<Option<LiftCell>>| row.iter().any(Option::is_some);
        let rows: Vec<bool> = cells.iter().map(met).collect();
        let columns = (0..self.columns.len()).map(|column| cells.iter().any(|row| row[column].is_some()));
        let (rows, columns) = (span_of(&rows), span_of(&columns.collect::<Vec<bool>>()));
        self.rows = self.rows[rows.clone()].to_vec();
        self.columns = self.columns[columns.clone()].to_vec();
        cells = cells[rows].iter().map(|row| row[columns.clone()].to_vec()).collect();
        // Steps are whole millimetres; their multiples are not, in binary.
        let mm = |metres: &f64| (metres * 1e3).round();
        Lift {
            step_mm: mm(&self.step),
            reach_mm: self.columns.iter().map(mm).collect(),
            height_mm: self.rows.iter().map(mm).collect(),
            cells,
        }
    }
}

/// From the first that is true to the last.
fn span_of(met: &[bool]) -> Range<usize> {
    let first = met.iter().position(|met| *met).unwrap_or(0);
    first..met.iter().rposition(|met| *met).map_or(first, |last| last + 1)
}
