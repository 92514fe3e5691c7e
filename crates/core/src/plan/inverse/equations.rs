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
