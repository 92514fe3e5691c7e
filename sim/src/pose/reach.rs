//! From a tip position to joint angles: Newton steps within the joints' ranges, from several starts.

use nalgebra::{DMatrix, DVector, Vector3};

use super::{ArmModel, Refusal};

/// Most starts. Only near a dead pose, or out of reach, is more than a few needed.
const STARTS: u32 = 40;
/// Most steps from one start.
const STEPS: usize = 60;
/// Longest step of the tip, m: the Jacobian holds near where it was taken.
const STEP: f64 = 0.2;
/// The tip is there, m.
const THERE: f64 = 1e-9;
/// Directions in which the arm is this stiff are left alone (a share of its most willing one).
const STIFF: f64 = 1e-6;

impl ArmModel<'_> {
    /// Joint angles, rad, that bring the tip to a place in the machine frame, m, within the joints' ranges.
    pub(super) fn reach(&self, target: &[f64]) -> Result<Vec<f64>, Refusal> {
        let target = match *target {
            [x, y, z] if x.is_finite() && y.is_finite() && z.is_finite() => Vector3::new(x, y, z),
            _ => return Err(Refusal::new("tip", format!("{target:?}"), "three finite numbers")),
        };
        (0..STARTS)
            .find_map(|number| self.try_start(number, &target))
            .ok_or_else(|| self.out_of_reach(&target))
    }

    fn out_of_reach(&self, target: &Vector3<f64>) -> Refusal {
        let length: f64 = self.axes().map(|axis| axis.joint.link.norm()).sum();
        let [x, y, z] = (target * 1e3).into();
        let away = (target - self.arm.base).norm() * 1e3;
        let found = format!("({x:.1}, {y:.1}, {z:.1}) mm, {away:.0} mm from the arm's base");
        let wanted = format!(
            "a place that it can reach within its joints' ranges (the links add up to {:.0} mm; \
             `bellcrank survey` tells the reach)",
            length * 1e3
        );
        Refusal::new("tip", found, wanted)
    }

    /// Steps with the smallest change of angles, kept inside the ranges. None if they do not lead there.
    fn try_start(&self, number: u32, target: &Vector3<f64>) -> Option<Vec<f64>> {
        let mut angles = self.start(number);
        for _ in 0..STEPS {
            let pose = self.place(&angles).1;
            let error = target - self.tip(&pose);
            if error.norm() < THERE {
                return Some(angles);
            }
            let columns = self.jacobian(&pose).rows(0, 3).into_owned();
            let step = self.step_within(columns, &error.cap_magnitude(STEP), &angles);
            for ((angle, step), axis) in angles.iter_mut().zip(&step).zip(self.axes()) {
                *angle = (*angle + step).clamp(axis.joint.range.0, axis.joint.range.1);
            }
        }
        None
    }

    /// The middle of all ranges, then strewn over them: multiples of roots of different numbers never line up.
    fn start(&self, number: u32) -> Vec<f64> {
        let share = |k: usize| (0.5 + f64::from(number) * ((2 + 4 * k) as f64).sqrt()).fract();
        let ranges = self.axes().map(|axis| axis.joint.range).enumerate();
        ranges.map(|(k, (low, high))| low + share(k) * (high - low)).collect()
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
