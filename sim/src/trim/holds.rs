//! A log cut into stretches of one command, and the rate on each.
//!
//! A stretch is fitted, by least squares, with a straight line and, where that explains more, a swing that dies away (a load on its oil): the line's
//! slope is then free of the swing, which a mean over the stretch is not. Readings far off their neighbours are left out before (the identifier of
//! Hampel, *JASA* 69, 1974, in the form with a moving window; from memory).

use nalgebra::DMatrix;

use super::fit::{Linear, linear, median};
use super::log::{AxisLog, stroke};
use bellcrank_machine::description::Sensor;

/// Neighbours to each side that a reading is held against.
const NEIGHBOURS: usize = 3;
/// A reading is wild that is so many times the scatter of its neighbours off their middle.
const WILD: f64 = 6.0;
/// A command that changes by less is the same.
const SAME: f64 = 2e-4;
/// Shortest stretch that is looked at, s.
const SHORTEST_S: f64 = 0.4;
/// Share of a stretch, and time, that passes before its rate counts as settled.
const SETTLE: (f64, f64) = (0.3, 0.28);
/// Swings that are tried: Hz, and damping ratio.
const SWING_HZ: [f64; 9] = [1.4, 2.0, 2.8, 4.0, 5.0, 6.3, 8.0, 11.0, 15.0];
const SWING_ZETA: [f64; 3] = [0.05, 0.15, 0.35];
/// A swing is believed that takes this factor off the sum of squares.
const WORTH: f64 = 0.85;

/// A log as it is worked on: in SI, without wild readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Time, s, command and stroke, m or rad.
    pub rows: Vec<Row>,
    /// Wild readings left out.
    pub wild: usize,
}

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    /// When, s.
    pub t: f64,
    /// Command, -1 to 1.
    pub command: f64,
    /// Stroke, m or rad.
    pub stroke: f64,
}

/// A stretch of one command.
#[derive(Debug, Clone, PartialEq)]
pub struct Hold {
    /// Its command.
    pub command: f64,
    /// Its rows in the series.
    pub rows: std::ops::Range<usize>,
    /// When the command came, s: midway between the last row without it and the first with it.
    pub from: f64,
    /// Its last row, s.
    pub until: f64,
    /// The rate once settled, m/s or rad/s.
    pub rate: f64,
    /// Standard error of it, by the scatter about the fit.
    pub error: f64,
    /// The line on which it goes then: where it is at `from`, continued back, and the standard error of that.
    pub meets: (f64, f64),
    /// The same where the stretch ends, at its last row.
    pub ends: (f64, f64),
    /// Where it was meanwhile, in the middle, m or rad.
    pub place: f64,
    /// Scatter of the readings about the fit, m or rad.
    pub scatter: f64,
}

impl Series {
    /// Of a log.
    pub fn of(log: &AxisLog, sensor: &Sensor) -> Series {
        let rows: Vec<Row> = log
            .readings
            .iter()
            .map(|reading| Row {
                t: reading.t,
                command: reading.command,
                stroke: stroke(sensor, reading.sensed),
            })
            .collect();
        let step = sensor.step_stroke();
        let count = rows.len();
        let sound: Vec<Row> = rows
            .iter()
            .enumerate()
            .filter(|(at, row)| {
                let near = &rows[at.saturating_sub(NEIGHBOURS)..count.min(at + NEIGHBOURS + 1)];
                let middle = median(&mut near.iter().map(|row| row.stroke).collect::<Vec<_>>());
                let spread = median(&mut near.iter().map(|row| (row.stroke - middle).abs()).collect::<Vec<_>>());
                (row.stroke - middle).abs() <= WILD * (1.4826 * spread).max(2.0 * step)
            })
            .map(|(_, row)| *row)
            .collect();
        Series {
            wild: count - sound.len(),
            rows: sound,
        }
    }

    /// Its stretches of one command.
    pub fn holds(&self) -> Vec<Hold> {
        let mut holds = Vec::new();
        let mut first = 0;
        for at in 1..=self.rows.len() {
            let ends = at == self.rows.len() || (self.rows[at].command - self.rows[first].command).abs() > SAME;
            if ends {
                holds.extend(self.hold(first..at));
                first = at;
            }
        }
        holds
    }

    fn hold(&self, rows: std::ops::Range<usize>) -> Option<Hold> {
        let (first, last) = (self.rows[rows.start], self.rows[rows.end - 1]);
        let before = rows.start.checked_sub(1).map_or(first.t, |at| self.rows[at].t);
        let from = 0.5 * (before + first.t);
        let span = last.t - from;
        if span < SHORTEST_S {
            return None;
        }
        let settled = from + (SETTLE.0 * span).max(SETTLE.1);
        let kept: Vec<Row> = self.rows[rows.clone()]
            .iter()
            .filter(|row| row.t > settled)
            .copied()
            .collect();
        let line = swinging_line(&kept, from)?;
        let end = [1.0, last.t - from, 0.0, 0.0];
        Some(Hold {
            command: first.command,
            rows,
            from,
            until: last.t,
            rate: line.values[1],
            error: line.error(1),
            meets: (line.values[0], line.error(0)),
            ends: line.sum(&end[..line.values.len()]),
            place: kept.iter().map(|row| row.stroke).sum::<f64>() / kept.len() as f64,
            scatter: line.scatter,
        })
    }
}

/// The straight line through the rows, with a dying swing beside it where that is worth it. The first coefficient is where the line is at `zero`,
/// the second its slope.
fn swinging_line(rows: &[Row], zero: f64) -> Option<Linear> {
    let y: Vec<f64> = rows.iter().map(|row| row.stroke).collect();
    let start = rows.first()?.t;
    let fit = |swing: Option<(f64, f64)>| {
        let x = DMatrix::from_fn(rows.len(), if swing.is_some() { 4 } else { 2 }, |row, column| {
            let t = rows[row].t;
            let (hz, zeta) = swing.unwrap_or_default();
            let angle = std::f64::consts::TAU * hz;
            let dies = (-zeta * angle * (t - start)).exp();
            match column {
                0 => 1.0,
                1 => t - zero,
                2 => dies * (angle * (t - start)).cos(),
                _ => dies * (angle * (t - start)).sin(),
            }
        });
        linear(&x, &y, None)
    };
    let plain = fit(None)?;
    let squares = |fit: &Linear| fit.scatter * fit.scatter * fit.freedom;
    let span = rows.last()?.t - start;
    let swings = SWING_HZ.iter().filter(|hz| *hz * span > 0.8);
    let tried = swings.flat_map(|hz| SWING_ZETA.map(|zeta| (*hz, zeta)));
    let best = tried
        .filter_map(|swing| fit(Some(swing)))
        .min_by(|a, b| squares(a).total_cmp(&squares(b)));
    Some(match best {
        Some(swinging) if squares(&swinging) < WORTH * squares(&plain) => swinging,
        _ => plain,
    })
}
