//! Figures that are kept while a capture goes by, in memory that does not grow with it.

use super::pulses::Pulse;

/// Mean, spread and range of a number, kept by the update of B. P. Welford, Note on a method for calculating corrected sums of squares and
/// products, Technometrics 4 (1962), which loses no digits to a large mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// How many.
    pub count: u64,
    /// Their mean.
    pub mean: f64,
    squares: f64,
    /// The least.
    pub least: f64,
    /// The greatest.
    pub greatest: f64,
}

impl Default for Spread {
    fn default() -> Self {
        Spread {
            count: 0,
            mean: 0.0,
            squares: 0.0,
            least: f64::INFINITY,
            greatest: f64::NEG_INFINITY,
        }
    }
}

impl Spread {
    /// One more.
    pub fn push(&mut self, value: f64) {
        self.count += 1;
        let off = value - self.mean;
        self.mean += off / self.count as f64;
        self.squares += off * (value - self.mean);
        self.least = self.least.min(value);
        self.greatest = self.greatest.max(value);
    }

    /// Both together.
    pub fn joined(self, other: Spread) -> Spread {
        if self.count == 0 || other.count == 0 {
            return if self.count == 0 { other } else { self };
        }
        let (one, two) = (self.count as f64, other.count as f64);
        let off = other.mean - self.mean;
        Spread {
            count: self.count + other.count,
            mean: self.mean + off * two / (one + two),
            squares: self.squares + other.squares + off * off * one * two / (one + two),
            least: self.least.min(other.least),
            greatest: self.greatest.max(other.greatest),
        }
    }

    /// Standard deviation of a sample; 0 of fewer than two.
    pub fn deviation(&self) -> f64 {
        if self.count < 2 {
            0.0
        } else {
            (self.squares / (self.count - 1) as f64).sqrt()
        }
    }
}

/// Spread from one value to the next: of a number that also wanders slowly, only what is quick.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Jitter {
    before: Option<f64>,
    squares: f64,
    count: u64,
}

impl Jitter {
    /// One more value.
    pub fn push(&mut self, value: f64) {
        if let Some(before) = self.before.replace(value) {
            self.squares += (value - before).powi(2);
            self.count += 1;
        }
    }

    /// Root of half the mean square of the steps: the standard deviation of values that have nothing to do with each other.
    pub fn deviation(&self) -> f64 {
        if self.count == 0 {
            0.0
        } else {
            (self.squares / (2.0 * self.count as f64)).sqrt()
        }
    }
}

/// The duty over the whole capture, in at most [`Track::BINS`] pieces of equal length.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    from: f64,
    width: f64,
    bins: Vec<Spread>,
}

impl Track {
    /// Most pieces.
    pub const BINS: usize = 4096;

    /// One that begins at a time, s, with pieces of so many s.
    pub fn new(from: f64, width: f64) -> Track {
        Track {
            from,
            width,
            bins: Vec::new(),
        }
    }

    /// One more period. One before the beginning counts to it.
    pub fn push(&mut self, pulse: &Pulse) {
        loop {
            // A time before the beginning, or one that is not finite, gives the first piece.
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let place = ((pulse.from - self.from) / self.width) as usize;
            if place < Self::BINS {
                if self.bins.len() <= place {
                    self.bins.resize(place + 1, Spread::default());
                }
                self.bins[place].push(pulse.duty);
                return;
            }
            self.bins = self
                .bins
                .chunks(2)
                .map(|pair| pair.iter().fold(Spread::default(), |sum, bin| sum.joined(*bin)))
                .collect();
            self.width *= 2.0;
        }
    }

    /// The pieces in which there were periods: begin and end, s, and the duty.
    pub fn pieces(&self) -> impl Iterator<Item = (f64, f64, &Spread)> {
        let with_time = |(number, bin)| {
            let from = self.from + number as f64 * self.width;
            (from, from + self.width, bin)
        };
        self.bins
            .iter()
            .enumerate()
            .map(with_time)
            .filter(|(_, _, bin)| bin.count > 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spread(values: impl IntoIterator<Item = f64>) -> Spread {
        let mut spread = Spread::default();
        values.into_iter().for_each(|value| spread.push(value));
        spread
    }

    /// The Statistical Reference Datasets of NIST, univariate summary statistics, `NumAcc1` to `NumAcc4`: certified mean and standard deviation, exact by construction (from memory;
    /// the sets are defined by the few numbers here).
    #[test]
    fn mean_and_deviation_are_those_of_the_nist_sets() {
        let toggling = |base: f64| {
            let pairs = (0..500).flat_map(move |_| [base - 0.1, base + 0.1]);
            std::iter::once(base).chain(pairs)
        };
        let close = |spread: Spread, mean: f64, deviation: f64, within: f64| {
            assert!((spread.mean / mean - 1.0).abs() < 1e-14, "{spread:?}");
            assert!(
                (spread.deviation() / deviation - 1.0).abs() < within,
                "{} {deviation}",
                spread.deviation()
            );
        };
        close(spread([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, 1e-14);
        close(spread(toggling(1.2)), 1.2, 0.1, 1e-13);
        // The decimals of these two are not exact in binary: 0.1 beside a million has ten digits left, beside ten million nine.
        close(spread(toggling(1000000.2)), 1000000.2, 0.1, 1e-8);
        close(spread(toggling(10000000.2)), 10000000.2, 0.1, 1e-7);
    }

    #[test]
    fn parts_join_to_the_whole() {
        let value = |number: i32| f64::from(number * number % 17);
        let joined = spread((0..40).map(value)).joined(spread((40..100).map(value)));
        let whole = spread((0..100).map(value));
        assert!((joined.mean - whole.mean).abs() < 1e-12 && (joined.deviation() - whole.deviation()).abs() < 1e-12);
        assert_eq!(
            (joined.count, joined.least, joined.greatest),
            (whole.count, whole.least, whole.greatest)
        );
        assert_eq!(Spread::default().joined(whole), whole);
    }

    #[test]
    fn a_track_keeps_its_size_and_every_period() {
        let mut track = Track::new(10.0, 1.0);
        for number in 0..100_000 {
            let from = 10.0 + f64::from(number);
            track.push(&Pulse {
                from,
                until: from + 1.0,
                duty: f64::from(number % 2),
            });
        }
        assert!(track.bins.len() <= Track::BINS && track.width == 32.0);
        let all = track
            .pieces()
            .fold(Spread::default(), |sum, (_, _, bin)| sum.joined(*bin));
        assert_eq!((all.count, all.mean), (100_000, 0.5));
        assert_eq!(
            track.pieces().next().map(|piece| (piece.0, piece.1)),
            Some((10.0, 42.0))
        );
    }

    #[test]
    fn jitter_does_not_mind_a_slow_way() {
        let (mut jitter, mut whole) = (Jitter::default(), Spread::default());
        for number in 0..10_000 {
            let value = f64::from(number) * 1e-4 + if number % 4 < 2 { 0.01 } else { -0.01 };
            jitter.push(value);
            whole.push(value);
        }
        // Steps are 0 and 0.02 by turns: half their mean square is 0.0001.
        assert!((jitter.deviation() - 0.01).abs() < 1e-4 && whole.deviation() > 0.2);
    }
}
