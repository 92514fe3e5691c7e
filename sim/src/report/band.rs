//! The interlock's state over the time of a rehearsal, and the names of the marks: the head of its charts.

use bellcrank_core::supervise::State;
use maud::{Markup, html};

use super::chart::{self, LETTERS, RIGHT, WIDTH};
use super::moments::Moment;
use crate::trace::Trace;

const HEIGHT: u32 = 64;
/// From one row of names to the next.
const ROW: u32 = 46;
/// Width of a letter on average.
const LETTER_WIDTH: f64 = 0.56 * LETTERS as f64;
/// Width of the name of a mark at most.
const NAME_WIDTH: f64 = 22.0 * LETTER_WIDTH;

/// The interlock stays in one state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stay {
    /// The state.
    pub state: State,
    /// From when, s.
    pub from: f64,
    /// Until when, s.
    pub to: f64,
}

/// The states of a rehearsal, each until the next: together its whole time.
pub fn stays(trace: &Trace) -> Vec<Stay> {
    let end = trace.samples.last().map_or(0.0, |sample| sample.t);
    let mut stays: Vec<Stay> = Vec::new();
    for sample in &trace.samples {
        if let Some(stay) = stays.last_mut() {
            if stay.state == sample.state {
                continue;
            }
            stay.to = sample.t;
        }
        stays.push(Stay {
            state: sample.state,
            from: sample.t,
            to: end,
        });
    }
    stays
}

/// The band, drawn for each of the windows of time, with the marks named above it.
pub fn figure(trace: &Trace, windows: &[(f64, f64)], moments: &[Moment]) -> Markup {
    let stays = stays(trace);
    html! {
        figure class="chart" {
            figcaption { strong { "State of the interlock" } br; small { (told(&stays)) } }
            div class="windows" {
                @for &window in windows { (drawing(&cut(&stays, window), window, &chart::within(moments, window))) }
            }
        }
    }
}

/// What of the stays lies in a window of time.
fn cut(stays: &[Stay], window: (f64, f64)) -> Vec<Stay> {
    let cut = stays.iter().map(|stay| Stay {
        from: stay.from.max(window.0),
        to: stay.to.min(window.1),
        ..*stay
    });
    cut.filter(|stay| stay.from < stay.to).collect()
}

fn told(stays: &[Stay]) -> String {
    let told: Vec<_> = stays
        .iter()
        .map(|stay| format!("{} {:.2} to {:.2} s", stay.state, stay.from, stay.to))
        .collect();
    told.join(", ")
}

fn drawing(stays: &[Stay], window: (f64, f64), moments: &[Moment]) -> Markup {
    let marks = marks(moments, window);
    let top = ROW * u32::try_from(marks.len()).unwrap_or_default() + 12;
    html! {
        svg viewBox=(format!("0 0 {WIDTH} {}", top + HEIGHT + 6)) role="img" aria-label=(format!("State of the interlock: {}.", told(stays))) {
            @for stay in stays { (block(stay, window, top)) }
            @for mark in &marks { (mark.draw(top + HEIGHT)) }
            @for stay in stays { (name(stay, window, top)) }
        }
    }
}

fn block(stay: &Stay, window: (f64, f64), top: u32) -> Markup {
    let (from, to) = (chart::x_of(stay.from, window), chart::x_of(stay.to, window));
    let class = match stay.state {
        State::Enabled => "state-moving",
        State::Stopping => "state-ramping",
        State::Stopped | State::Fault => "state-latched",
        State::SelfTest | State::Standby | State::Ready => "state-waiting",
    };
    html! {
        rect class=(class) x=(format!("{from:.1}")) y=(top) width=(format!("{:.1}", to - from)) height=(HEIGHT) {}
    }
}

