//! Deadband and hysteresis from the rates at which an axis goes at commands a little above where it opens.
//!
//! Between command and spool lies a play of some width: going up, the spool is half of it behind the command, coming down, half of it ahead (the
//! play operator of Krasnosel'skii and Pokrovskii, *Systems with Hysteresis*, 1989; from memory). Beyond the deadband the rate rises with the spool,
//! there nearly straight. So all rates measured, of both directions, are explained by one play, two deadbands, and a slope and a bend for each
//! direction; nonlinear least squares finds them together. Rates are what is fitted, not the moment at which something moves: that moment comes
//! late by however long the oil takes to fill the lines and break the load away, and the steady rate does not know of that.

use super::fit::{Estimate, Nonlinear, median, nonlinear, student};
use super::holds::{Hold, Series};

/// A rate is trusted to this share of itself, beside its own error: load and pressure differ a little from stretch to stretch.
pub const TRUST: f64 = 0.02;
/// A command above where motion starts belongs to the bottom of the curve up to here.
pub const BOTTOM: f64 = 0.13;
/// What is further off than so many times the scatter counts less, and beyond half as much again not at all.
const OUTLIER: f64 = 3.0;
/// The widest play looked for.
const PLAY_MOST: f64 = 0.12;
/// By what share an axis goes faster or slower at the ends of a short travel than in its middle: standard deviation of what is to be expected
/// before anything is measured (a load of a third of the supply pressure that changes by a tenth; common practice, no source), and the most. The
/// expectation counts as a measurement each: higher treads stand elsewhere than low ones, so what a bend of the curve leaves would else be laid
/// to the place, and then be put on all rates above.
const PLACE: f64 = 0.01;
const PLACE_MOST: f64 = 0.08;
/// Rounds in which outliers are weighed down.
const ROUNDS: usize = 4;

/// What scatter does not show: motion starts where what leaks has been made up for, not quite where the lands open, and a load-holding valve has a
/// curve of its own that lies over the spool's. Standard deviations, of which no repetition tells (type B in the words of JCGM 100:2008, the GUM);
/// they were set so that the intervals of other simulated machines, seeds 1001 to 1200 of [`super::proof`], cover 95 % of what is true. The
/// machines that the intervals are then judged by are not among them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TypeB {
    /// Of a deadband, share of full command: without load-holding valve, with one on both sides, with one on a side.
    pub deadband: [f64; 3],
    /// Of the hysteresis, the same.
    pub play: [f64; 3],
    /// Of a rate, share of it.
    pub rate: f64,
}

/// See there.
pub const TYPE_B: TypeB = TypeB {
    deadband: [0.00034, 0.00074, 0.00206],
    play: [0.00008, 0.00083, 0.00055],
    rate: 0.012,
};

/// What is known of the bottom of a valve's curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Bottom {
    /// Where it opens when extending and when retracting: the spool, that is the command in the middle of the hysteresis.
    pub deadband: [Estimate; 2],
    /// Width of the hysteresis.
    pub hysteresis: Estimate,
    /// Slope of the rate there each way, m/s or rad/s for full command.
    pub slope: [Estimate; 2],
    /// Scatter of the rates about the fit, over what they are trusted to.
    pub scatter: f64,
    values: Vec<f64>,
    /// Least and greatest place, m or rad.
    places: (f64, f64),
}

impl Bottom {
    /// What a hold would have shown in the middle of the travel: its rate over how much faster the axis goes where it was.
    pub fn at_middle(&self, hold: &Hold) -> f64 {
        let own = &self.values[EACH[usize::from(hold.command < 0.0)]..];
        let place = place(hold, self.places).clamp(-1.0, 1.0);
        hold.rate / (1.0 + own[3] * place + own[4] * place * place)
    }
}

/// The turns that the command takes, and where in them each hold stands.
pub struct Turns {
    commands: Vec<f64>,
    /// For each hold, how many of the commands lie before its end.
    until: Vec<usize>,
}

impl Turns {
    /// Of a series and its holds.
    pub fn of(series: &Series, holds: &[Hold]) -> Turns {
        let mut commands: Vec<f64> = Vec::new();
        let mut until = Vec::new();
        let mut next = holds.iter().peekable();
        for (at, row) in series.rows.iter().enumerate() {
            let rises = |a: f64, b: f64| (b - a).signum();
            match commands[..] {
                [.., last] if last == row.command => {}
                [.., before, last] if rises(before, last) == rises(last, row.command) => {
                    // On in the same direction: only where it turns counts.
                    if until.last().is_none_or(|until| *until < commands.len()) {
                        commands.pop();
                    }
                    commands.push(row.command);
                }
                _ => commands.push(row.command),
            }
            while next.peek().is_some_and(|hold| hold.rows.end == at + 1) {
                until.push(commands.len());
                next.next();
            }
        }
        Turns { commands, until }
    }

    /// Where the spool is on each hold, for a play of this width.
    pub fn spools(&self, play: f64) -> Vec<f64> {
        let (half, mut spool, mut done) = (0.5 * play.max(0.0), 0.0_f64, 0);
        self.until
            .iter()
            .map(|&until| {
                for command in &self.commands[done.min(until)..until] {
                    spool = spool.clamp(command - half, command + half);
                }
                done = until;
                spool
            })
            .collect()
    }
}

