//! When something that stood begins to move faster and faster.

use nalgebra::DMatrix;

use super::linear;

/// Places at which a start is looked for at first; the best is refined.
const COARSE: usize = 60;

/// How motion starts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Start {
    /// When, s.
    pub time: f64,
    /// Half the acceleration after it.
    pub half_acceleration: f64,
    /// Where it stood.
    pub from: f64,
    /// Sum of the squares of what is left.
    pub left: f64,
}

/// The time from which on `c + a (t - time)²` fits best, before it `c`: least squares over all times, first on a grid, then ever finer around the
/// best. None where nothing moves, or there are too few points.
pub fn start_of_motion(points: &[(f64, f64)]) -> Option<Start> {
    let (first, last) = (points.first()?.0, points.last()?.0);
    let fit = |time: f64| -> Option<Start> {
        let x = DMatrix::from_fn(points.len(), 2, |row, column| {
            if column == 0 {
                1.0
            } else {
                (points[row].0 - time).max(0.0).powi(2)
            }
        });
        let y: Vec<f64> = points.iter().map(|point| point.1).collect();
        let fit = linear(&x, &y, None)?;
        Some(Start {
            time,
            half_acceleration: fit.values[1],
            from: fit.values[0],
            left: fit.scatter * fit.scatter * fit.freedom,
        })
    };
    let best = |low: f64, high: f64| {
        (0..COARSE)
            .filter_map(|k| fit(low + (high - low) * k as f64 / COARSE as f64))
            .min_by(|a, b| a.left.total_cmp(&b.left))
    };
    let mut width = last - first;
    let mut start = best(first, last)?;
    while width > 1e-7 * (last - first) {
        width *= 2.0 / COARSE as f64;
        start = best((start.time - width).max(first), (start.time + width).min(last))?;
    }
    Some(start)
}