/// The name of a state, where it fits.
fn name(stay: &Stay, window: (f64, f64), top: u32) -> Markup {
    let (from, to) = (chart::x_of(stay.from, window), chart::x_of(stay.to, window));
    let name = stay.state.to_string();
    html! {
        @if LETTER_WIDTH * name.len() as f64 + 12.0 < to - from {
            text class="fill-text halo" x=(format!("{:.1}", f64::midpoint(from, to))) y=(top + 45) text-anchor="middle" font-size=(LETTERS) {
                (name)
            }
        }
    }
}

/// A mark: a line from its name down through the band.
struct Mark<'m> {
    moment: &'m Moment,
    letter: char,
    x: f64,
    row: u32,
    /// Its name stands to the left of its line, rather than to the right.
    left: bool,
}

/// The marks, each name in a row of its own that no other mark's line runs through: names to the right go down in order of time,
/// names to the left go up.
fn marks(moments: &[Moment], window: (f64, f64)) -> Vec<Mark<'_>> {
    let right_has_room = |x: f64| x + NAME_WIDTH < f64::from(RIGHT);
    let mut marks: Vec<_> = moments
        .iter()
        .filter_map(|moment| Some((moment, moment.kind.letter()?, chart::x_of(moment.t, window))))
        .zip(0..)
        .map(|((moment, letter, x), row)| Mark {
            moment,
            letter,
            x,
            row,
            left: !right_has_room(x),
        })
        .collect();
    let last = u32::try_from(marks.len()).unwrap_or_default().saturating_sub(1);
    let left_has_room = marks.first().is_some_and(|first| first.x > NAME_WIDTH);
    if left_has_room && marks.iter().any(|mark| mark.left) {
        for mark in &mut marks {
            mark.row = last - mark.row;
            mark.left = true;
        }
    }
    marks
}

impl Mark<'_> {
    fn draw(&self, bottom: u32) -> Markup {
        let (aside, anchor) = if self.left { (-10.0, "end") } else { (10.0, "start") };
        let (x, y) = (format!("{:.1}", self.x), ROW * self.row);
        html! {
            line class=(format!("stroke-mark-{}", self.moment.kind.class())) stroke-width="4" x1=(x) y1=(y + 6) x2=(x) y2=(bottom) {}
            text class="fill-text halo" x=(format!("{:.1}", self.x + aside)) y=(y + LETTERS) text-anchor=(anchor) font-size=(LETTERS) {
                tspan font-weight="bold" { (self.letter) } " " (self.moment.kind.name()) " " (format!("{:.2} s", self.moment.t))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fabricated;
    use crate::report::moments::Kind;

    #[test]
    fn covers_the_whole_time_without_a_gap() {
        let scenario = fabricated::stuck_valve();
        let stays = stays(&fabricated::trace(&scenario));
        let states: Vec<_> = stays.iter().map(|stay| stay.state).collect();
        assert_eq!(
            states,
            [
                State::SelfTest,
                State::Standby,
                State::Ready,
                State::Enabled,
                State::Fault
            ]
        );
        assert_eq!((stays[0].from, stays[4].to), (0.0, scenario.length));
        assert!(stays.windows(2).all(|pair| pair[0].to == pair[1].from));
    }

    #[test]
    fn no_line_of_a_mark_runs_through_another_name() {
        for fault in [0.5, 4.0, 7.0, 7.8] {
            let kinds = [
                (fault, Kind::Fault),
                (fault + 0.05, Kind::Noticed),
                (fault + 0.15, Kind::Rest),
            ];
            let moments = kinds.map(|(t, kind)| Moment { t, kind });
            let marks = marks(&moments, (0.0, 8.0));
            for (a, b) in marks
                .iter()
                .flat_map(|a| marks.iter().map(move |b| (a, b)))
                .filter(|(a, b)| a.row < b.row)
            {
                assert!(
                    if b.left { a.x > b.x } else { a.x < b.x },
                    "{fault}: {} runs through {}",
                    a.letter,
                    b.letter
                );
            }
        }
    }
}
