//! Nonlinear least squares within bounds.

use nalgebra::DMatrix;
use rmpfit::{MPConfig, MPFitter, MPMaxFev, MPPar, MPResult, MPSide, MPSuccess};

/// Slopes are taken over this share of a parameter, or of the room between its bounds where it has two, to both sides: near the third root of what a
/// double resolves. A share of itself is nothing to a parameter that lies at a bound of zero.
const STEP: f64 = 1e-5;
/// Steps that a fit may take before it is called lost.
const STEPS: usize = 2000;
/// The first step goes at most so many times as far as the start is from nothing, each parameter in its own measure: the library's hundred throws
/// a fit that starts far off onto a plain from which nothing leads back.
const FIRST_STEP: f64 = 1.0;

/// What fits best.
#[derive(Debug, Clone, PartialEq)]
pub struct Nonlinear {
    /// The parameters.
    pub values: Vec<f64>,
    /// Their covariance, from the scatter of what is left and the slopes there.
    pub covariance: DMatrix<f64>,
    /// Sum of the squares of what is left.
    pub left: f64,
    /// Rows beyond the number of parameters.
    pub freedom: f64,
}

impl Nonlinear {
    /// Standard error of a parameter.
    pub fn error(&self, number: usize) -> f64 {
        self.covariance[(number, number)].max(0.0).sqrt()
    }
}

struct Problem<F> {
    misfit: F,
    rows: usize,
    config: MPConfig,
    parameters: Vec<MPPar>,
}

impl<F: Fn(&[f64], &mut [f64])> MPFitter for Problem<F> {
    fn eval(&mut self, values: &[f64], misfit: &mut [f64]) -> MPResult<()> {
        (self.misfit)(values, misfit);
        Ok(())
    }

    fn number_of_points(&self) -> usize {
        self.rows
    }

    fn config(&self) -> &MPConfig {
        &self.config
    }

    fn parameters(&self) -> &[MPPar] {
        &self.parameters
    }
}

/// Brings the sum of squares of what `misfit` tells, `rows` numbers, to its least, from `start` on and within `bounds`. None where it does not
/// get there, or the rows do not tell the parameters apart.
pub fn nonlinear(
    misfit: impl Fn(&[f64], &mut [f64]),
    rows: usize,
    start: &[f64],
    bounds: &[(f64, f64)],
) -> Option<Nonlinear> {
    if rows <= start.len() {
        return None;
    }
    let mut values: Vec<f64> = start.to_vec();
    let room = |&(low, high): &(f64, f64)| (high - low).is_finite().then_some(high - low);
    let parameters = bounds.iter().map(|bounds @ &(low, high)| MPPar {
        limited_low: low.is_finite(),
        limited_up: high.is_finite(),
        limit_low: low,
        limit_up: high,
        step: room(bounds).map_or(0.0, |room| STEP * room),
        rel_step: if room(bounds).is_some() { 0.0 } else { STEP },
        side: MPSide::Both,
        ..MPPar::new()
    });
    let mut problem = Problem {
        misfit,
        rows,
        config: MPConfig {
            ftol: 1e-15,
            xtol: 1e-13,
            gtol: 1e-15,
            max_iter: STEPS,
            max_fev: MPMaxFev::NoLimit,
            step_factor: FIRST_STEP,
            ..MPConfig::new()
        },
        parameters: parameters.collect(),
    };
    let ended = problem.mpfit(&mut values).ok()?;
    if ended.success == MPSuccess::MaxIter {
        return None;
    }
    let misfit = problem.misfit;
    let at = |values: &[f64]| {
        let mut left = vec![0.0; rows];
        misfit(values, &mut left);
        left
    };
    let left: f64 = at(&values).iter().map(|number| number * number).sum();
    let slopes: Vec<Vec<f64>> = (0..values.len())
        .map(|number| {
            let size = room(&bounds[number]).unwrap_or(values[number].abs());
            let step = STEP * if size > 0.0 { size } else { 1.0 };
            let beside = |by: f64| {
                let mut beside = values.clone();
                beside[number] += by;
                at(&beside)
            };
            let (below, above) = (beside(-step), beside(step));
            above.iter().zip(&below).map(|(a, b)| (a - b) / (2.0 * step)).collect()
        })
        .collect();
    let slopes = DMatrix::from_fn(rows, values.len(), |row, column| slopes[column][row]);
    let lengths: Vec<f64> = slopes.column_iter().map(|column| column.norm()).collect();
    if lengths.iter().any(|length| *length <= 0.0 || !length.is_finite()) {
        return None;
    }
    let scaled = DMatrix::from_fn(rows, values.len(), |row, column| {
        slopes[(row, column)] / lengths[column]
    });
    let inverse = scaled
        .qr()
        .r()
        .solve_upper_triangular(&DMatrix::identity(values.len(), values.len()))?;
    let freedom = (rows - values.len()) as f64;
    let mut covariance = &inverse * inverse.transpose() * (left / freedom);
    for row in 0..values.len() {
        for column in 0..values.len() {
            covariance[(row, column)] /= lengths[row] * lengths[column];
        }
    }
    covariance.iter().all(|entry| entry.is_finite()).then_some(Nonlinear {
        values,
        covariance,
        left,
        freedom,
    })
}
