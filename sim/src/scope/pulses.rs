//! From edges to periods: from one rise to the next, how long, and which share of it high. What is too short is a glitch, what is too long a gap
//! where pulses are missing; neither is counted as a period.

use super::edges::{Edge, Event};
use super::levels::median;

/// So many edges are kept back until the usual period is known, the median of theirs.
const KEPT_BACK: usize = 4096;
/// A level that lasts less than this share of a period is a glitch: no hand lever goes so far out.
pub const GLITCH: f64 = 0.02;
/// A period that is longer than so many usual ones lacks pulses, one that is shorter has one too many.
const LONG: f64 = 1.5;
const SHORT: f64 = 0.5;

/// One period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pulse {
    /// When it began, s.
    pub from: f64,
    /// When it ended, s.
    pub until: f64,
    /// Share of it that was high.
    pub duty: f64,
}

/// Something that is no period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Odd {
    /// What.
    pub kind: OddKind,
    /// When, s.
    pub at: f64,
    /// How long, s.
    pub lasts: f64,
    /// The level was high.
    pub high: bool,
    /// Line of the file.
    pub line: u64,
}

/// What is no period.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OddKind {
    /// A level for less than [`GLITCH`] of a period.
    Glitch,
    /// So many pulses are missing.
    Missing(u64),
    /// A pulse too many.
    Extra,
}

/// What comes of edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Made {
    /// A period.
    Pulse(Pulse),
    /// Something else.
    Odd(Odd),
}

/// Makes periods of edges.
#[derive(Debug, Default)]
pub struct Pulses {
    kept_back: Vec<Event>,
    period: Option<f64>,
    /// The last edge: it may be the first of a glitch.
    pending: Option<Edge>,
    rise: Option<Edge>,
    fall: Option<Edge>,
}

impl Pulses {
    /// The usual period, s, once it is known.
    pub fn period(&self) -> Option<f64> {
        self.period
    }

    /// One event more; `take` is handed what has become of it and those before.
    pub fn step(&mut self, event: Event, mut take: impl FnMut(Made)) {
        if let Some(period) = self.period {
            self.go_on(event, period, &mut take);
            return;
        }
        self.kept_back.push(event);
        if self.kept_back.len() >= KEPT_BACK {
            self.begin(&mut take);
        }
    }

    /// There are no more events.
    pub fn finish(&mut self, mut take: impl FnMut(Made)) {
        self.begin(&mut take);
        if let (Some(period), Some(edge)) = (self.period, self.pending.take()) {
            self.taken(edge, period, &mut take);
        }
    }

    /// Finds the usual period, and goes through what was kept back.
    fn begin(&mut self, take: &mut impl FnMut(Made)) {
        let Some(period) = self.period.is_none().then(|| usual_period(&self.kept_back)).flatten() else {
            return;
        };
        self.period = Some(period);
        for event in std::mem::take(&mut self.kept_back) {
            self.go_on(event, period, take);
        }
    }

    fn go_on(&mut self, event: Event, period: f64, take: &mut impl FnMut(Made)) {
        let Event::Edge(edge) = event else {
            if let Some(edge) = self.pending.take() {
                self.taken(edge, period, take);
            }
            (self.rise, self.fall) = (None, None);
            return;
        };
        let Some(before) = self.pending.replace(edge) else {
            return;
        };
        let lasts = edge.at - before.at;
        if lasts < GLITCH * period {
            self.pending = None;
            take(Made::Odd(Odd {
                kind: OddKind::Glitch,
                at: before.at,
                lasts,
                high: before.rising,
                line: before.line,
            }));
        } else {
            self.taken(before, period, take);
        }
    }

    /// An edge that is no part of a glitch.
    fn taken(&mut self, edge: Edge, period: f64, take: &mut impl FnMut(Made)) {
        if !edge.rising {
            self.fall = Some(edge);
            return;
        }
        let (rise, fall) = (self.rise.replace(edge), self.fall.take());
        let (Some(rise), Some(fall)) = (rise, fall) else { return };
        let lasts = edge.at - rise.at;
        let odd = |kind, from: Edge| {
            Made::Odd(Odd {
                kind,
                at: from.at,
                lasts: edge.at - from.at,
                high: from.rising,
                line: from.line,
            })
        };
        take(if lasts > LONG * period {
            // At least one, or it would not have been too long.
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let missing = ((lasts / period).round() as u64).saturating_sub(1).max(1);
            let high_longer = fall.at - rise.at > edge.at - fall.at;
            odd(OddKind::Missing(missing), if high_longer { rise } else { fall })
        } else if lasts < SHORT * period {
            odd(OddKind::Extra, rise)
        } else {
            Made::Pulse(Pulse {
                from: rise.at,
                until: edge.at,
                duty: (fall.at - rise.at) / lasts,
            })
        });
    }
}

