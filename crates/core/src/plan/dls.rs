//! Damped least squares for a task of a few rows: tip velocity, and as many rates of turning as the arm has joints for.
//!
//! `Δq = Jᵀ (J Jᵀ + λ² I)⁻¹ Δx` (Nakamura and Hanafusa 1986, Wampler 1986; Buss, *Introduction to Inverse Kinematics*, 2009).
//! A radian counts as a metre, which for arms of a metre or two puts turning and moving on one scale.
//!
//! The damping λ rises only near a singular pose. How near is told by `1 / sqrt(trace (J Jᵀ)⁻¹)`: it is never above the smallest
//! singular value of `J`, and never below it by more than the square root of the number of rows, since the trace is the sum of the
//! inverse squares of the singular values.
//!
//! Error against the same equations in f64: 1e-3 of the largest rate (of the products that it is made of, where these all but cancel) where the damped `J Jᵀ` has a condition number below 1e3.

use heapless::Vec;

use crate::chain::per_joint;
use crate::machine::JOINTS_MAX;
use crate::math;

/// Below this damping sets in, m/rad: so little does the tip move in its worst direction.
const REGULAR: f32 = 0.08;
/// Greatest damping λ², m²: joint rates then stay below `speed / (2 λ)`.
const DAMPING_MAX: f32 = 0.01;
/// Damping that is always there, m²: it keeps the solution finite for any columns, at an error of some 1e-5 in the rate.
const DAMPING_MIN: f32 = 1e-6;

/// Joint rates for each of some task velocities, damped as near a singular pose as the columns are. A column is what one joint does to the rows of
/// the task (m/rad and rad/rad; m/m and none where it slides). The order is that of the columns.
pub fn solve_each<const ROWS: usize, const TASKS: usize>(
    columns: &[[f32; ROWS]],
    tasks: [&[f32; ROWS]; TASKS],
) -> [Vec<f32, JOINTS_MAX>; TASKS] {
    let gram = Gram::new(columns);
    let least = gram.factor(DAMPING_MIN);
    let regular = least.least() / REGULAR;
    let short = 1.0 - regular * regular;
    let factors = if short > 0.0 {
        gram.factor(DAMPING_MIN + DAMPING_MAX * short)
    } else {
        least
    };
    tasks.map(|task| factors.rates(columns, task))
}

/// The same with a damping of the caller's own, above zero.
pub fn damped<const ROWS: usize>(columns: &[[f32; ROWS]], task: &[f32; ROWS], lambda2: f32) -> Vec<f32, JOINTS_MAX> {
    Gram::new(columns).factor(lambda2).rates(columns, task)
}

/// `J Jᵀ`, row by row.
struct Gram<const ROWS: usize>([[f32; ROWS]; ROWS]);

/// `L D Lᵀ` of such a matrix: the rows of L, left of its ones, each with its pivot in D.
struct Factors<const ROWS: usize>([([f32; ROWS], f32); ROWS]);

impl<const ROWS: usize> Gram<ROWS> {
    fn new(columns: &[[f32; ROWS]]) -> Self {
        let mut sum = [[0.0; ROWS]; ROWS];
        for column in columns {
            for (row, a) in sum.iter_mut().zip(column) {
                for (cell, b) in row.iter_mut().zip(column) {
                    *cell += a * b;
                }
            }
        }
        Self(sum)
    }

    /// Factors of the matrix with `lambda2` on its diagonal.
    fn factor(&self, lambda2: f32) -> Factors<ROWS> {
        let mut factors = [([0.0; ROWS], 1.0); ROWS];
        for (i, row) in self.0.iter().enumerate() {
            // This row of L D, then of L.
            let mut scaled = [0.0; ROWS];
            let mut left = [0.0; ROWS];
            let above = factors.iter().take(i);
            for (j, ((above, pivot), cell)) in above.zip(row).enumerate() {
                let rest = cell - inner(&scaled, above);
                put(&mut scaled, j, rest);
                put(&mut left, j, rest / pivot);
            }
            // In exact arithmetic every pivot is at least `lambda2`; rounding may take it below.
            let pivot = row.get(i).map_or(0.0, |cell| cell + lambda2 - inner(&scaled, &left));
            put(&mut factors, i, (left, if pivot < lambda2 { lambda2 } else { pivot }));
        }
        Factors(factors)
    }
}

impl<const ROWS: usize> Factors<ROWS> {
    /// `L⁻¹ b`.
    fn forward(&self, b: &[f32; ROWS]) -> [f32; ROWS] {
        let mut y = [0.0; ROWS];
        for (i, ((left, _), b)) in self.0.iter().zip(b).enumerate() {
            let rest = b - inner(left, &y);
            put(&mut y, i, rest);
        }
        y
    }

    fn solve(&self, b: &[f32; ROWS]) -> [f32; ROWS] {
        let mut x = self.forward(b);
        for (x, (_, pivot)) in x.iter_mut().zip(&self.0) {
            *x /= pivot;
        }
        for (i, (left, _)) in self.0.iter().enumerate().rev() {
            let known = x.get(i).copied().unwrap_or_default();
            for (x, left) in x.iter_mut().zip(left) {
                *x -= left * known;
            }
        }
        x
    }

    fn rates(&self, columns: &[[f32; ROWS]], task: &[f32; ROWS]) -> Vec<f32, JOINTS_MAX> {
        let weights = self.solve(task);
        per_joint(columns.iter().map(|column| inner(column, &weights)))
    }

