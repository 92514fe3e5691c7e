//! Damped least squares for a task of four rows: tip velocity and pitch rate.
//!
//! `Δq = Jᵀ (J Jᵀ + λ² I)⁻¹ Δx` (Nakamura and Hanafusa 1986, Wampler 1986; Buss, *Introduction to Inverse Kinematics*, 2009).
//! The damping λ rises only near a singular pose: how near is told by the ratio of the determinant of `J Jᵀ` to the product
//! of its diagonal, which is 1 where the rows are at right angles and 0 where one is lost (Hadamard's inequality).

use heapless::Vec;

use crate::chain::per_joint;
use crate::machine::JOINTS_MAX;

/// Rows of the task: forward, left, up (m/s), pitch (rad/s).
pub const TASK_ROWS: usize = 4;

/// A task velocity.
pub type Task = [f32; TASK_ROWS];

/// What a joint does to the task: m/rad three times, rad/rad.
pub type Column = [f32; TASK_ROWS];

/// Below this regularity damping sets in.
const REGULAR: f32 = 4e-3;
/// Greatest damping λ², m²: joint rates then stay below `speed / (2 λ)`.
const DAMPING_MAX: f32 = 0.02;
/// Damping that is always there, m²: it keeps the solution finite for any columns, at an error of some 1e-5 in the rate.
const DAMPING_MIN: f32 = 1e-6;

/// Joint rates for a task velocity, damped as near a singular pose as the columns are. The order is that of the columns.
pub fn solve(columns: &[Column], task: &Task) -> Vec<f32, JOINTS_MAX> {
    let gram = Gram::new(columns);
    let regularity = gram.regularity();
    let short = 1.0 - regularity / REGULAR;
    let lambda2 = if short > 0.0 {
        DAMPING_MIN + DAMPING_MAX * short * short
    } else {
        DAMPING_MIN
    };
    gram.damped(lambda2, columns, task)
}

/// `J Jᵀ`: the lower triangle of a symmetric 4 x 4 matrix, row by row.
struct Gram {
    rows: ([f32; 1], [f32; 2], [f32; 3], [f32; 4]),
}

/// `L D Lᵀ` of a symmetric 4 x 4 matrix.
struct Factors {
    d: [f32; 4],
    l1: f32,
    l2: [f32; 2],
    l3: [f32; 3],
}

impl Gram {
    fn new(columns: &[Column]) -> Self {
        let mut sum = Self {
            rows: ([0.0; 1], [0.0; 2], [0.0; 3], [0.0; 4]),
        };
        for &[x, y, z, p] in columns {
            let (r0, r1, r2, r3) = &mut sum.rows;
            r0[0] += x * x;
            r1[0] += y * x;
            r1[1] += y * y;
            r2[0] += z * x;
            r2[1] += z * y;
            r2[2] += z * z;
            r3[0] += p * x;
            r3[1] += p * y;
            r3[2] += p * z;
            r3[3] += p * p;
        }
        sum
    }

    /// Determinant over the product of the diagonal: 0 (a row is lost) to 1 (rows at right angles).
    fn regularity(&self) -> f32 {
        let (r0, r1, r2, r3) = &self.rows;
        let factors = self.factor(DAMPING_MIN);
        factors
            .d
            .iter()
            .zip([r0[0], r1[1], r2[2], r3[3]])
            .map(|(pivot, diagonal)| pivot / (diagonal + DAMPING_MIN))
            .product()
    }

    /// Factors of the matrix with `lambda2` on its diagonal.
    fn factor(&self, lambda2: f32) -> Factors {
        let (r0, r1, r2, r3) = &self.rows;
        // In exact arithmetic every pivot is at least `lambda2`; rounding may take it below.
        let pivot = |d: f32| if d < lambda2 { lambda2 } else { d };
        let d0 = pivot(r0[0] + lambda2);
        let (l10, l20, l30) = (r1[0] / d0, r2[0] / d0, r3[0] / d0);
        let d1 = pivot(r1[1] + lambda2 - l10 * l10 * d0);
        let l21 = (r2[1] - l20 * l10 * d0) / d1;
        let l31 = (r3[1] - l30 * l10 * d0) / d1;
        let d2 = pivot(r2[2] + lambda2 - l20 * l20 * d0 - l21 * l21 * d1);
        let l32 = (r3[2] - l30 * l20 * d0 - l31 * l21 * d1) / d2;
        let d3 = pivot(r3[3] + lambda2 - l30 * l30 * d0 - l31 * l31 * d1 - l32 * l32 * d2);
        Factors {
            d: [d0, d1, d2, d3],
            l1: l10,
            l2: [l20, l21],
            l3: [l30, l31, l32],
        }
    }

