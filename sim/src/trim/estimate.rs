//! From a log to what is known of a valve, its axis and its sensor, or to why nothing may be concluded.

use bellcrank_machine::Description;
use bellcrank_machine::description::Axis;
use schemars::JsonSchema;
use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::answer::{self, Swing};
use super::check::{self, Refusal};
use super::curve::{Curve, Point, curve};
use super::fit::Estimate;
use super::holds::{Hold, Series};
use super::log::AxisLog;
use super::valve::{self, Turns};

/// Noise of the rate is told for a line over this time, s.
pub const RATE_OVER_S: f64 = 0.05;

/// What was found out about one axis. Commands are shares of full; strokes and rates are in m and m/s, or rad and rad/s for a motor.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Identified {
    /// The axis.
    pub axis: String,
    /// What strokes are told in for people: mm or deg.
    pub unit: String,
    /// Command at which it opens in the middle of its hysteresis, extending and retracting.
    pub deadband: [Estimate; 2],
    /// Width of the hysteresis.
    pub hysteresis: Estimate,
    /// From a command to its motion: dead time, and the lag of spool and oil, s.
    pub lag_s: Option<Estimate>,
    /// What the axis would go by for the oil that its lines take, extending and retracting.
    pub fill: [Option<Estimate>; 2],
    /// What the axis goes on by after its valve has closed, extending and retracting.
    pub run_on: [Option<Estimate>; 2],
    /// How the load swings on its closed valve.
    pub swing: Option<Swing>,
    /// Gain curves, extending and retracting.
    pub curves: [Curve; 2],
    /// Root mean square noise of the stroke at rest.
    pub noise: Estimate,
    /// The same of the rate, as a line over 50 ms has it.
    pub rate_noise: Estimate,
    /// Rows of the log.
    pub rows: usize,
    /// Rows left out because they are far off their neighbours.
    pub wild: usize,
    /// Stretches of one command that were in motion.
    pub stretches: usize,
}

/// The kind of an axis with a load-holding valve on one side only.
pub const ON_ONE_SIDE: usize = 2;

/// Which of the kinds of [`valve::TypeB`] an axis is.
pub fn kind(axis: &Axis) -> usize {
    match &axis.holding {
        None => 0,
        Some(holding) if holding.on == [true, true] => 1,
        Some(_) => ON_ONE_SIDE,
    }
}

/// Identifies the valve of one log.
///
/// # Errors
/// Why nothing may be concluded from it.
pub fn identify(machine: &Description, log: &AxisLog) -> Result<Identified, Refusal> {
    let axis = &machine.axes[log.axis];
    let series = Series::of(log, &axis.sensor);
    let holds = series.holds();
    check::check(axis, log, &series, &holds)?;
    let turns = Turns::of(&series, &holds);
    let opens = opens(&holds);
    let unfit = |why: &str| Refusal::NoFit(why.to_owned());
    let bottom = valve::bottom(&holds, &turns, opens, kind(axis)).ok_or_else(|| unfit("together"))?;
    if bottom.deadband.iter().any(|deadband| deadband.half() > 0.05) {
        return Err(unfit("to better than 5 % of full command"));
    }
    let spools = turns.spools(bottom.hysteresis.value);
    let supply = machine.supply_of(axis);
    let points = |way: usize| -> Vec<Point> {
        let own = holds
            .iter()
            .zip(&spools)
            .filter(|(hold, _)| hold.command != 0.0 && (hold.command > 0.0) == (way == 0) && check::moves(hold));
        own.map(|(hold, spool)| Point {
            spool: spool.abs(),
            rate: bottom.at_middle(hold).abs(),
            error: hold.error,
        })
        .collect()
    };
    let areas = [axis.actuator.area_a, axis.actuator.area_b];
    let believed = [axis.drive.full_rate.0, axis.drive.full_rate.1];
    let of = |way: usize| {
        // Beyond what was measured nothing is promised that neither the pump nor the file does.
        let most = believed[way].min(supply.flow / areas[way]);
        curve(&bottom, way, &points(way), most).ok_or_else(|| unfit("with a curve"))
    };
    let (noise, rate_noise) =
        noise(&series, &holds, axis.sensor.step_stroke()).ok_or_else(|| unfit("without a rest"))?;
    let (unit, _) = super::log::stroke_unit(axis);
    Ok(Identified {
        axis: axis.name.clone(),
        unit: unit.to_owned(),
        deadband: bottom.deadband,
        hysteresis: bottom.hysteresis,
        lag_s: answer::lag(&holds),
        fill: answer::fill(&holds),
        run_on: answer::run_on(&holds),
        swing: answer::swing(&series, &holds),
        curves: [of(0)?, of(1)?],
        noise,
        rate_noise,
        rows: log.readings.len(),
        wild: series.wild,
        stretches: holds
            .iter()
            .filter(|hold| hold.command != 0.0 && check::moves(hold))
            .count(),
    })
}

/// Roughly where it opens each way: a little below the least command that moved it.
fn opens(holds: &[Hold]) -> [f64; 2] {
    let most = holds.iter().map(|hold| hold.rate.abs()).fold(0.0, f64::max);
    [1.0, -1.0].map(|sign| {
        let moving = holds
            .iter()
            .filter(|hold| hold.command * sign > 0.0 && check::moves(hold) && hold.rate.abs() > 5e-3 * most);
        (moving.map(|hold| hold.command.abs()).fold(1.0, f64::min) - 0.01).max(0.0)
    })
}

/// Noise of the stroke and of the rate at rest, each with the interval of a variance (chi-squared).
fn noise(series: &Series, holds: &[Hold], step: f64) -> Option<(Estimate, Estimate)> {
    let rests: Vec<&Hold> = holds
        .iter()
        .filter(|hold| hold.command == 0.0 && hold.error.is_finite())
        .collect();
    let of = |squares: f64, freedom: f64| {
        let chi = ChiSquared::new(freedom).ok()?;
        Some(Estimate {
            value: (squares / freedom).sqrt(),
            low: (squares / chi.inverse_cdf(0.975)).sqrt(),
            high: (squares / chi.inverse_cdf(0.025)).sqrt(),
        })
    };
    let quiet = rests.iter().min_by(|a, b| a.scatter.total_cmp(&b.scatter))?;
    // A reading that stood on one step of its converter has a noise all the same.
    let least = quiet.scatter.max(0.3 * step);
    let calm: Vec<&&Hold> = rests.iter().filter(|rest| rest.scatter < 1.5 * least).collect();
    let (mut squares, mut freedom, mut slopes, mut lines) = (0.0, 0.0, 0.0, 0.0);
    for rest in calm {
        let settled: Vec<_> = series.rows[rest.rows.clone()]
            .iter()
            .filter(|row| row.t > rest.from + 0.3)
            .collect();
        let count = settled.len() as f64;
        if count < 8.0 {
            continue;
        }
        squares += rest.scatter * rest.scatter * (count - 2.0);
        freedom += count - 2.0;
        let mut from = 0;
        for to in 0..settled.len() {
            if settled[to].t - settled[from].t >= RATE_OVER_S {
                let rows = &settled[from..=to];
                let middle = rows.iter().map(|row| row.t).sum::<f64>() / rows.len() as f64;
                let (up, down) = rows.iter().fold((0.0, 0.0), |(up, down), row| {
                    (up + (row.t - middle) * row.stroke, down + (row.t - middle).powi(2))
                });
                slopes += (up / down).powi(2);
                lines += 1.0;
                from = to;
            }
        }
    }
    Some((of(squares, freedom)?, of(slopes, lines)?))
}
