//! What is kept of rehearsals: one self-contained page to read, and the columns of a trace to calculate with.
//!
//! Both are pure functions of the scenarios, traces and findings. The page needs no network and no script; all that comes from machine
//! and scenario files is escaped by `maud`. Reading order: `page` is the page from top to bottom, `moments` says when pictures are drawn and
//! what charts mark, `picture` draws the machine, `film` draws it in motion, `panels` says which `chart`s there are, `band` is the interlock's state above them.

mod band;
pub(crate) mod chart;
mod columns;
#[cfg(test)]
mod fabricated;
pub(crate) mod film;
pub(crate) mod moments;
pub(crate) mod page;
pub(crate) mod panels;
pub(crate) mod picture;
pub(crate) mod units;

use crate::findings::Findings;
use crate::scenario::Scenario;
use crate::trace::Trace;

pub use columns::csv;

/// One rehearsal: what was to happen, what happened, and what that is worth.
#[derive(Debug, Clone, Copy)]
pub struct Rehearsed<'r> {
    /// What was to happen.
    pub scenario: &'r Scenario,
    /// What happened.
    pub trace: &'r Trace,
    /// What that is worth.
    pub findings: &'r Findings,
}

/// The page about some rehearsals, and about surveys, given as plain text.
pub fn html(title: &str, rehearsals: &[Rehearsed], surveys: &[String]) -> String {
    page::page(title, rehearsals, surveys).into_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn report() -> String {
        let rehearsals = fabricated::rehearsals();
        let rehearsed: Vec<_> = rehearsals
            .iter()
            .map(|(scenario, trace, findings)| Rehearsed {
                scenario,
                trace,
                findings,
            })
            .collect();
        html("A <shift> & \"more\"", &rehearsed, &["reach <1> & 2".to_string()])
    }

    #[test]
    fn every_part_is_there_cautions_first() {
        let report = report();
        let mut from = 0;
        for part in [
            "Cautions",
            "injects through skin",
            "What this report does not cover",
            "valve stuck open (left boom)",
            "Summary",
            "href=\"#rehearsal-1\"",
            "id=\"rehearsal-1\"",
            "Expectations",
            "Key moments",
            "lever let go",
            "Over time",
            "State of the interlock",
            "Tip speed",
            "Clearance",
            "Stroke rate: left boom",
            "Pressure: left boom",
            "Event log",
            "id=\"rehearsal-2\"",
            "0123456789abcdef",
            "✗ FAIL",
            "at rest",
            "motion not asked for",
            "Surveys",
        ] {
            from += report[from..]
                .find(part)
                .unwrap_or_else(|| panic!("{part} is missing or out of order"));
        }
    }

    #[test]
    fn names_are_escaped() {
        let report = report();
        for raw in ["<open>", "<sticks>", "<setter>", "<driver>", "<shift>", "<1>", " & "] {
            assert!(!report.contains(raw), "{raw}");
        }
        assert!(report.contains("stuck &lt;open&gt; &amp; &quot;valve&quot;"));
    }

    #[test]
    fn nothing_is_fetched_and_nothing_is_run() {
        let report = report();
        for barred in ["http", "src=", "href=\"//", "<script", "@import", "<link"] {
            assert!(!report.contains(barred), "{barred}");
        }
        assert_eq!(report.matches("href=").count(), report.matches("href=\"#").count());
        assert_eq!(report.matches("url(").count(), report.matches("url(#").count());
    }

    #[test]
    fn every_picture_has_one_text_alternative() {
        let report = report();
        let told = report.split("<svg ").skip(1).filter(|svg| {
            let tag = svg.split('>').next().unwrap_or_default();
            let alternative = tag.contains("role=\"img\" aria-label=\"") && tag.matches("aria-label").count() == 1;
            assert!(alternative != tag.contains("aria-hidden=\"true\""), "{tag}");
            alternative
        });
        // Two rehearsals of four moments, and of one band and five charts: drawn twice where there is a fault to look closer at.
        assert_eq!(told.count(), 2 * 4 + (1 + 2) * (1 + 5));
    }

    #[test]
    fn a_rehearsal_without_a_sample_still_makes_a_page() {
        let (scenario, mut trace, findings) = fabricated::rehearsals().remove(1);
        trace.samples.clear();
        let report = html(
            "empty",
            &[Rehearsed {
                scenario: &scenario,
                trace: &trace,
                findings: &findings,
            }],
            &[],
        );
        assert!(report.contains("Event log") && !report.contains("NaN"));
    }
}
