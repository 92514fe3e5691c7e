//! How figures of many runs are spread, in tables of a fixed size.

use std::collections::BTreeMap;

use crate::prove::outcome::{Outcome, Verdict};

/// Bars in a decade of a histogram.
pub const PER_DECADE: usize = 10;
/// Decades of a histogram, from 1 on.
pub const DECADES: usize = 5;

/// Runs are shown as one spot where they came as near within this, mm, at a speed within that, mm/s.
const SPOT: (f64, f64) = (20.0, 25.0);
/// Further or faster than this many spots is the last one: it is not what the picture is about.
const SPOTS: (f64, f64) = (75.0, 120.0);

/// How often a figure lay in which tenth of a decade.
#[derive(Debug, Clone, PartialEq)]
pub struct Histogram {
    /// How often, the least first. What is below 1 is in the first, what is above all decades in the last.
    pub bars: [u64; PER_DECADE * DECADES],
    /// The greatest figure.
    pub greatest: f64,
}

impl Default for Histogram {
    fn default() -> Self {
        Self {
            bars: [0; PER_DECADE * DECADES],
            greatest: 0.0,
        }
    }
}

impl Histogram {
    fn add(&mut self, figure: f64) {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "from 0 on; what is too great is the last"
        )]
        let bar = (figure.max(1.0).log10() * PER_DECADE as f64) as usize;
        self.bars[bar.min(PER_DECADE * DECADES - 1)] += 1;
        self.greatest = self.greatest.max(figure);
    }

    /// Where a bar begins.
    pub fn from(bar: usize) -> f64 {
        10_f64.powf(bar as f64 / PER_DECADE as f64)
    }

    /// How many figures.
    pub fn all(&self) -> u64 {
        self.bars.iter().sum()
    }
}

/// Runs that came about as near to a zone at about the same speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// How many.
    pub runs: u64,
    /// Those of them that failed.
    pub failed: u64,
    /// The nearest of them, mm.
    pub nearest: f64,
    /// The speed of its fastest tip there, mm/s.
    pub speed: f64,
}

/// The figures of the runs on one machine.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spread {
    /// From fault to notice, ms, where all that was put in shows at once.
    pub noticed: Histogram,
    /// The same where it shows only in what the machine is asked for.
    pub noticed_later: Histogram,
    /// From notice to rest, ms.
    pub rest: Histogram,
    /// How far a tip moved on, mm.
    pub travel: Histogram,
    /// Clearance and speed.
    pub spots: BTreeMap<(i32, i32), Spot>,
}

impl Spread {
    /// Takes in a run; `always` where all that was put in shows at once.
    pub fn add(&mut self, outcome: &Outcome, always: bool) {
        if let Some(noticed) = outcome.noticed_ms {
            let histogram = if always {
                &mut self.noticed
            } else {
                &mut self.noticed_later
            };
            histogram.add(noticed);
            if let Some(stopped) = outcome.stopped_ms {
                self.rest.add(stopped - noticed);
            }
        }
        if let Some(travel) = outcome.travel_mm {
            self.travel.add(travel);
        }
        if let Some((nearest, speed)) = outcome.nearest_mm.zip(outcome.speed_there_mm_s) {
            #[allow(clippy::cast_possible_truncation, reason = "clamped to what fits")]
            let steps = |value: f64, size: f64, most: f64| (value / size).floor().clamp(-most, most) as i32;
            let place = (steps(nearest, SPOT.0, SPOTS.0), steps(speed, SPOT.1, SPOTS.1));
            let spot = self.spots.entry(place).or_insert(Spot {
                runs: 0,
                failed: 0,
                nearest,
                speed,
            });
            spot.runs += 1;
            spot.failed += u64::from(outcome.verdict == Verdict::Failed);
            if nearest < spot.nearest {
                (spot.nearest, spot.speed) = (nearest, speed);
            }
        }
    }
}
