//! How well the loop keeps its time: how late turns begin, how long it is from one to the next, how long they take.

use std::fmt;

use hdrhistogram::{CreationError, Histogram};
use serde::Serialize;

/// Longest time that is told apart, µs.
const LONGEST: u64 = 10_000_000;
/// The shares of turns that are told.
const QUANTILES: [f64; 4] = [0.5, 0.99, 0.999, 1.0];

/// The times of one turn, µs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// How long after it was due it began.
    pub late: u64,
    /// Since the start of the one before. None for the first.
    pub period: Option<u64>,
    /// How long it took.
    pub took: u64,
    /// Turns that were left out before it.
    pub missed: u32,
}

/// All of them so far.
#[derive(Debug, Clone)]
pub struct Jitter {
    tick: u64,
    rows: [Histogram<u64>; 3],
    missed: u64,
    overruns: u64,
    /// Turns of which nobody took note.
    unseen: u64,
}

/// The same in numbers, for the status file.
#[derive(Debug, Serialize)]
pub struct JitterReport {
    turns: u64,
    missed: u64,
    overruns: u64,
    unseen: u64,
    late_us: Row,
    period_us: Row,
    took_us: Row,
}

/// Median, 99 of 100, 999 of 1000, longest.
#[derive(Debug, Serialize)]
struct Row([u64; QUANTILES.len()]);

impl Jitter {
    /// None so far. `tick` is the period, µs.
    ///
    /// # Errors
    /// There is no histogram of that size to be had.
    pub fn new(tick: u64) -> Result<Self, CreationError> {
        let empty = Histogram::new_with_bounds(1, LONGEST, 3)?;
        Ok(Self {
            tick,
            rows: [empty.clone(), empty.clone(), empty],
            missed: 0,
            overruns: 0,
            unseen: 0,
        })
    }

    /// Counts a turn.
    pub fn count(&mut self, times: &Times) {
        let [late, period, took] = &mut self.rows;
        late.saturating_record(times.late);
        if let Some(micros) = times.period {
            period.saturating_record(micros);
        }
        took.saturating_record(times.took);
        self.missed += u64::from(times.missed);
        self.overruns += u64::from(times.took > self.tick);
    }

    /// Counts turns of which there was no note to be taken.
    pub fn count_unseen(&mut self, turns: u64) {
        self.unseen += turns;
    }

    /// In numbers.
    pub fn report(&self) -> JitterReport {
        let [late_us, period_us, took_us] = self
            .rows
            .each_ref()
            .map(|row| Row(QUANTILES.map(|q| row.value_at_quantile(q))));
        JitterReport {
            turns: self.rows[0].len(),
            missed: self.missed,
            overruns: self.overruns,
            unseen: self.unseen,
            late_us,
            period_us,
            took_us,
        }
    }
}

impl fmt::Display for Jitter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let report = self.report();
        writeln!(
            f,
            "{} turns of {} us: {} longer than that, {} left out, {} of which no note was taken",
            report.turns, self.tick, report.overruns, report.missed, report.unseen
        )?;
        write!(
            f,
            "{:26}{:>9}{:>9}{:>9}{:>9}",
            "us", "median", "99 %", "99.9 %", "longest"
        )?;
        for (name, Row(row)) in [
            ("began late by", report.late_us),
            ("from start to start", report.period_us),
            ("took", report.took_us),
        ] {
            write!(f, "\n{name:26}")?;
            for micros in row {
                write!(f, "{micros:9}")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_longer_than_a_tick_is_an_overrun() {
        let mut jitter = Jitter::new(2000).unwrap();
        for (took, missed) in [(100, 0), (2000, 0), (2001, 0), (5000, 2)] {
            jitter.count(&Times {
                late: 10,
                period: Some(2000),
                took,
                missed,
            });
        }
        let report = jitter.report();
        assert_eq!((report.turns, report.overruns, report.missed), (4, 2, 2));
        assert_eq!(report.took_us.0[0], 2000);
        assert!(report.took_us.0[3].abs_diff(5000) <= 5);
    }

    #[test]
    fn it_prints_within_a_terminal() {
        let text = Jitter::new(2000).unwrap().to_string();
        assert!(
            text.lines().all(|line| line.len() <= 100) && text.lines().count() == 5,
            "{text}"
        );
    }
}