    /// `1 / sqrt(trace of the inverse)`.
    fn least(&self) -> f32 {
        let mut trace = 0.0;
        for i in 0..ROWS {
            let mut unit = [0.0; ROWS];
            put(&mut unit, i, 1.0);
            for (y, (_, pivot)) in self.forward(&unit).iter().zip(&self.0) {
                trace += y * y / pivot;
            }
        }
        1.0 / math::sqrt(trace)
    }
}

fn put<T>(list: &mut [T], index: usize, value: T) {
    if let Some(place) = list.get_mut(index) {
        *place = value;
    }
}

/// Inner product.
pub fn inner<const ROWS: usize>(a: &[f32; ROWS], b: &[f32; ROWS]) -> f32 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;
    use std::vec::Vec as Many;

    fn solve<const ROWS: usize>(columns: &[[f32; ROWS]], task: &[f32; ROWS]) -> Vec<f32, JOINTS_MAX> {
        let [rates] = solve_each(columns, [task]);
        rates
    }

    /// What the page states, of the largest rate; where rates come out of products that all but cancel, of those.
    const STATED_ERROR: f64 = 1e-3;

    /// The same equations in f64, solved by a general library's LU factors: the rates, and the largest sum of the sizes of the products that one is
    /// made of. None where they are too ill-conditioned for what is stated.
    fn by_library<const ROWS: usize>(
        columns: &[[f32; ROWS]],
        task: &[f32; ROWS],
        lambda2: f32,
    ) -> Option<(DVector<f64>, f64)> {
        let wide = |numbers: &[f32]| numbers.iter().map(|x| f64::from(*x)).collect::<Many<_>>();
        let flat: Many<f64> = columns.iter().flat_map(|column| wide(column)).collect();
        let jacobian = DMatrix::from_column_slice(ROWS, columns.len(), &flat);
        let matrix = &jacobian * jacobian.transpose() + f64::from(lambda2) * DMatrix::identity(ROWS, ROWS);
        let values = matrix.clone().symmetric_eigenvalues();
        let weights = matrix.lu().solve(&DVector::from(wide(task)))?;
        let sizes = jacobian.transpose().abs() * weights.abs();
        (values.max() < 1e3 * values.min()).then(|| (jacobian.transpose() * weights, sizes.amax()))
    }

    proptest! {
        #[test]
        fn as_a_general_library_solves_them(
            columns in prop::collection::vec(prop::array::uniform6(-2.0_f32..2.0), 1..=JOINTS_MAX),
            task in prop::array::uniform6(-1.0_f32..1.0),
            lambda2 in 1e-5_f32..0.5,
        ) {
            let wanted = by_library(&columns, &task, lambda2);
            prop_assume!(wanted.is_some());
            let (wanted, size) = wanted.unwrap();
            let found = damped(&columns, &task, lambda2);
            prop_assert_eq!(found.len(), columns.len());
            for (found, wanted_one) in found.iter().zip(wanted.iter()) {
                prop_assert!((f64::from(*found) - wanted_one).abs() <= STATED_ERROR * size);
            }
        }

        /// The measure of nearness to a singular pose, against the library's singular values.
        #[test]
        fn nearness_is_never_above_the_least_singular_value(
            columns in prop::collection::vec(prop::array::uniform4(-2.0_f32..2.0), 4..=JOINTS_MAX),
        ) {
            let flat: Many<f64> = columns.iter().flatten().map(|x| f64::from(*x)).collect();
            let least = DMatrix::from_column_slice(4, columns.len(), &flat).singular_values().min();
            prop_assume!(least > 0.02);
            let found = f64::from(Gram::new(&columns).factor(DAMPING_MIN).least());
            prop_assert!(found <= 1.02 * least && found >= 0.49 * least, "{found} for {least}");
        }
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
            [0.3, 1.0, 0.1, 0.0, 0.2, 0.1],
            [1.1, -0.2, 0.4, 1.0, 0.0, 0.3],
            [0.2, 0.1, -0.9, 1.0, 0.1, -0.2],
            [0.5, 0.3, 0.3, 1.0, -0.7, 0.0],
            [-0.4, 0.6, 0.2, 0.1, 0.9, 0.5],
            [0.1, -0.3, 0.7, -0.2, 0.3, 1.0],
        ];
        let rates = [0.4, -0.2, 0.1, 0.3, -0.5, 0.2];
        let mut task = [0.0; 6];
        for (column, rate) in columns.iter().zip(rates) {
            for (row, share) in task.iter_mut().zip(column) {
                *row += share * rate;
            }
        }
        close(&solve(&columns, &task), &rates, 1e-3);
    }

    /// Away from singular poses there is no damping to speak of; at one, what is asked of the lost direction moves nothing.
    #[test]
    fn damping_rises_only_near_a_singular_pose() {
        let planar = |elbow: f32| {
            let (sin, cos) = elbow.sin_cos();
            [[-sin, 1.0 + cos], [-sin, cos]]
        };
        close(&solve(&planar(1.0), &[0.1, 0.0]), &[0.0642, -0.183], 1e-3);
        let straight = solve(&planar(0.0), &[0.1, 0.0]);
        close(&straight, &[0.0, 0.0], 1e-6);
        for elbow in [0.0_f32, 0.01, 0.02, 0.05, 0.1, 0.2] {
            let fastest = solve(&planar(elbow), &[0.1, 0.0])
                .iter()
                .fold(0.0_f32, |a, b| math::max(a, b.abs()));
            assert!(fastest < 2.0, "{fastest} rad/s at {elbow}");
        }
    }

    #[test]
    fn nothing_to_move_gives_nothing_and_stays_finite() {
        close(&solve(&[[0.0; 4]; 3], &[1.0, 1.0, 1.0, 1.0]), &[0.0; 3], 0.0);
        assert!(solve(&[], &[1.0; 4]).is_empty());
    }
}
