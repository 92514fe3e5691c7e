//! From samples to edges: when the signal went from one level to the other.
//!
//! An edge is where the line through two samples passes the middle, and counts once the signal has gone beyond the middle by a fifth of the swing
//! ([`Levels::thresholds`]): noise on a slow edge makes no second one. In a list of changes an edge is where its row says. Where rows are missing
//! or time runs backwards nothing is known of the level between, and [`Event::Break`] says so.

use super::levels::Levels;

/// A step from one row to the next that is longer than so many usual ones is a gap.
const GAP: f64 = 1.5;

/// Something that happened in a capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// The signal rose or fell.
    Edge(Edge),
    /// What came before is not to be joined to what comes.
    Break,
}

/// A change of level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// When, s.
    pub at: f64,
    /// It went up.
    pub rising: bool,
    /// Line of the file.
    pub line: u64,
}

/// What can be wrong with the time of a row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Slip {
    /// It is before that of the row before.
    Backwards,
    /// It is that of the row before.
    Same,
    /// Rows are missing before it.
    Gap,
}

/// Finds the edges, row by row.
#[derive(Debug)]
pub struct Slicer {
    middle: f64,
    low: f64,
    high: f64,
    longest: f64,
    changes_only: bool,
    before: Option<(f64, f64)>,
    is_high: Option<bool>,
    /// When the signal last passed the middle.
    passed: f64,
}

impl Slicer {
    /// For a signal with these levels.
    pub fn new(levels: &Levels) -> Slicer {
        let (low, high) = levels.thresholds();
        Slicer {
            middle: levels.middle(),
            low,
            high,
            longest: if levels.changes_only {
                f64::INFINITY
            } else {
                GAP * levels.every
            },
            changes_only: levels.changes_only,
            before: None,
            is_high: None,
            passed: f64::NAN,
        }
    }

    /// The time of the row before, s.
    pub fn before(&self) -> Option<f64> {
        self.before.map(|(time, _)| time)
    }

    /// One row: what is wrong with its time, and the edge that it completes.
    #[inline]
    pub fn step(&mut self, line: u64, time: f64, volt: f64) -> (Option<Slip>, Option<Edge>) {
        let Some((before, volt_before)) = self.before.replace((time, volt)) else {
            self.settle(volt);
            return (None, None);
        };
        let every = time - before;
        if every <= 0.0 || every > self.longest {
            let slip = if every > 0.0 {
                Slip::Gap
            } else if every < 0.0 {
                Slip::Backwards
            } else {
                // An edge between two rows of one time is still an edge.
                return (Some(Slip::Same), self.edge(line, time, volt, (before, volt_before)));
            };
            self.is_high = None;
            self.settle(volt);
            return (Some(slip), None);
        }
        (None, self.edge(line, time, volt, (before, volt_before)))
    }

    #[inline]
    fn edge(&mut self, line: u64, time: f64, volt: f64, (before, volt_before): (f64, f64)) -> Option<Edge> {
        if (volt > self.middle) != (volt_before > self.middle) {
            self.passed = if self.changes_only {
                time
            } else {
                before + (time - before) * (self.middle - volt_before) / (volt - volt_before)
            };
        }
        let rising = if volt > self.high {
            true
        } else if volt < self.low {
            false
        } else {
            return None;
        };
        let was = self.is_high.replace(rising)?;
        (was != rising).then_some(Edge {
            at: self.passed,
            rising,
            line,
        })
    }

    /// Takes up a level without an edge.
    fn settle(&mut self, volt: f64) {
        if volt > self.high || volt < self.low {
            self.is_high = Some(volt > self.high);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn levels(changes_only: bool) -> Levels {
        Levels {
            low: 0.0,
            high: 5.0,
            every: 1.0,
            changes_only,
            clipped: None,
        }
    }

    fn edges(levels: &Levels, rows: &[(f64, f64)]) -> Vec<(f64, bool)> {
        let mut slicer = Slicer::new(levels);
        let step = |&(time, volt): &(f64, f64)| slicer.step(0, time, volt).1.map(|edge| (edge.at, edge.rising));
        rows.iter().filter_map(step).collect()
    }

    #[test]
    fn an_edge_is_where_the_line_passes_the_middle() {
        let rows = [(0.0, 0.0), (1.0, 0.0), (2.0, 5.0), (3.0, 5.0), (4.0, 1.0), (5.0, 0.0)];
        assert_eq!(edges(&levels(false), &rows), [(1.5, true), (3.625, false)]);
        let rows = [(0.0, 5.0), (7.0, 0.0), (9.0, 5.0)];
        assert_eq!(edges(&levels(true), &rows), [(7.0, false), (9.0, true)]);
    }

    #[test]
    fn noise_on_a_slow_edge_makes_one_edge() {
        let volts = [0.0, 1.0, 2.0, 2.7, 2.2, 2.8, 2.4, 3.0, 4.0, 5.0, 3.0, 2.1, 5.0];
        let rows: Vec<_> = volts.iter().enumerate().map(|(at, volt)| (at as f64, *volt)).collect();
        let found = edges(&levels(false), &rows);
        assert_eq!(found.len(), 1);
        assert!(found[0].1 && (found[0].0 - 6.167).abs() < 0.001, "{found:?}");
    }

    #[test]
    fn what_is_wrong_with_time_is_told_and_makes_no_edge() {
        let mut slicer = Slicer::new(&levels(false));
        let mut step = |time, volt| slicer.step(0, time, volt);
        assert_eq!(step(0.0, 0.0), (None, None));
        assert_eq!(step(1.4, 0.0), (None, None));
        assert_eq!(step(3.0, 5.0), (Some(Slip::Gap), None));
        assert_eq!(step(2.0, 0.0), (Some(Slip::Backwards), None));
        assert_eq!(step(2.0, 0.0), (Some(Slip::Same), None));
        assert!(step(3.0, 5.0).1.is_some_and(|edge| edge.rising));
    }
}
