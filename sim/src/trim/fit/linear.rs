//! Linear least squares, each row with a weight.

use nalgebra::{DMatrix, DVector};

/// What fits best.
#[derive(Debug, Clone, PartialEq)]
pub struct Linear {
    /// The coefficients.
    pub values: DVector<f64>,
    /// Their covariance, from the scatter of what is left.
    pub covariance: DMatrix<f64>,
    /// Standard deviation of what is left, for a row of weight one.
    pub scatter: f64,
    /// Rows beyond the number of coefficients.
    pub freedom: f64,
}

impl Linear {
    /// Standard error of a coefficient.
    pub fn error(&self, number: usize) -> f64 {
        self.covariance[(number, number)].max(0.0).sqrt()
    }

    /// A weighted sum of the coefficients, and its standard error.
    pub fn sum(&self, weights: &[f64]) -> (f64, f64) {
        let weights = DVector::from_column_slice(weights);
        let variance = (weights.transpose() * &self.covariance * &weights)[(0, 0)];
        (weights.dot(&self.values), variance.max(0.0).sqrt())
    }
}

/// Fits `y` by the columns of `x`. A row counts with the square of its weight. None where there are no more rows than columns, or a column is a sum
/// of others.
///
/// By Householder's QR on columns brought to one length: squaring the matrix, as the normal equations do, would lose half of the digits.
pub fn linear(x: &DMatrix<f64>, y: &[f64], weights: Option<&[f64]>) -> Option<Linear> {
    let (rows, columns) = x.shape();
    if rows <= columns || y.len() != rows {
        return None;
    }
    let (mut x, mut y) = (x.clone(), DVector::from_column_slice(y));
    if let Some(weights) = weights {
        for (row, weight) in weights.iter().enumerate() {
            x.row_mut(row).scale_mut(*weight);
            y[row] *= weight;
        }
    }
    let lengths: Vec<f64> = x.column_iter().map(|column| column.norm()).collect();
    if lengths.iter().any(|length| *length <= 0.0 || !length.is_finite()) {
        return None;
    }
    for (mut column, length) in x.column_iter_mut().zip(&lengths) {
        column.unscale_mut(*length);
    }
    let qr = x.clone().qr();
    let r = qr.r();
    let solve = |right: &DVector<f64>| {
        let mut turned = right.clone();
        qr.q_tr_mul(&mut turned);
        r.solve_upper_triangular(&turned.rows(0, columns).into_owned())
    };
    let mut values = solve(&y)?;
    // Once more on what is left: the last digits.
    values += solve(&(&y - &x * &values))?;
    let left = (&y - &x * &values).norm_squared();
    let freedom = (rows - columns) as f64;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(columns, columns))?;
    if inverse.iter().any(|entry| !entry.is_finite() || entry.abs() > 1e10) {
        return None;
    }
    let mut covariance = &inverse * inverse.transpose() * (left / freedom);
    for (row, of_row) in lengths.iter().enumerate() {
        values[row] /= of_row;
        for (column, of_column) in lengths.iter().enumerate() {
            covariance[(row, column)] /= of_row * of_column;
        }
    }
    Some(Linear {
        values,
        covariance,
        scatter: (left / freedom).sqrt(),
        freedom,
    })
}
