//! The interlock's state over the time of a rehearsal, and the names of the marks: the head of its charts.

use bellcrank_core::supervise::State;
use maud::{Markup, html};

use super::chart::{self, LEFT, LETTERS, RIGHT, WIDTH};
use super::moments::Moment;
use crate::trace::Trace;

/// Where the band begins, below one row for each of the three names of marks there can be.
const TOP: u32 = 138;
const HEIGHT: u32 = 60;
/// From one row of names to the next.
const ROW: u32 = 42;
/// Width of a letter on average.
const LETTER_WIDTH: f64 = 0.56 * LETTERS as f64;

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
        match stays.last_mut() {
            Some(stay) if stay.state == sample.state => {}
            before => {
                before.into_iter().for_each(|stay| stay.to = sample.t);
                stays.push(Stay { state: sample.state, from: sample.t, to: end });
            }
        }
    }
    stays
}

/// The band, with the marks named above it.
pub fn figure(trace: &Trace, span: (f64, f64), moments: &[Moment]) -> Markup {
    let stays = stays(trace);
    let told: Vec<_> = stays.iter().map(|stay| format!("{} {:.2} to {:.2} s", stay.state, stay.from, stay.to)).collect();
    let told = told.join(", ");
    let marked = moments.iter().filter_map(|moment| Some((moment, moment.kind.letter()?)));
    html! {
        figure class="chart" {
            figcaption { strong { "State of the interlock" } span class="key" { small { (told) } } }
            svg viewBox=(format!("0 0 {WIDTH} {}", TOP + HEIGHT + 6)) role="img" aria-label=(format!("State of the interlock: {told}.")) {
                @for stay in &stays { (block(stay, span)) }
                @for (row, (moment, letter)) in marked.enumerate() { (mark(moment, letter, row, span)) }
            }
        }
    }
}

fn block(stay: &Stay, span: (f64, f64)) -> Markup {
    let (from, to) = (chart::x_of(stay.from, span), chart::x_of(stay.to, span));
    let name = stay.state.to_string();
    let class = match stay.state {
        State::Enabled => "state-moving",
        State::Stopping => "state-ramping",
        State::Stopped | State::Fault => "state-latched",
        State::SelfTest | State::Standby | State::Ready => "state-waiting",
    };
    html! {
        rect class=(class) x=(format!("{from:.1}")) y=(TOP) width=(format!("{:.1}", to - from)) height=(HEIGHT) {}
        @if LETTER_WIDTH * name.len() as f64 + 12.0 < to - from {
            text x=(format!("{:.1}", 0.5 * (from + to))) y=(TOP + 42) text-anchor="middle" font-size=(LETTERS) class="fill-text" { (name) }
        }
    }
}

/// A mark from its name down through the band, the name on the side that has room.
fn mark(moment: &Moment, letter: char, row: usize, span: (f64, f64)) -> Markup {
    let x = chart::x_of(moment.t, span);
    let (aside, anchor) = if x < f64::from((LEFT + RIGHT) / 2) { (10.0, "start") } else { (-10.0, "end") };
    let y = ROW * u32::try_from(row).unwrap_or_default();
    html! {
        line class=(format!("stroke-mark-{}", moment.kind.class())) stroke-width="4"
            x1=(format!("{x:.1}")) y1=(y + 6) x2=(format!("{x:.1}")) y2=(TOP + HEIGHT) {}
        text class="fill-text halo" x=(format!("{:.1}", x + aside)) y=(y + LETTERS) text-anchor=(anchor) font-size=(LETTERS) {
            tspan font-weight="bold" { (letter) } " " (moment.kind.name()) " " (format!("{:.2} s", moment.t))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fabricated;

    #[test]
    fn covers_the_whole_time_without_a_gap() {
        let scenario = fabricated::stuck_valve();
        let stays = stays(&fabricated::trace(&scenario));
        let states: Vec<_> = stays.iter().map(|stay| stay.state).collect();
        assert_eq!(states, [State::SelfTest, State::Standby, State::Ready, State::Enabled, State::Fault]);
        assert_eq!((stays[0].from, stays[4].to), (0.0, scenario.length));
        assert!(stays.windows(2).all(|pair| pair[0].to == pair[1].from));
    }
}
