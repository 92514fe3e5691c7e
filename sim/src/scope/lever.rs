//! From duties to the lever: where the signal rests, what that says of the lever's neutral and its ends, and the `channel` block that follows.
//!
//! Either marks say where the lever stood and when, or the capture is a sweep: the lever rests in neutral, goes slowly to full extend, rests,
//! comes back, goes to full retract, rests, and comes back. Rests of a sweep are found by themselves.

use schemars::JsonSchema;
use serde::Serialize;

use super::marks::Mark;
use super::pulses::Pulse;
use super::stats::{Spread, Track};

/// Fewest periods that say where a signal rests.
const PERIODS_LEAST: u64 = 5;
/// Shortest rest in a sweep, s.
const REST_LEAST: f64 = 0.3;
/// How far the duty may wander at rest, at least, and in times of its jitter.
const WANDER: f64 = 0.004;
const WANDER_JITTERS: f64 = 6.0;
/// A band is this many standard deviations wider than the means in it.
const BAND_DEVIATIONS: f64 = 3.0;
/// What is proposed is a whole number of these.
const ROUNDED_TO: f64 = 1e-4;

/// A time at which the lever stood still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rest {
    /// Where it stood: -1 full retract, 0 neutral, 1 full extend. None: somewhere between.
    pub lever: Option<f64>,
    /// From when, s.
    pub from: f64,
    /// Until when, s.
    pub until: f64,
    /// The duty while it did.
    pub duty: Spread,
}

/// What the lever's signal says. Duties are shares of the period.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LeverMap {
    /// Where the signal rested.
    pub rests: Vec<RestRow>,
    /// Least and greatest duty in neutral, with what it jitters by.
    pub neutral_band: [f64; 2],
    /// The same at full retract.
    pub retract_band: [f64; 2],
    /// The same at full extend.
    pub extend_band: [f64; 2],
    /// How far the rests between neutral and the ends are off the straight lines there, percent of the way, at most. None without any.
    pub off_straight_percent: Option<f64>,
    /// Half of the neutral band as a share of the shorter way to an end: a station's `dead_zone` must be more.
    pub dead_zone_least: f64,
    /// What is proposed for the machine file.
    pub channel: Channel,
}

/// A rest.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RestRow {
    /// Where the lever stood, -1 to 1. None: somewhere between.
    pub lever: Option<f64>,
    /// From when, s.
    pub from_s: f64,
    /// Until when, s.
    pub until_s: f64,
    /// Mean duty.
    pub duty: f64,
    /// Its standard deviation.
    pub jitter: f64,
    /// Periods.
    pub periods: u64,
}

/// A `channel` block of a machine file.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Channel {
    /// The duty that means "stay".
    pub neutral: f64,
    /// Least and greatest duty.
    pub band: [f64; 2],
    /// A rising duty retracts.
    pub reversed: bool,
}

impl Channel {
    /// As it stands in a machine file.
    pub fn toml(&self) -> String {
        let reversed = if self.reversed { ", reversed = true" } else { "" };
        let [low, high] = self.band;
        format!(
            "{{ neutral = {:?}, band = [{low:?}, {high:?}]{reversed} }}",
            self.neutral
        )
    }
}

/// Collects the duties under marks, period by period.
#[derive(Debug)]
pub struct Marked(Vec<Rest>);

impl Marked {
    /// For these marks.
    pub fn new(marks: &[Mark]) -> Marked {
        let rest = |mark: &Mark| Rest {
            lever: Some(mark.lever),
            from: mark.from,
            until: mark.until,
            duty: Spread::default(),
        };
        Marked(marks.iter().map(rest).collect())
    }

    /// One period: it counts to the marks that it lies in as a whole.
    #[inline]
    pub fn push(&mut self, pulse: &Pulse) {
        for rest in &mut self.0 {
            if rest.from <= pulse.from && pulse.until <= rest.until {
                rest.duty.push(pulse.duty);
            }
        }
    }

    /// The rests.
    pub fn rests(self) -> Vec<Rest> {
        self.0
    }
}