    fn damped(&self, lambda2: f32, columns: &[Column], task: &Task) -> Vec<f32, JOINTS_MAX> {
        let weights = self.factor(lambda2).solve(task);
        per_joint(columns.iter().map(|column| inner(column, &weights)))
    }
}

impl Factors {
    fn solve(&self, &[b0, b1, b2, b3]: &Task) -> Task {
        let Self { d, l1, l2, l3 } = self;
        let y1 = b1 - l1 * b0;
        let y2 = b2 - l2[0] * b0 - l2[1] * y1;
        let y3 = b3 - l3[0] * b0 - l3[1] * y1 - l3[2] * y2;
        let x3 = y3 / d[3];
        let x2 = y2 / d[2] - l3[2] * x3;
        let x1 = y1 / d[1] - l2[1] * x2 - l3[1] * x3;
        let x0 = b0 / d[0] - l1 * x1 - l2[0] * x2 - l3[0] * x3;
        [x0, x1, x2, x3]
    }
}

fn inner(a: &Task, b: &Task) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2] + a[3] * b[3]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn damped(columns: &[Column], task: &Task, lambda2: f32) -> Vec<f32, JOINTS_MAX> {
        Gram::new(columns).damped(lambda2, columns, task)
    }

    fn close(found: &[f32], wanted: &[f32], within: f32) {
        assert!(
            found.iter().zip(wanted).all(|(f, w)| (f - w).abs() <= within),
            "found {found:?}, wanted {wanted:?}"
        );
    }

    /// PV-18. Source: `J = diag(σ)`, gain σ/(σ²+λ²) with λ = 0.1 (Nakamura and Hanafusa 1986; Buss 2009).
    #[test]
    fn gain_per_singular_value() {
        for (sigma, gain) in [(1.0, 0.990099), (0.1, 5.0), (0.01, 0.990099), (0.0, 0.0)] {
            let found = damped(&[[sigma, 0.0, 0.0, 0.0]], &[1.0, 0.0, 0.0, 0.0], 0.01);
            close(&found, &[gain], 2e-5);
        }
    }

    /// PV-19. Source: the straight two-link arm of unit links with λ = 0.1, same texts: no step inwards, and a step across.
    #[test]
    fn step_at_a_singular_pose() {
        let straight = [[0.0, 2.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0]];
        close(&damped(&straight, &[-0.1, 0.0, 0.0, 0.0], 0.01), &[0.0, 0.0], 1e-6);
        close(
            &damped(&straight, &[0.0, 0.1, 0.0, 0.0], 0.01),
            &[0.0399202, 0.0199601],
            1e-6,
        );
    }

    #[test]
    fn a_regular_pose_is_solved_exactly() {
        let columns = [
            [0.3, 1.0, 0.1, 0.0],
            [1.1, -0.2, 0.4, 1.0],
            [0.2, 0.1, -0.9, 1.0],
            [0.5, 0.3, 0.3, 1.0],
        ];
        let rates = [0.4, -0.2, 0.1, 0.3];
        let mut task = [0.0; TASK_ROWS];
        for (column, rate) in columns.iter().zip(rates) {
            for (row, share) in task.iter_mut().zip(column) {
                *row += share * rate;
            }
        }
        close(&solve(&columns, &task), &rates, 2e-3);
    }

    #[test]
    fn nothing_to_move_gives_nothing_and_stays_finite() {
        close(&solve(&[[0.0; 4]; 3], &[1.0, 1.0, 1.0, 1.0]), &[0.0; 3], 0.0);
        assert!(solve(&[], &[1.0; 4]).is_empty());
    }
}
