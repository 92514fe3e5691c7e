//! The two levels of a signal, how far noise and the steps of a converter spread them, and how often there is a sample.

/// Bins of the histogram that the levels are told apart by.
const BINS: usize = 512;
/// So many times what a level spreads by must the two be apart. Square waves with noise are far above it; noise alone (2.6), a triangle (3.5)
/// and a sine (4.1) below.
const APART: f64 = 6.0;
/// Share of the swing, either side of the middle, that the signal must pass for an edge.
const HYSTERESIS: f64 = 0.2;

/// What a signal is like.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// The low level, V: the median of what is below the middle.
    pub low: f64,
    /// The high level, V.
    pub high: f64,
    /// Usual time between two rows, s.
    pub every: f64,
    /// Rows stand where the signal changes, and nowhere else: a logic analyser's list.
    pub changes_only: bool,
    /// The level that is cut off by the end of the instrument's range, V.
    pub clipped: Option<f64>,
}

/// Why there are none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoLevels {
    /// Least and greatest voltage, V.
    pub range: (f64, f64),
}

impl Levels {
    /// Finds the levels in rows from all over a capture.
    ///
    /// # Errors
    /// There are no two levels.
    pub fn of(places: &[Vec<(f64, f64)>]) -> Result<Levels, NoLevels> {
        let mut volts: Vec<f64> = places.iter().flatten().map(|row| row.1).collect();
        volts.sort_unstable_by(f64::total_cmp);
        let (Some(&least), Some(&greatest)) = (volts.first(), volts.last()) else {
            return Err(NoLevels { range: (0.0, 0.0) });
        };
        let none = NoLevels {
            range: (least, greatest),
        };
        // Spikes must not stretch the histogram.
        let (from, to) = (at_share(&volts, 0.002), at_share(&volts, 0.998));
        let (from, to) = if from < to { (from, to) } else { (least, greatest) };
        if from >= to {
            return Err(none);
        }
        let parting = parting(&volts, from, to);
        let (below, above) = volts.split_at(volts.partition_point(|&volt| volt <= parting));
        if below.is_empty() || above.is_empty() {
            return Err(none);
        }
        let (low, high) = (at_share(below, 0.5), at_share(above, 0.5));
        let spread = spread(below, low).hypot(spread(above, high));
        if high - low <= APART * spread / f64::sqrt(2.0) {
            return Err(none);
        }
        let steps: Vec<f64> = places
            .iter()
            .flat_map(|rows| rows.windows(2))
            .map(|pair| pair[1].0 - pair[0].0)
            .filter(|step| *step > 0.0)
            .collect();
        let mut levels = Levels {
            low,
            high,
            every: median(steps),
            changes_only: false,
            clipped: clipped(below, above),
        };
        levels.changes_only = levels.only_changes(places);
        Ok(levels)
    }

    /// Half way between the levels, V.
    pub fn middle(&self) -> f64 {
        f64::midpoint(self.low, self.high)
    }

    /// What the signal must fall below and rise above to have changed, V.
    pub fn thresholds(&self) -> (f64, f64) {
        let swing = HYSTERESIS * (self.high - self.low);
        (self.middle() - swing, self.middle() + swing)
    }

    /// Nine rows in ten are at the other level than the row before.
    fn only_changes(&self, places: &[Vec<(f64, f64)>]) -> bool {
        let pairs = || places.iter().flat_map(|rows| rows.windows(2));
        let side = |row: (f64, f64)| row.1 > self.middle();
        let changes = pairs().filter(|pair| side(pair[0]) != side(pair[1])).count();
        10 * changes >= 9 * pairs().count()
    }
}

/// The value that so large a share of a sorted list is not above.
fn at_share(sorted: &[f64], share: f64) -> f64 {
    // The list is not empty, and a share of it within it.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    sorted[((sorted.len() - 1) as f64 * share) as usize]
}

/// The middle of a list; 0 of an empty one.
pub(super) fn median(mut list: Vec<f64>) -> f64 {
    list.sort_unstable_by(f64::total_cmp);
    if list.is_empty() { 0.0 } else { at_share(&list, 0.5) }
}

/// Root mean square of the distance from a level, edges and spikes left out: the nearest nine tenths.
fn spread(values: &[f64], level: f64) -> f64 {
    let mut squares: Vec<f64> = values.iter().map(|value| (value - level).powi(2)).collect();
    squares.sort_unstable_by(f64::total_cmp);
    let nearest = &squares[..(squares.len() * 9).div_ceil(10)];
    (nearest.iter().sum::<f64>() / nearest.len() as f64).sqrt()
}

