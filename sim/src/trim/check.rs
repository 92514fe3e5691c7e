//! Logs from which nothing may be concluded, and why.

use bellcrank_machine::description::Axis;

use super::holds::{Hold, Series};
use super::log::{AxisLog, Sensed};

/// Fewer rows than this, or a second, say nothing.
const ROWS_LEAST: usize = 400;
/// A reading within this many steps of the converter's end, or in the sensor's fault band, is clipped; so is a log with more than this share of
/// such rows.
const CLIP_STEPS: f64 = 2.0;
const CLIPPED: f64 = 0.02;
/// A command that should have moved something.
const OPEN: f64 = 0.15;
/// Motion is a rate of so many standard errors that also takes the axis on by so many times the scatter.
const MOVES: f64 = 6.0;
/// So many stretches in motion each way are needed, at so many commands.
const STRETCHES: usize = 8;

/// Why a log is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// Too short.
    #[error("there are {rows} rows over {seconds:.1} s, wanted {ROWS_LEAST} at least, of a whole test")]
    Short {
        /// Rows.
        rows: usize,
        /// Length, s.
        seconds: f64,
    },
    /// The reading never changes.
    #[error("the sensor is dead: its reading stays within one step of its converter the whole time, noise and all")]
    DeadSensor,
    /// The reading is at an end.
    #[error(
        "the sensor is clipped: {percent:.0} % of its readings are at an end of its converter, in its fault band, or pinned at one value \
         while the axis moves there"
    )]
    Clipped {
        /// Share of the readings, percent.
        percent: f64,
    },
    /// Nothing moves.
    #[error("the valve is stuck, or has no power: nothing moved at commands up to {:.0} % of full", 100.0 * .most)]
    Stuck {
        /// Greatest command, share of full.
        most: f64,
    },
    /// Everything moves the wrong way.
    #[error(
        "the signs are swapped: it retracts when told to extend, and extends when told to retract (valve, coils or sensor)"
    )]
    Swapped,
    /// It does not always go where it is told.
    #[error(
        "it moves the wrong way in {wrong} of {of} stretches: something else moves it, or the columns do not belong together"
    )]
    Mixed {
        /// Stretches against the command.
        wrong: usize,
        /// Stretches in motion.
        of: usize,
    },
    /// Too little to conclude from.
    #[error(
        "too little motion {way}: {found} stretches of one command move, at {commands} different commands; wanted {STRETCHES} and 4"
    )]
    Little {
        /// Extending or retracting.
        way: &'static str,
        /// Stretches that move.
        found: usize,
        /// Different commands among them.
        commands: usize,
    },
    /// The numbers do not come together.
    #[error("the rates do not fit one valve: no deadband, hysteresis and slope explain them {0}")]
    NoFit(String),
}

/// Whether a stretch is in motion.
pub fn moves(hold: &Hold) -> bool {
    let span = hold.until - hold.from;
    hold.rate.abs() > MOVES * hold.error && hold.rate.abs() * span > 3.0 * hold.scatter
}

/// Looks for what makes a log useless.
///
/// # Errors
/// The reason.
pub fn check(axis: &Axis, log: &AxisLog, series: &Series, holds: &[Hold]) -> Result<(), Refusal> {
    let seconds = series
        .rows
        .first()
        .zip(series.rows.last())
        .map_or(0.0, |(first, last)| last.t - first.t);
    if series.rows.len() < ROWS_LEAST || seconds < 1.0 {
        return Err(Refusal::Short {
            rows: series.rows.len(),
            seconds,
        });
    }
    let strokes = || series.rows.iter().map(|row| row.stroke);
    let (low, high) = (strokes().fold(f64::MAX, f64::min), strokes().fold(f64::MIN, f64::max));
    let step = axis.sensor.step_stroke();
    let most = series.rows.iter().map(|row| row.command.abs()).fold(0.0, f64::max);
    if high - low <= 1.01 * step {
        return Err(Refusal::DeadSensor);
    }
    let clipped = |share: f64| match share {
        share if share > CLIPPED => Err(Refusal::Clipped { percent: 100.0 * share }),
        _ => Ok(()),
    };
    clipped(at_end(axis, log, series))?;
    let moving: Vec<&Hold> = holds.iter().filter(|hold| hold.command != 0.0 && moves(hold)).collect();
    if moving.is_empty() {
        return Err(if most >= OPEN {
            Refusal::Stuck { most }
        } else {
            Refusal::Little {
                way: "either way",
                found: 0,
                commands: 0,
            }
        });
    }
    // Only now: what hums about one place is at its extreme again and again.
    clipped(pinned(series, low, high))?;
    let wrong = moving.iter().filter(|hold| hold.rate * hold.command < 0.0).count();
    if 10 * wrong > 9 * moving.len() {
        return Err(Refusal::Swapped);
    }
    if 10 * wrong > moving.len() {
        return Err(Refusal::Mixed {
            wrong,
            of: moving.len(),
        });
    }
    for (sign, way) in [(1.0, "when extending"), (-1.0, "when retracting")] {
        let own: Vec<f64> = moving
            .iter()
            .filter(|hold| hold.command * sign > 0.0)
            .map(|hold| hold.command)
            .collect();
        let mut commands = own.clone();
        commands.sort_by(f64::total_cmp);
        commands.dedup_by(|a, b| (*a - *b).abs() < 0.004);
        if own.len() < STRETCHES || commands.len() < 4 {
            return Err(Refusal::Little {
                way,
                found: own.len(),
                commands: commands.len(),
            });
        }
    }
    Ok(())
}

/// Share of the readings that are at an end of the converter, or of the sensor's band.
fn at_end(axis: &Axis, log: &AxisLog, series: &Series) -> f64 {
    let sensor = &axis.sensor;
    let (step, scale) = (sensor.step_volts(), sensor.volts(1.0, sensor.excitation()));
    let at_end = |volts: f64| {
        let outside = volts <= sensor.fault.0 * scale || volts >= sensor.fault.1 * scale;
        outside || volts < CLIP_STEPS * step || volts > sensor.converter_volts - CLIP_STEPS * step
    };
    let ends = log
        .readings
        .iter()
        .filter(|reading| matches!(reading.sensed, Sensed::Volts(volts) if at_end(volts)))
        .count();
    // Wild readings are at an end by chance now and then; they are none of these.
    ends.saturating_sub(series.wild) as f64 / log.readings.len().max(1) as f64
}

/// Share of the readings that are pinned: at the very same extreme value, row after row, while a valve is open that elsewhere moves it.
fn pinned(series: &Series, low: f64, high: f64) -> f64 {
    let pinned = |extreme: f64| {
        let same = |row: &&super::holds::Row| (row.stroke - extreme).abs() < 1e-12 && row.command.abs() > OPEN;
        series.rows.iter().filter(same).count()
    };
    pinned(low).max(pinned(high)) as f64 / series.rows.len().max(1) as f64
}