/// The median time from rise to rise. With a glitch in most periods that is too short by half; so what lasts too little for twice as long a
/// period is left out at a second look.
fn usual_period(events: &[Event]) -> Option<f64> {
    let first = median_rise(events, 0.0)?;
    median_rise(events, 2.0 * GLITCH * first).or(Some(first))
}

/// The same without levels that last less than so long, s.
fn median_rise(events: &[Event], shortest: f64) -> Option<f64> {
    let mut periods = Vec::new();
    for piece in events.split(|event| *event == Event::Break) {
        let mut kept: Vec<Edge> = Vec::new();
        for event in piece {
            let Event::Edge(edge) = event else { continue };
            if kept.last().is_some_and(|before| edge.at - before.at < shortest) {
                kept.pop();
            } else {
                kept.push(*edge);
            }
        }
        let rises: Vec<f64> = kept.iter().filter(|edge| edge.rising).map(|edge| edge.at).collect();
        periods.extend(rises.windows(2).map(|pair| pair[1] - pair[0]));
    }
    (!periods.is_empty()).then(|| median(periods))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(edges: impl IntoIterator<Item = (f64, bool)>) -> (Vec<Pulse>, Vec<Odd>) {
        let (mut pulses, mut odd) = (Vec::new(), Vec::new());
        let mut take = |made| match made {
            Made::Pulse(pulse) => pulses.push(pulse),
            Made::Odd(what) => odd.push(what),
        };
        let mut maker = Pulses::default();
        for (at, rising) in edges {
            let event = if at.is_nan() {
                Event::Break
            } else {
                Event::Edge(Edge { at, rising, line: 0 })
            };
            maker.step(event, &mut take);
        }
        maker.finish(&mut take);
        (pulses, odd)
    }

    fn train(from: i32, until: i32) -> impl Iterator<Item = (f64, bool)> {
        (from..until).flat_map(|number| [(f64::from(number), true), (f64::from(number) + 0.25, false)])
    }

    #[test]
    fn a_train_is_its_periods() {
        let (pulses, odd) = made(train(0, 6000));
        assert_eq!((pulses.len(), odd.len()), (5999, 0));
        assert!(
            pulses
                .iter()
                .all(|pulse| pulse.duty == 0.25 && pulse.until - pulse.from == 1.0)
        );
    }

    #[test]
    fn glitches_are_named_and_change_nothing() {
        let up = [(3.6, true), (3.61, false)];
        let down = [(4.1, false), (4.115, true)];
        let mut edges: Vec<_> = train(0, 10).chain(up).chain(down).collect();
        edges.sort_by(|one, other| one.0.total_cmp(&other.0));
        let (pulses, odd) = made(edges);
        assert_eq!(pulses, made(train(0, 10)).0);
        let found: Vec<_> = odd.iter().map(|odd| (odd.kind, odd.at, odd.high)).collect();
        assert_eq!(found, [(OddKind::Glitch, 3.6, true), (OddKind::Glitch, 4.1, false)]);
    }

    #[test]
    fn many_glitches_do_not_halve_the_period() {
        let glitches = (0..1000)
            .map(f64::from)
            .flat_map(|at| [(at + 0.5, true), (at + 0.51, false)]);
        let mut edges: Vec<_> = train(0, 1000).chain(glitches).collect();
        edges.sort_by(|one, other| one.0.total_cmp(&other.0));
        let (pulses, odd) = made(edges);
        assert_eq!((pulses.len(), odd.len()), (999, 1000));
    }

    #[test]
    fn missing_pulses_are_counted() {
        let (pulses, odd) = made(train(0, 5).chain(train(8, 12)));
        assert_eq!(pulses.len(), 7);
        assert_eq!(
            (odd[0].kind, odd[0].at, odd[0].high),
            (OddKind::Missing(3), 4.25, false)
        );
        let (_, odd) = made(train(0, 5).chain([(5.0, true), (9.25, false)]).chain(train(10, 12)));
        assert_eq!((odd[0].kind, odd[0].high), (OddKind::Missing(4), true));
    }

    #[test]
    fn nothing_is_joined_over_a_break() {
        let broken = train(0, 5).chain([(f64::NAN, false)]).chain(train(100, 105));
        let (pulses, odd) = made(broken);
        assert_eq!((pulses.len(), odd.len()), (8, 0));
        let (pulses, odd) = made(
            train(0, 5)
                .chain([(5.0, true), (5.2, false), (5.4, true), (5.65, false)])
                .chain(train(6, 9)),
        );
        assert_eq!((pulses.len(), odd.len()), (8, 1));
        assert_eq!(odd[0].kind, OddKind::Extra);
    }
}
