//! Which share of what showed was detected, by subsystem, with the interval that so many runs allow.

use std::collections::BTreeMap;

use statrs::distribution::{Beta, ContinuousCDF};

use super::tally::{Count, Tally};
use crate::prove::catalogue::{CATALOGUE, Subsystem};
use crate::prove::outcome::Verdict;

/// Entries that are no faults: somebody wants the machine to stop. They would flatter a share.
pub const ASKED_FOR: [&str; 2] = ["hand's stop", "stop button"];

/// What lies outside the interval, both sides together.
const OUTSIDE: f64 = 0.05;

/// The bands of diagnostic coverage, each with the least that is in it (ISO 13849-1, table of diagnostic coverage).
const BANDS: [(f64, &str); 4] = [(0.99, "high"), (0.90, "medium"), (0.60, "low"), (0.0, "none")];

/// A share that was counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// How many did.
    pub did: u64,
    /// Of how many.
    pub of: u64,
}

impl Share {
    /// The share itself. None of nothing.
    pub fn value(self) -> Option<f64> {
        (self.of > 0).then(|| self.did as f64 / self.of as f64)
    }

    /// The exact 95 % interval of Clopper and Pearson (*Biometrika* 26, 1934; from memory), by quantiles of the beta distribution.
    pub fn interval(self) -> (f64, f64) {
        let (did, not) = (self.did as f64, (self.of - self.did) as f64);
        let quantile = |a: f64, b: f64, at: f64| Beta::new(a, b).map(|beta| beta.inverse_cdf(at));
        // At either end the distribution has no width: the end itself is meant.
        let low = quantile(did, not + 1.0, 0.5 * OUTSIDE).unwrap_or(0.0);
        let high = quantile(did + 1.0, not, 1.0 - 0.5 * OUTSIDE).unwrap_or(1.0);
        (low, high)
    }
}

/// The band that a share would lie in.
pub fn band(share: f64) -> &'static str {
    BANDS
        .iter()
        .find(|(least, _)| share >= *least)
        .map_or("none", |(_, name)| *name)
}

/// What was detected of one subsystem, in the runs with one fault.
#[derive(Debug, Clone, Copy)]
pub struct Detected {
    /// The subsystem.
    pub subsystem: Subsystem,
    /// What the core named something in, of what showed.
    pub noticed: Share,
    /// What ended well, of what showed: noticed in time, under a true name, stopped, and it stayed stopped.
    pub good: Share,
    /// Runs in which nothing showed.
    pub quiet: u64,
}

/// By subsystem, over all machines.
pub fn detected(tally: &Tally) -> Vec<Detected> {
    let mut sums: BTreeMap<Subsystem, Count> = BTreeMap::new();
    for (cell, count) in tally.machines.iter().flat_map(|machine| &machine.cells) {
        if let Some(entry) = CATALOGUE
            .get(cell.entry)
            .filter(|entry| !ASKED_FOR.contains(&entry.name))
        {
            let sum = sums.entry(entry.subsystem).or_default();
            *sum = sum.and(count);
        }
    }
    let of = |(subsystem, count): (Subsystem, Count)| {
        // A run that could not be run says nothing, and what did not show was not there to be detected.
        let showed = count.runs() - count.of(Verdict::Void) - count.of(Verdict::Quiet);
        let share = |did: u64| Share { did, of: showed };
        Detected {
            subsystem,
            noticed: share(count.noticed),
            good: share(count.of(Verdict::Good)),
            quiet: count.of(Verdict::Quiet),
        }
    };
    sums.into_iter().map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The chance of `did` or more of `of` when each has the chance `p`, term by term.
    fn at_least(did: u64, of: u64, p: f64) -> f64 {
        let mut term = (1.0 - p).powi(i32::try_from(of).unwrap());
        let mut sum = 0.0;
        for k in 0..=of {
            if k >= did {
                sum += term;
            }
            term *= (of - k) as f64 / (k + 1) as f64 * p / (1.0 - p);
        }
        sum
    }

    /// By what the interval is: at its ends, what was counted or more extreme has a chance of 2.5 %.
    #[test]
    fn the_interval_leaves_two_and_a_half_percent_on_either_side() {
        for (did, of) in [(1, 2), (3, 10), (5, 10), (9, 10), (59, 60), (120, 400)] {
            let (low, high) = Share { did, of }.interval();
            assert!((at_least(did, of, low) - 0.025).abs() < 1e-6, "{did} of {of}: {low}");
            assert!(
                (1.0 - at_least(did + 1, of, high) - 0.025).abs() < 1e-6,
                "{did} of {of}: {high}"
            );
        }
        for of in [1, 10, 300] {
            let (low, high) = Share { did: of, of }.interval();
            assert!((low - 0.025_f64.powf(1.0 / of as f64)).abs() < 1e-6 && high == 1.0);
            let (low, high) = Share { did: 0, of }.interval();
            assert!(low == 0.0 && (1.0 - high - 0.025_f64.powf(1.0 / of as f64)).abs() < 1e-6);
        }
    }

    /// PV-53: the ends of the bands.
    #[test]
    fn bands_begin_where_the_standard_has_them() {
        let at = [0.0, 0.599, 0.6, 0.899, 0.9, 0.989, 0.99, 1.0].map(band);
        assert_eq!(at, ["none", "none", "low", "low", "medium", "medium", "high", "high"]);
    }

    #[test]
    fn what_is_asked_for_is_in_the_catalogue() {
        for name in ASKED_FOR {
            assert!(CATALOGUE.iter().any(|entry| entry.name == name), "{name}");
        }
    }
}
