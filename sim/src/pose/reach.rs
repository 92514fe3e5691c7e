//! From a tip position to joint angles: the core's own search, from several starts, made exact in f64.

use bellcrank_core::plan;
use nalgebra::{DMatrix, DVector, Vector3};

use super::{ArmModel, Refusal};

/// Most steps of the refinement. Each makes a small error far smaller, but a joint may first have to run into its end.
const STEPS: usize = 50;
/// Starts that are strewn over the ranges, after those that are chosen.
const STREWN: usize = 40;
/// The tip is there, m.
const THERE: f64 = 1e-9;
/// The tip is there as nearly as the core can tell, m.
const THERE_FOR_THE_CORE: f64 = 2e-4;
/// Directions in which the arm is this stiff are left alone (a share of its most willing one).
const STIFF: f64 = 1e-6;

impl ArmModel<'_> {
    /// Joint angles, rad, that bring the tip to a place in the machine frame, m, within the joints' ranges.
    pub(super) fn reach(&self, target: &[f64]) -> Result<Vec<f64>, Refusal> {
        let spelt = |v: &Vector3<f64>| format!("({:.1}, {:.1}, {:.1}) mm", v.x * 1e3, v.y * 1e3, v.z * 1e3);
        let target = match *target {
            [x, y, z] if x.is_finite() && y.is_finite() && z.is_finite() => Vector3::new(x, y, z),
            _ => return Err(Refusal::new("tip", format!("{target:?}"), "three finite numbers")),
        };
        let mut nearest: Option<(f64, Vec<f64>)> = None;
        for start in self.starts() {
            let Some(angles) = self.core_search(&start, &target) else {
                continue;
            };
            let (distance, angles) = self.refine(angles, &target);
            if nearest.as_ref().is_none_or(|(least, _)| distance < *least) {
                nearest = Some((distance, angles));
            }
            if distance < THERE {
                break;
            }
        }
        match nearest {
            Some((distance, angles)) if distance < THERE_FOR_THE_CORE => Ok(angles),
            _ => {
                let length: f64 = self.axes().map(|axis| axis.joint.link.norm()).sum();
                let away = (target - self.arm.base).norm();
                let found = format!("{}, {:.0} mm from the arm's base", spelt(&target), away * 1e3);
                let wanted = format!(
                    "a place that it can reach within its joints' ranges (the links add up to {:.0} mm; \
                     `bellcrank survey` tells the reach)",
                    length * 1e3
                );
                Err(Refusal::new("tip", found, wanted))
            }
        }
    }

    /// Where the search starts: the middle of all ranges, each joint towards either end, all of them, and then anywhere.
    fn starts(&self) -> Vec<Vec<f64>> {
        let at = |share: &dyn Fn(usize) -> f64| -> Vec<f64> {
            let ranges = self.axes().map(|axis| axis.joint.range).enumerate();
            ranges.map(|(k, (low, high))| low + share(k) * (high - low)).collect()
        };
        let mut starts = vec![at(&|_| 0.5)];
        for end in [0.2, 0.8] {
            starts.extend((0..self.joints()).map(|joint| at(&|k| if k == joint { end } else { 0.5 })));
            starts.push(at(&|_| end));
        }
        // Multiples of roots of different numbers never line up.
        starts.extend((1..=STREWN).map(|number| at(&|k| (number as f64 * ((2 + 4 * k) as f64).sqrt()).fract())));
        starts
    }

    #[expect(
        clippy::cast_possible_truncation,
        reason = "rounding to f32 is what the core is given"
    )]
    fn core_search(&self, start: &[f64], target: &Vector3<f64>) -> Option<Vec<f64>> {
        let ranges: Vec<(f32, f32)> = self
            .axes()
            .map(|axis| (axis.joint.range.0 as f32, axis.joint.range.1 as f32))
            .collect();
        let start: Vec<f32> = start.iter().map(|&angle| angle as f32).collect();
        let found = plan::reach(
            &self.core,
            &ranges,
            &start,
            [target.x as f32, target.y as f32, target.z as f32],
        )?;
        Some(found.iter().map(|&angle| f64::from(angle)).collect())
    }

    /// Newton steps with the smallest change of angles, kept inside the ranges.
    fn refine(&self, mut angles: Vec<f64>, target: &Vector3<f64>) -> (f64, Vec<f64>) {
        self.keep_in_range(&mut angles);
        let mut pose = self.place(&angles).1;
        for _ in 0..STEPS {
            let error = target - self.tip(&pose);
            if error.norm() < THERE {
                break;
            }
            let columns = self.jacobian(&pose).rows(0, 3).into_owned();
            let step = self.step_within(columns, &error, &angles);
            for (angle, step) in angles.iter_mut().zip(&step) {
                *angle += step;
            }
            self.keep_in_range(&mut angles);
            pose = self.place(&angles).1;
        }
        ((target - self.tip(&pose)).norm(), angles)
    }

    /// The smallest step, the joints left out that stand at an end of their range and would be sent beyond it.
    fn step_within(&self, mut columns: DMatrix<f64>, error: &Vector3<f64>, angles: &[f64]) -> DVector<f64> {
        let mut held = vec![false; angles.len()];
        loop {
            let mut step = least_step(&columns, error);
            let mut more = false;
            for (k, axis) in self.axes().enumerate() {
                let (low, high) = axis.joint.range;
                let beyond = (angles[k] <= low && step[k] < 0.0) || (angles[k] >= high && step[k] > 0.0);
                more |= beyond && !held[k];
                held[k] |= beyond;
                if held[k] {
                    step[k] = 0.0;
                    columns.column_mut(k).fill(0.0);
                }
            }
            if !more {
                return step;
            }
        }
    }

    fn keep_in_range(&self, angles: &mut [f64]) {
        for (angle, axis) in angles.iter_mut().zip(self.axes()) {
            *angle = angle.clamp(axis.joint.range.0, axis.joint.range.1);
        }
    }
}

/// The smallest change of angles that moves the tip so, as nearly as the arm can.
fn least_step(columns: &DMatrix<f64>, error: &Vector3<f64>) -> DVector<f64> {
    let parts = columns.clone().svd(true, true);
    let cut = STIFF * parts.singular_values.max();
    let wanted = DVector::from_column_slice(error.as_slice());
    // Both factors were asked for, so there is a solution.
    parts
        .solve(&wanted, cut)
        .unwrap_or_else(|_| DVector::zeros(columns.ncols()))
}