/// Parameters of the fit: the play, and for each direction deadband, slope, bend, and how the rate changes over the stroke.
const PLAY: usize = 0;
const EACH: [usize; 2] = [1, 6];
const COUNT: usize = 11;
/// How many of them are expected to be near nothing.
const EXPECTED: usize = 4;

/// The rate at a spool and a place, the place from -1 to 1 over the travel of the test.
fn rate(values: &[f64], spool: f64, place: f64) -> f64 {
    let own = &values[EACH[usize::from(spool < 0.0)]..];
    let past = spool.abs() - own[0];
    if past <= 0.0 {
        return 0.0;
    }
    spool.signum() * own[1] * past * (1.0 + own[2] * past) * (1.0 + own[3] * place + own[4] * place * place)
}

/// From -1 to 1 over the travel of the test.
fn place(hold: &Hold, (low, high): (f64, f64)) -> f64 {
    (2.0 * hold.place - low - high) / (high - low)
}

/// Finds it. `opens` is where motion starts, roughly, each way, `kind` which of the kinds of [`TypeB`] the axis is. None where the rates do not tell.
pub fn bottom(holds: &[Hold], turns: &Turns, opens: [f64; 2], kind: usize) -> Option<Bottom> {
    let at_bottom = |hold: &Hold| {
        let opens = if hold.command > 0.0 { opens[0] } else { opens[1] };
        hold.command != 0.0 && hold.command.abs() < opens + BOTTOM
    };
    let chosen: Vec<usize> = (0..holds.len()).filter(|at| at_bottom(&holds[*at])).collect();
    let most = chosen.iter().map(|at| holds[*at].rate.abs()).fold(0.0, f64::max);
    let stood = || chosen.iter().map(|at| holds[*at].place);
    let places = (stood().fold(f64::MAX, f64::min), stood().fold(f64::MIN, f64::max));
    let slope = |way: usize| {
        let own = chosen
            .iter()
            .map(|at| &holds[*at])
            .filter(|hold| (hold.command > 0.0) == (way == 0));
        let past = |hold: &Hold| (hold.command.abs() - opens[way]).max(0.02);
        median(&mut own.map(|hold| hold.rate.abs() / past(hold)).collect::<Vec<_>>())
    };
    let start = [
        0.01,
        opens[0],
        slope(0),
        0.5,
        0.0,
        0.0,
        opens[1],
        slope(1),
        0.5,
        0.0,
        0.0,
    ];
    let own = [
        (0.0, 0.6),
        (1e-6, f64::INFINITY),
        (-2.0, 20.0),
        (-PLACE_MOST, PLACE_MOST),
        (-PLACE_MOST, PLACE_MOST),
    ];
    let bounds: Vec<(f64, f64)> = std::iter::once((0.0, PLAY_MOST)).chain(own).chain(own).collect();
    let mut weights = vec![1.0; chosen.len()];
    let mut fit: Option<Nonlinear> = None;
    for _ in 0..ROUNDS {
        let misfit = |values: &[f64], out: &mut [f64]| {
            let spools = turns.spools(values[PLAY]);
            for ((out, at), weight) in out.iter_mut().zip(&chosen).zip(&weights) {
                let hold = &holds[*at];
                let trusted = hold.error.hypot(TRUST * hold.rate).max(1e-4 * most);
                *out = weight * (hold.rate - rate(values, spools[*at], place(hold, places))) / trusted;
            }
            let expected = EACH.iter().flat_map(|own| [own + 3, own + 4]);
            for (out, at) in out[chosen.len()..].iter_mut().zip(expected) {
                *out = values[at] / PLACE;
            }
        };
        let from = fit.as_ref().map_or(start.to_vec(), |fit| fit.values.clone());
        let found = nonlinear(misfit, chosen.len() + EXPECTED, &from, &bounds)?;
        let mut left = vec![0.0; chosen.len() + EXPECTED];
        misfit(&found.values, &mut left);
        left.truncate(chosen.len());
        for (left, weight) in left.iter_mut().zip(&weights) {
            *left = (*left / weight).abs();
        }
        let scale = 1.4826 * median(&mut left.clone());
        for (weight, left) in weights.iter_mut().zip(&left) {
            *weight = (3.0 - 2.0 * left / (OUTLIER * scale.max(1e-9))).clamp(1e-6, 1.0);
        }
        fit = Some(found);
    }
    let fit = fit?;
    let counted = weights.iter().filter(|weight| **weight > 1e-3).count();
    let freedom = (counted + EXPECTED).saturating_sub(COUNT).max(1) as f64;
    let widen = (fit.freedom / freedom).sqrt();
    let estimate = |number: usize, unseen: f64| {
        let seen = widen * fit.error(number);
        // Student's t is for what was seen to scatter.
        let half = (student(freedom) * seen).hypot(student(f64::INFINITY) * unseen);
        let value = fit.values[number];
        Estimate {
            value,
            low: value - half,
            high: value + half,
        }
    };
    Some(Bottom {
        deadband: EACH.map(|at| estimate(at, TYPE_B.deadband[kind])),
        hysteresis: estimate(PLAY, TYPE_B.play[kind]),
        slope: EACH.map(|at| estimate(at + 1, TYPE_B.rate * fit.values[at + 1])),
        scatter: (fit.left / freedom).sqrt(),
        values: fit.values,
        places,
    })
}
