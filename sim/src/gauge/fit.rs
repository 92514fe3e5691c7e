//! Least squares: a polynomial through points that are off by chance in y, with what its coefficients and its values are uncertain by.

use nalgebra::{DMatrix, DVector};

/// A polynomial through points.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Coefficients, of the power 0 first.
    pub coefficients: Vec<f64>,
    /// What each point lies above the polynomial.
    pub residuals: Vec<f64>,
    /// x is divided by this before it is raised to powers.
    scale: f64,
    /// Inverse of the normal matrix of the scaled x: covariance over variance.
    spread: DMatrix<f64>,
}

impl Fit {
    /// The polynomial of a degree through points (x, y). None where the points do not settle it.
    ///
    /// By Householder's QR of the matrix of powers, which squares no condition number.
    pub fn new(points: &[(f64, f64)], degree: usize) -> Option<Fit> {
        let scale = points.iter().fold(0.0, |most: f64, (x, _)| most.max(x.abs()));
        let columns = degree + 1;
        if points.len() < columns || scale == 0.0 {
            return None;
        }
        let powers = DMatrix::from_fn(points.len(), columns, |row, column| {
            (points[row].0 / scale).powi(i32::try_from(column).unwrap_or(0))
        });
        let y = DVector::from_iterator(points.len(), points.iter().map(|(_, y)| *y));
        let qr = powers.clone().qr();
        let upper = qr.r();
        let solved = upper.solve_upper_triangular(&(qr.q().transpose() * &y))?;
        let inverse = upper.solve_upper_triangular(&DMatrix::identity(columns, columns))?;
        let residuals = y - powers * &solved;
        // Points that do not settle it leave a diagonal of nothing but rounding.
        let settled = upper.diagonal().iter().all(|entry| entry.abs() > 1e-12);
        settled.then(|| Fit {
            coefficients: solved
                .iter()
                .zip(0..)
                .map(|(value, power)| value / scale.powi(power))
                .collect(),
            residuals: residuals.iter().copied().collect(),
            scale,
            spread: &inverse * inverse.transpose(),
        })
    }

    /// The polynomial at x.
    pub fn at(&self, x: f64) -> f64 {
        self.coefficients
            .iter()
            .rev()
            .fold(0.0, |sum, coefficient| sum * x + coefficient)
    }

    /// Points beyond those that settle the polynomial.
    pub fn freedom(&self) -> usize {
        self.residuals.len() - self.coefficients.len()
    }

    /// Standard deviation of the residuals. None without freedom.
    pub fn deviation(&self) -> Option<f64> {
        let squares: f64 = self.residuals.iter().map(|residual| residual * residual).sum();
        (self.freedom() > 0).then(|| (squares / self.freedom() as f64).sqrt())
    }

    /// Standard deviation of a coefficient, for points with a standard deviation in y.
    pub fn coefficient_deviation(&self, power: usize, deviation: f64) -> f64 {
        let scaled = self.spread[(power, power)].sqrt() * deviation;
        scaled / self.scale.powi(i32::try_from(power).unwrap_or(0))
    }

    /// Standard deviation of the polynomial's value at x, for points with a standard deviation in y.
    pub fn value_deviation(&self, x: f64, deviation: f64) -> f64 {
        let columns = self.coefficients.len();
        let powers = DVector::from_fn(columns, |row, _| (x / self.scale).powi(i32::try_from(row).unwrap_or(0)));
        (powers.transpose() * &self.spread * &powers)[(0, 0)].sqrt() * deviation
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_through_two_points_is_that_line() {
        let fit = Fit::new(&[(1.0, 5.0), (3.0, 9.0)], 1).unwrap();
        assert!((fit.at(0.0) - 3.0).abs() < 1e-12 && (fit.at(10.0) - 23.0).abs() < 1e-12);
        assert_eq!((fit.freedom(), fit.deviation()), (0, None));
    }

    /// For a straight line through n points: variance over n in the middle, over the sum of squares of x beside it.
    #[test]
    fn uncertainties_are_those_of_the_textbook() {
        let points: Vec<_> = (0..5)
            .map(|x| (f64::from(x), if x == 2 { 3.0 } else { f64::from(x) }))
            .collect();
        let fit = Fit::new(&points, 1).unwrap();
        // A fifth of the one that is off goes to the mean; the slope has nothing of it.
        assert!((fit.at(2.0) - 2.2).abs() < 1e-12 && (fit.coefficients[1] - 1.0).abs() < 1e-12);
        assert!((fit.deviation().unwrap() - f64::sqrt(0.8 / 3.0)).abs() < 1e-12);
        assert!((fit.value_deviation(2.0, 1.0) - f64::sqrt(1.0 / 5.0)).abs() < 1e-12);
        assert!((fit.value_deviation(4.0, 1.0) - f64::sqrt(1.0 / 5.0 + 4.0 / 10.0)).abs() < 1e-12);
        assert!((fit.coefficient_deviation(1, 1.0) - f64::sqrt(1.0 / 10.0)).abs() < 1e-12);
    }

    #[test]
    fn points_that_settle_nothing_give_nothing() {
        for points in [&[(1.0, 5.0)][..], &[(1.0, 5.0), (1.0, 6.0)], &[(0.0, 1.0), (0.0, 2.0)]] {
            assert!(Fit::new(points, 1).is_none());
        }
        assert!(Fit::new(&[(1.0, 1.0), (2.0, 2.0), (2.0, 3.0)], 2).is_none());
    }
}
