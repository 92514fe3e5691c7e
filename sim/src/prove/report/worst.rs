//! The worst run, run once more: its key moments, its film, its charts.

use maud::{Markup, html};

use super::tally::name;
use super::{Evidence, what};
use crate::findings;
use crate::prove::outcome::Verdict;
use crate::report::film::{Film, film};
use crate::report::{Rehearsed, moments, panels, picture};
use crate::run::rehearse;

/// What the page shows of it.
pub struct Worst {
    /// Its section.
    pub picture: Markup,
    /// What the script runs through. None where it could not be repeated.
    pub film: Option<Film>,
}

/// Repeats the worst run. None where there is no run to look at.
pub fn worst(evidence: &Evidence) -> Option<Worst> {
    let outcome = evidence
        .tally
        .worst
        .as_ref()
        .filter(|worst| worst.verdict != Verdict::Void)?;
    let run = evidence.suite.run(outcome.run);
    let scenario = evidence.suite.scenario(&run);
    let trace = rehearse(&scenario, run.seed)
        .ok()
        .filter(|trace| format!("{:016x}", trace.digest) == outcome.digest);
    let Some(trace) = trace else {
        let picture = html! {
            section id="worst" {
                h2 { "The worst run" }
                p { "Run " (outcome.run) " was repeated and came out otherwise than the ledger has it: it is not shown. Another processor may do that." }
            }
        };
        return Some(Worst { picture, film: None });
    };
    let findings = findings::judge(&scenario, run.seed, &trace);
    let rehearsed = Rehearsed {
        scenario: &scenario,
        trace: &trace,
        findings: &findings,
    };
    let moments = moments::of(&rehearsed);
    let fault = findings.fault_at_s.unwrap_or_default();
    let noticed = findings.noticed_after_s.map_or(fault, |after| fault + after);
    let (still, film) = film(&rehearsed, noticed).unzip();
    let picture = html! {
        section id="worst" class="rehearsal" {
            h2 { "The worst run: " (outcome.run) ", " (name(outcome.verdict)) }
            p {
                (what(outcome)) " at " (outcome.at_s) " s on " (outcome.machine) " at " (outcome.work) ", " (outcome.operator) " operator. "
                @if outcome.reason.is_empty() { "Nothing was wrong with it; no run was worse." } @else { "What is wrong with it: " (outcome.reason) "." }
            }
            p { "Repeats it: " code { (evidence.repeat(outcome.run)) } }
            @if let Some(still) = still {
                figure id="player" {
                    (still)
                    div class="controls" hidden {
                        button type="button" id="play" { "Play" }
                        @for moment in &moments { button type="button" data-at=(format!("{:.3}", moment.t)) { (moment.kind.name()) " " (format!("{:.2} s", moment.t)) } }
                        label { "time" input type="range" id="scrub" min="0" step="1" value="0"; }
                    }
                    p id="now" class="note" { "At the moment of notice, or of the fault where it was not noticed." }
                }
            }
            h3 { "Key moments" }
            div class="pictures" { (picture::pictures(&rehearsed, &moments)) }
            h3 { "Over time" }
            (panels::charts(&rehearsed, &moments))
        }
    };
    Some(Worst { picture, film })
}