/// The rests of a sweep. `jitter` is that of the duty.
///
/// # Errors
/// What was found, and what is wanted, where it is no sweep.
pub fn sweep(track: &Track, jitter: f64) -> Result<Vec<Rest>, (String, String)> {
    let wander = WANDER.max(WANDER_JITTERS * jitter);
    let mut rests = rests(track, wander);
    let wanted = "a lever that rests in neutral, at full extend, in neutral, at full retract and in neutral, each for half a second";
    let Some(neutral) = rests.first().map(|rest| rest.duty.mean) else {
        return Err(("a signal that never rests".to_owned(), wanted.to_owned()));
    };
    let mean = |rest: &Rest| rest.duty.mean;
    let (low, high) = range(rests.iter().map(mean));
    let near = (0.05 * (high - low)).max(wander);
    let place = |duty: f64, at: f64| (duty - at).abs() <= near;
    let first_end = rests
        .iter()
        .map(mean)
        .find(|&duty| !place(duty, neutral) && (place(duty, low) || place(duty, high)));
    let both = !place(low, neutral) && !place(high, neutral);
    let Some(first_end) = first_end.filter(|_| both) else {
        let found = format!(
            "{} rests, at duties from {low:.4} to {high:.4}, the first at {neutral:.4}",
            rests.len()
        );
        return Err((found, wanted.to_owned()));
    };
    let extends_up = place(first_end, high);
    for rest in &mut rests {
        let duty = rest.duty.mean;
        let at_end = |up: bool| if up == extends_up { 1.0 } else { -1.0 };
        rest.lever = [(neutral, 0.0), (high, at_end(true)), (low, at_end(false))]
            .into_iter()
            .find(|(at, _)| place(duty, *at))
            .map(|(_, lever)| lever);
    }
    let beyond = |(_, _, piece): &(f64, f64, &Spread)| piece.mean < low - near || piece.mean > high + near;
    if let Some((from, _, piece)) = track.pieces().find(beyond) {
        let found = format!("a duty of {:.4} at {from:.2} s, beyond every rest", piece.mean);
        return Err((found, wanted.to_owned()));
    }
    Ok(rests)
}

/// Where the duty stays for a while.
fn rests(track: &Track, wander: f64) -> Vec<Rest> {
    let pieces: Vec<_> = track.pieces().collect();
    let mut found = Vec::new();
    let mut first = 0;
    while first < pieces.len() {
        let mut run = Spread::default();
        let stays = |(_, _, piece): &&(f64, f64, &Spread)| {
            let stays = run.count == 0 || (piece.mean - run.mean).abs() <= wander;
            run = if stays { run.joined(**piece) } else { run };
            stays
        };
        let length = pieces[first..].iter().take_while(stays).count();
        found.extend(rest(&pieces[first..first + length], wander));
        first += length;
    }
    found
}

/// The middle four fifths of some pieces as a rest, unless they are too few, or on the way from one duty to another.
fn rest(pieces: &[(f64, f64, &Spread)], wander: f64) -> Option<Rest> {
    let edge = pieces.len() / 10;
    let pieces = &pieces[edge..pieces.len() - edge];
    let joined =
        |pieces: &[(f64, f64, &Spread)]| pieces.iter().fold(Spread::default(), |sum, piece| sum.joined(*piece.2));
    let (one, other) = pieces.split_at(pieces.len() / 2);
    let drifts = (joined(one).mean - joined(other).mean).abs() > wander / 3.0 && !one.is_empty();
    let rest = Rest {
        lever: None,
        from: pieces.first()?.0,
        until: pieces.last()?.1,
        duty: joined(pieces),
    };
    let long = rest.until - rest.from >= 0.8 * REST_LEAST && rest.duty.count >= PERIODS_LEAST;
    (long && !drifts).then_some(rest)
}