/// The voltage that parts two levels best: the greatest variance between the two sides (N. Otsu, A threshold selection method from gray-level
/// histograms, IEEE Trans. SMC 9 (1979), equation 16; from memory).
fn parting(sorted: &[f64], from: f64, to: f64) -> f64 {
    let mut bins = [(0.0, 0.0); BINS];
    for &volt in sorted {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let bin = (((volt - from) / (to - from)).clamp(0.0, 1.0) * (BINS - 1) as f64) as usize;
        bins[bin].0 += 1.0;
        bins[bin].1 += volt.clamp(from, to);
    }
    let all = bins.iter().fold((0.0, 0.0), |sum, bin| (sum.0 + bin.0, sum.1 + bin.1));
    let (mut below, mut best, mut first, mut last) = ((0.0, 0.0), 0.0, 0, 0);
    for (number, bin) in bins.iter().enumerate().take(BINS - 1) {
        below = (below.0 + bin.0, below.1 + bin.1);
        let above = (all.0 - below.0, all.1 - below.1);
        if below.0 == 0.0 || above.0 == 0.0 {
            continue;
        }
        let variance = below.0 * above.0 * (below.1 / below.0 - above.1 / above.0).powi(2);
        // Between two levels far apart many places are equally good: the middle of them is meant.
        if variance > best * (1.0 + 1e-9) {
            (best, first, last) = (variance, number, number);
        } else if variance >= best * (1.0 - 1e-9) {
            last = number;
        }
    }
    let place = f64::midpoint(first as f64, last as f64) + 1.0;
    from + (to - from) * place / (BINS - 1) as f64
}

/// A level that lies at the end of the range: two fifths of its samples are the very greatest (least) one, while the other level shows noise of
/// a step of the converter or more. With such noise the end of a level that is not cut off is a rare value.
fn clipped(below: &[f64], above: &[f64]) -> Option<f64> {
    let gap = |pair: &[f64]| Some(pair[1] - pair[0]).filter(|gap| *gap > 0.0);
    let gaps = |side: &[f64]| side.windows(2).filter_map(gap).fold(f64::INFINITY, f64::min);
    let step = gaps(below).min(gaps(above));
    let noisy = |side: &[f64]| spread(side, at_share(side, 0.5)) >= step;
    let at_end = |side: &[f64], end: f64| 5 * side.iter().filter(|volt| **volt == end).count() >= 2 * side.len();
    let (least, greatest) = (below[0], above[above.len() - 1]);
    if at_end(above, greatest) && noisy(below) {
        Some(greatest)
    } else if at_end(below, least) && noisy(above) {
        Some(least)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::RngExt;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    /// Ten thousand rows of a function of the phase, with noise.
    fn rows(noise: f64, signal: impl Fn(f64) -> f64) -> Vec<Vec<(f64, f64)>> {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let row = |number| {
            let phase = f64::from(number) / 1000.0;
            let noise = noise * (random.random_range(-1.0..1.0) + random.random_range(-1.0..1.0_f64));
            (f64::from(number) * 1e-5, signal(phase % 1.0) + noise)
        };
        vec![(0..10_000).map(row).collect()]
    }

    #[test]
    fn levels_are_found_at_any_duty() {
        for duty in [0.02, 0.1, 0.5, 0.9, 0.98] {
            let levels = Levels::of(&rows(0.1, |phase| if phase < duty { 4.7 } else { 0.2 })).unwrap();
            assert!(
                (levels.low - 0.2).abs() < 0.03 && (levels.high - 4.7).abs() < 0.03,
                "{duty}: {levels:?}"
            );
            assert!((levels.every - 1e-5).abs() < 1e-9 && !levels.changes_only && levels.clipped.is_none());
        }
    }

    #[test]
    fn what_has_no_two_levels_is_refused() {
        let sine = |phase: f64| (phase * std::f64::consts::TAU).sin();
        assert!(Levels::of(&rows(0.0, |_| 3.3)).is_err());
        assert!(Levels::of(&rows(0.1, |_| 3.3)).is_err());
        assert!(Levels::of(&rows(0.01, sine)).is_err());
        assert!(Levels::of(&rows(0.0, |phase| phase)).is_err());
        assert!(Levels::of(&[]).is_err());
    }

    #[test]
    fn a_level_that_is_cut_off_is_noticed_and_a_clean_one_is_not() {
        let square = |phase: f64| if phase < 0.4 { 5.0 } else { 0.0 };
        // In steps of a converter, 20 mV.
        let stepped = |rows: Vec<Vec<(f64, f64)>>, most: f64| {
            let step = |(time, volt): (f64, f64)| (time, ((volt / 0.02).round() * 0.02).min(most));
            vec![rows[0].iter().copied().map(step).collect::<Vec<_>>()]
        };
        let noisy = || rows(0.1, square);
        assert_eq!(Levels::of(&stepped(noisy(), 9.0)).unwrap().clipped, None);
        assert_eq!(Levels::of(&stepped(noisy(), 5.0)).unwrap().clipped, Some(5.0));
        assert_eq!(Levels::of(&stepped(noisy(), 4.0)).unwrap().clipped, Some(4.0));
        // Less noise than a step: every sample of a level is the same, and nothing is wrong.
        assert_eq!(Levels::of(&stepped(rows(0.002, square), 9.0)).unwrap().clipped, None);
    }
}
