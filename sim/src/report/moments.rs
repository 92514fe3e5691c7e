//! The moments of a rehearsal that pictures are drawn of and charts are marked at.

use super::Rehearsed;
use crate::scenario::Act;
use crate::trace::{Sample, Trace};

/// One moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// When, s.
    pub t: f64,
    /// What makes it one.
    pub kind: Kind,
}

/// What makes a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The rehearsal begins.
    Start,
    /// A lever is moved; nothing ever goes wrong.
    Moved,
    /// The lever is let go; nothing ever goes wrong.
    LetGo,
    /// Something goes wrong.
    Fault,
    /// The core notices.
    Noticed,
    /// Every tip is at rest for good.
    Rest,
    /// The rehearsal ends.
    End,
}

impl Kind {
    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Moved => "lever moved",
            Self::LetGo => "lever let go",
            Self::Fault => "fault",
            Self::Noticed => "noticed",
            Self::Rest => "at rest",
            Self::End => "end",
        }
    }

    /// The letter of its mark in a chart. None: charts do not mark it.
    pub fn letter(self) -> Option<char> {
        match self {
            Self::Start | Self::End => None,
            Self::Moved => Some('M'),
            Self::LetGo => Some('L'),
            Self::Fault => Some('F'),
            Self::Noticed => Some('N'),
            Self::Rest => Some('R'),
        }
    }

    /// The class of its mark in the style sheet.
    pub fn class(self) -> &'static str {
        match self {
            Self::Fault => "fault",
            Self::Noticed | Self::Moved => "noticed",
            Self::Start | Self::Rest | Self::LetGo | Self::End => "rest",
        }
    }
}

/// The moments of a rehearsal, in order: of what went wrong, or else of what the hands did.
pub fn of(rehearsed: &Rehearsed) -> Vec<Moment> {
    let (scenario, trace, found) = (rehearsed.scenario, rehearsed.trace, rehearsed.findings);
    let end = trace.samples.last().map_or(0.0, |sample| sample.t);
    let mut moments = vec![Moment {
        t: 0.0,
        kind: Kind::Start,
    }];
    let mut add = |kind, t: Option<f64>| moments.extend(t.map(|t| Moment { t, kind }));
    if let Some(fault) = found.fault_at_s {
        add(Kind::Fault, Some(fault));
        add(Kind::Noticed, found.noticed_after_s.map(|after| fault + after));
        add(Kind::Rest, found.stopped_after_s.map(|after| fault + after));
    } else {
        let hand = |wanted: fn(&Act) -> bool| scenario.hands.iter().find(|hand| wanted(&hand.act)).map(|hand| hand.at);
        let moved = hand(|act| {
            matches!(
                act,
                Act::Tip { .. } | Act::GoTo { .. } | Act::Circle { .. } | Act::Lever { .. }
            )
        });
        add(Kind::Moved, moved);
        add(
            Kind::LetGo,
            scenario.line().map(|line| line.end).filter(|&let_go| let_go < end),
        );
    }
    if !moments.iter().any(|moment| moment.kind == Kind::Rest) {
        moments.push(Moment {
            t: end,
            kind: Kind::End,
        });
    }
    moments.sort_by(|a, b| a.t.total_cmp(&b.t));
    moments
}

/// The first sample not before a time; the last one where there is none.
pub fn sample(trace: &Trace, t: f64) -> Option<&Sample> {
    trace.samples.get(index(trace, t)).or(trace.samples.last())
}

/// The number of the first sample not before a time.
pub fn index(trace: &Trace, t: f64) -> usize {
    trace.samples.partition_point(|sample| sample.t < t - 1e-9)
}