/// What the rests say of the lever.
///
/// # Errors
/// Everything that keeps them from saying it: what was found, and what is wanted.
pub fn map(rests: &[Rest]) -> Result<LeverMap, Vec<(String, String)>> {
    let mut wrong = Vec::new();
    for rest in rests.iter().filter(|rest| rest.duty.count < PERIODS_LEAST) {
        let found = format!("{} periods from {} to {} s", rest.duty.count, rest.from, rest.until);
        wrong.push((found, format!("at least {PERIODS_LEAST} under a mark")));
    }
    let at = |lever: f64| {
        rests
            .iter()
            .filter(move |rest| rest.lever == Some(lever) && rest.duty.count > 0)
    };
    for (lever, name) in [(0.0, "neutral"), (1.0, "extend"), (-1.0, "retract")] {
        if at(lever).next().is_none() {
            wrong.push((
                format!("no mark at {name}"),
                "marks at neutral, extend and retract".to_owned(),
            ));
        }
    }
    if !wrong.is_empty() {
        return Err(wrong);
    }
    let band = |lever: f64| {
        let ends = |rest: &Rest| {
            let around = BAND_DEVIATIONS * rest.duty.deviation();
            [rest.duty.mean - around, rest.duty.mean + around]
        };
        let (low, high) = range(at(lever).flat_map(ends));
        [low, high]
    };
    let [neutral_band, retract_band, extend_band] = [0.0, -1.0, 1.0].map(band);
    let means = |lever: f64| range(at(lever).map(|rest| rest.duty.mean));
    let middle = |(low, high): (f64, f64)| f64::midpoint(low, high);
    let [neutral, retract, extend] = [0.0, -1.0, 1.0].map(|lever| middle(means(lever)));
    let apart = |one: [f64; 2], other: [f64; 2]| one[1] < other[0] || other[1] < one[0];
    let between = (neutral > retract) == (extend > neutral);
    if !between || !apart(neutral_band, retract_band) || !apart(neutral_band, extend_band) {
        let found = format!("duties of {retract:.4} at retract, {neutral:.4} at neutral, {extend:.4} at extend");
        return Err(vec![(
            found,
            "neutral between the ends, and apart from both".to_owned(),
        )]);
    }
    let rising = extend > retract;
    let mut between: Vec<&Rest> = rests.iter().filter(|rest| rest.lever.is_some()).collect();
    between.sort_by(|one, other| one.lever.partial_cmp(&other.lever).unwrap_or(std::cmp::Ordering::Equal));
    let turns = |pair: &&[&Rest]| pair[0].lever < pair[1].lever && (pair[0].duty.mean < pair[1].duty.mean) != rising;
    if let Some(pair) = between.windows(2).find(turns) {
        let [one, other] =
            [pair[0], pair[1]].map(|rest| format!("{:.4} at {}", rest.duty.mean, rest.lever.unwrap_or(f64::NAN)));
        let way = if rising { "rises" } else { "falls" };
        return Err(vec![(
            format!("duties of {one} and {other}"),
            format!("a duty that {way} with the lever all the way"),
        )]);
    }
    let off = rests.iter().filter_map(|rest| {
        let lever = rest.lever.filter(|lever| !matches!(lever.abs(), 0.0 | 1.0))?;
        let end = if lever > 0.0 { extend } else { retract };
        Some(((rest.duty.mean - neutral) / (end - neutral) - lever.abs()).abs() * 100.0)
    });
    let shorter_way = (extend - neutral).abs().min((retract - neutral).abs());
    // The end that the lever itself is sure to reach, every time.
    let low = if rising { means(-1.0).1 } else { means(1.0).1 };
    let high = if rising { means(1.0).0 } else { means(-1.0).0 };
    Ok(LeverMap {
        rests: rests.iter().map(row).collect(),
        neutral_band,
        retract_band,
        extend_band,
        off_straight_percent: off.reduce(f64::max),
        dead_zone_least: (neutral_band[1] - neutral_band[0]) / 2.0 / shorter_way,
        channel: Channel {
            neutral: rounded(neutral, f64::round),
            band: [rounded(low, f64::ceil), rounded(high, f64::floor)],
            reversed: !rising,
        },
    })
}

fn row(rest: &Rest) -> RestRow {
    RestRow {
        lever: rest.lever,
        from_s: rest.from,
        until_s: rest.until,
        duty: rest.duty.mean,
        jitter: rest.duty.deviation(),
        periods: rest.duty.count,
    }
}

/// A whole number of ten-thousandths. Noise of a thousandth of one must not tip it over.
fn rounded(duty: f64, round: impl Fn(f64) -> f64) -> f64 {
    let steps = (duty / ROUNDED_TO * 1e3).round() / 1e3;
    // Divided by a whole number, so that it prints without a tail.
    round(steps) / (1.0 / ROUNDED_TO).round()
}

fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
        (low.min(value), high.max(value))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rest(lever: f64, duty: f64) -> Rest {
        let mut spread = Spread::default();
        for number in 0..20 {
            spread.push(duty + if number % 2 == 0 { 0.001 } else { -0.001 });
        }
        Rest {
            lever: Some(lever),
            from: 0.0,
            until: 1.0,
            duty: spread,
        }
    }

    #[test]
    fn three_rests_make_a_channel() {
        let found = map(&[rest(0.0, 0.5), rest(1.0, 0.75), rest(-1.0, 0.25), rest(0.0, 0.504)]).unwrap();
        assert_eq!(found.channel.toml(), "{ neutral = 0.502, band = [0.25, 0.75] }");
        assert!((found.neutral_band[0] - 0.4969).abs() < 1e-4 && (found.neutral_band[1] - 0.5071).abs() < 1e-4);
        assert!((found.dead_zone_least - 0.0205).abs() < 1e-3 && found.off_straight_percent.is_none());
        let found = map(&[rest(0.0, 0.5), rest(1.0, 0.2), rest(-1.0, 0.9), rest(0.5, 0.32)]).unwrap();
        assert_eq!(
            found.channel.toml(),
            "{ neutral = 0.5, band = [0.2, 0.9], reversed = true }"
        );
        assert!((found.off_straight_percent.unwrap() - 10.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_no_lever_says_why() {
        let said = |rests: &[Rest]| {
            map(rests)
                .unwrap_err()
                .iter()
                .map(|(found, _)| found.clone())
                .collect::<Vec<_>>()
        };
        assert_eq!(said(&[rest(0.0, 0.5)]), ["no mark at extend", "no mark at retract"]);
        assert!(said(&[rest(0.0, 0.5), rest(1.0, 0.7), rest(-1.0, 0.6)])[0].starts_with("duties of 0.6000 at retract"));
        assert!(said(&[rest(0.0, 0.5), rest(1.0, 0.501), rest(-1.0, 0.3)])[0].contains("0.5010 at extend"));
        let turns = [rest(0.0, 0.5), rest(1.0, 0.7), rest(0.5, 0.8), rest(-1.0, 0.3)];
        assert_eq!(said(&turns), ["duties of 0.8000 at 0.5 and 0.7000 at 1"]);
        let mut short = rest(0.0, 0.5);
        short.duty = Spread::default();
        assert_eq!(said(&[short])[0], "0 periods from 0 to 1 s");
    }

    /// A sweep over the given corners (time, duty), at 100 Hz.
    fn track(corners: &[(f64, f64)]) -> Track {
        let mut track = Track::new(0.0, 0.01);
        let end = corners.last().unwrap().0;
        let mut from = 0.0;
        while from < end {
            let pair = corners.windows(2).find(|pair| pair[1].0 > from).unwrap();
            let share = (from - pair[0].0) / (pair[1].0 - pair[0].0);
            let duty = pair[0].1 + share * (pair[1].1 - pair[0].1);
            track.push(&Pulse {
                from,
                until: from + 0.01,
                duty,
            });
            from += 0.01;
        }
        track
    }

    #[test]
    fn a_sweep_is_understood_either_way_up() {
        for up in [1.0, -1.0] {
            // Thirty seconds from end to end: slower than anybody would.
            let at = |duty: f64| 0.5 + up * duty;
            let corners = [
                (0.0, 0.0),
                (1.0, 0.0),
                (16.0, 0.3),
                (17.0, 0.3),
                (18.0, 0.0),
                (19.0, 0.0),
                (21.0, -0.4),
                (22.0, -0.4),
                (23.0, 0.01),
                (24.0, 0.01),
            ];
            let corners = corners.map(|(time, duty)| (time, at(duty)));
            let rests = sweep(&track(&corners), 0.0).unwrap();
            let levers: Vec<_> = rests.iter().map(|rest| rest.lever).collect();
            assert_eq!(
                levers,
                [Some(0.0), Some(1.0), Some(0.0), Some(-1.0), Some(0.0)],
                "{rests:?}"
            );
            let channel = map(&rests).unwrap().channel;
            assert_eq!(channel.reversed, up < 0.0);
            let wanted = if up > 0.0 { [0.1, 0.8] } else { [0.2, 0.9] };
            assert!(
                (channel.band[0] - wanted[0]).abs() < 1e-3 && (channel.band[1] - wanted[1]).abs() < 1e-3,
                "{channel:?}"
            );
            assert!((channel.neutral - at(0.005)).abs() < 1e-3, "{channel:?}");
        }
    }

    #[test]
    fn half_a_sweep_is_none() {
        let corners = [(0.0, 0.5), (1.0, 0.5), (4.0, 0.8), (5.0, 0.8), (6.0, 0.5), (7.0, 0.5)];
        let (found, wanted) = sweep(&track(&corners), 0.0).unwrap_err();
        assert!(
            found.starts_with("3 rests") && wanted.contains("full retract"),
            "{found}"
        );
        let (found, _) = sweep(&track(&[(0.0, 0.2), (10.0, 0.8)]), 0.0).unwrap_err();
        assert_eq!(found, "a signal that never rests");
    }
}
