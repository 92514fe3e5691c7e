//! Damped normal equations of a few joints: `(JᵀJ + λ I) x = Jᵀ b`, by `L D Lᵀ`.
//!
//! Error in f32: within 1e-3 of the largest unknown where the condition number of the matrix is below 1e3 (held by the tests).

use heapless::Vec;

use crate::chain::per_joint;
use crate::machine::JOINTS_MAX;

/// Rows of the task: a way, a turn.
pub const TASK_ROWS: usize = 6;

/// What a joint does to the task.
pub type Column = [f32; TASK_ROWS];

type Row = [f32; JOINTS_MAX];

/// The unknowns, in the order of the columns. Damping is above zero.
pub fn solve(columns: &[Column], task: &Column, damping: f32) -> Vec<f32, JOINTS_MAX> {
    let mut x = per_joint(columns.iter().map(|column| inner(column, task)));
    let (lower, pivots) = factor(columns, damping);
    // L y = Jᵀ b, then D Lᵀ x = y.
    for i in 0..x.len() {
        let Some((done, [value, ..])) = x.split_at_mut_checked(i) else {
            break;
        };
        let Some(row) = lower.get(i) else { break };
        *value -= sum(row, done);
    }
    for (value, pivot) in x.iter_mut().zip(&pivots) {
        *value /= pivot;
    }
    for i in (0..x.len()).rev() {
        let Some((before, [value, ..])) = x.split_at_mut_checked(i) else {
            break;
        };
        let Some(row) = lower.get(i) else { break };
        for (earlier, share) in before.iter_mut().zip(row) {
            *earlier -= share * *value;
        }
    }
    x
}

/// `L`, whose diagonal is 1 and not kept, and `D`.
fn factor(columns: &[Column], damping: f32) -> (Vec<Row, JOINTS_MAX>, Vec<f32, JOINTS_MAX>) {
    let (mut lower, mut pivots) = (Vec::<Row, JOINTS_MAX>::new(), Vec::<f32, JOINTS_MAX>::new());
    for column in columns {
        // Until it is divided by the pivots, the row holds L D.
        let mut row = [0.0; JOINTS_MAX];
        for (j, (other, earlier)) in columns.iter().zip(&lower).enumerate() {
            let (done, rest) = row.split_at_mut_checked(j).unwrap_or_default();
            if let Some(place) = rest.first_mut() {
                *place = inner(column, other) - sum(earlier, done);
            }
        }
        let mut pivot = inner(column, column) + damping;
        for (value, earlier) in row.iter_mut().zip(&pivots) {
            let share = *value / earlier;
            pivot -= share * *value;
            *value = share;
        }
        // Exactly it is at least the damping; rounding may take it below.
        let pivot = if pivot < damping { damping } else { pivot };
        // Cannot be full: there are no more columns than this has room for.
        let _ = lower.push(row);
        let _ = pivots.push(pivot);
    }
    (lower, pivots)
}

/// Inner product of two columns.
pub fn inner(a: &Column, b: &Column) -> f32 {
    sum(a, b)
}

fn sum(a: &[f32], b: &[f32]) -> f32 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;
    use std::vec::Vec as Many;

    proptest! {
        /// The stated error, against a general library's solution of the same equations in f64, by LU.
        #[test]
        fn as_a_general_library_solves_them(
            columns in prop::collection::vec(prop::array::uniform6(-2.0_f32..2.0), 1..=JOINTS_MAX),
            task in prop::array::uniform6(-1.0_f32..1.0),
            damping in 1e-5_f32..0.5,
        ) {
            let wide = |numbers: &[f32]| numbers.iter().map(|x| f64::from(*x)).collect::<Many<_>>();
            let flat: Many<f64> = columns.iter().flat_map(|column| wide(column)).collect();
            let jacobian = DMatrix::from_column_slice(TASK_ROWS, columns.len(), &flat);
            let damping64 = f64::from(damping) * DMatrix::identity(columns.len(), columns.len());
            let matrix = jacobian.transpose() * &jacobian + damping64;
            let values = matrix.clone().symmetric_eigenvalues();
            prop_assume!(values.max() < 1e3 * values.min());
            let wanted = matrix.lu().solve(&(jacobian.transpose() * DVector::from(wide(&task)))).unwrap();

            let found = solve(&columns, &task, damping);
            prop_assert_eq!(found.len(), columns.len());
            for (found, wanted_one) in found.iter().zip(wanted.iter()) {
                prop_assert!((f64::from(*found) - wanted_one).abs() <= STATED_ERROR * wanted.amax());
            }
        }
    }

    /// What the page states, of the largest unknown.
    const STATED_ERROR: f64 = 1e-3;

    #[test]
    fn nothing_to_move_stays_put() {
        assert_eq!(solve(&[[0.0; TASK_ROWS]; 3], &[1.0; TASK_ROWS], 1e-5), [0.0; 3]);
        assert!(solve(&[], &[1.0; TASK_ROWS], 1e-5).is_empty());
    }
}
