//! The page: its parts in the order in which they are to be read, cautions first.

use bellcrank_core::inputs::Station;
use bellcrank_machine::Description;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Rehearsed, moments, panels, picture};
use crate::findings::Check;
use crate::scenario::{Act, Fault, FaultKind, Load, Scenario};
use crate::table;
use crate::trace::{Trace, event_text};

/// The style sheet of every page.
pub const STYLE: &str = include_str!("style.css");

/// What stands on every page.
pub const CAUTIONS: [&str; 5] = [
    "Hydraulic oil under pressure injects through skin.",
    "Stored energy stays after the engine stops.",
    "A cylinder held by trapped oil can drop.",
    "No simulation, no diagnostic and no report here makes a machine safe or certifies it: a competent person does that, under the \
     local rules, with the machine's own risk assessment.",
    "First motion is at low flow, one axis, nobody in reach.",
];

/// The whole page.
pub fn page(title: &str, rehearsals: &[Rehearsed], surveys: &[String]) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (patterns())
                header { h1 { (title) } p { (outcome(rehearsals)) } }
                main {
                    section class="cautions" {
                        h2 { "Cautions" }
                        ul { @for caution in CAUTIONS { li { (caution) } } }
                    }
                    (limits(rehearsals))
                    (summary(rehearsals, !surveys.is_empty()))
                    @for (number, rehearsed) in rehearsals.iter().enumerate() { (rehearsal(number + 1, rehearsed)) }
                    (surveyed(surveys))
                }
                footer { "Written by bellcrank " (env!("CARGO_PKG_VERSION")) "." }
            }
        }
    }
}

/// Hatching that every picture on the page refers to.
pub fn patterns() -> Markup {
    html! {
        svg class="patterns" width="0" height="0" aria-hidden="true" {
            defs {
                pattern id="hatch" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    line class="hatching" x1="0" y1="0" x2="0" y2="9" {}
                }
                pattern id="ramp" width="14" height="14" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)" {
                    line class="hatching" x1="0" y1="0" x2="0" y2="14" {}
                }
            }
        }
    }
}

fn outcome(rehearsals: &[Rehearsed]) -> String {
    let failed: Vec<_> = rehearsals
        .iter()
        .filter(|r| !r.findings.passed)
        .map(|r| r.findings.scenario.as_str())
        .collect();
    let passed = rehearsals.len() - failed.len();
    if failed.is_empty() {
        format!("{passed} of {passed} rehearsals pass.")
    } else {
        format!(
            "{passed} of {} rehearsals pass. These FAIL: {}.",
            rehearsals.len(),
            failed.join(", ")
        )
    }
}

/// What the report does not cover.
fn limits(rehearsals: &[Rehearsed]) -> Markup {
    let faults: Vec<_> = rehearsals
        .iter()
        .flat_map(|r| {
            r.scenario
                .faults
                .iter()
                .map(|fault| fault_in_words(&r.scenario.machine, fault))
        })
        .collect();
    html! {
        section class="limits" {
            h2 { "What this report does not cover" }
            ul {
                li {
                    "Every figure comes from a simulated plant, not from a machine. It is built from the machine file: where that is \
                     wrong, so are the figures."
                }
                li {
                    "The plant has rigid links on a carrier that stands still, oil that keeps the temperature it is given, and parts as good \
                     as new where no fault says otherwise."
                }
                @if faults.is_empty() {
                    li { "No fault was exercised." }
                } @else {
                    li {
                        "Only these faults were exercised, each at one time, from one posture, with one load and one seed: "
                        (faults.join("; ")) ". Any other fault, time, posture or load, and two faults at once, were not."
                    }
                }
                li {
                    "Clearance is that of links, cylinders and grips as straight round bars, sample by sample. Hoses, brackets and the \
                     load are not in it."
                }
                li { "A pass says that what was expected of one rehearsal held in that one run." }
            }
        }
    }
}

fn summary(rehearsals: &[Rehearsed], surveyed: bool) -> Markup {
    html! {
        section id="summary" {
            h2 { "Summary" }
            div class="scroll" tabindex="0" role="region" aria-label="Summary table" {
                table class="summary" {
                    thead { tr { @for heading in table::HEADINGS { th scope="col" { (heading) } } } }
                    tbody {
                        @for (number, rehearsed) in rehearsals.iter().enumerate() {
                            @let row = table::row(rehearsed.findings);
                            tr {
                                th scope="row" { a href={ "#rehearsal-" (number + 1) } { (row[0]) } }
                                td { (row[1]) }
                                @for cell in &row[2..7] { td class="figure" { (cell) } }
                                td { (verdict(rehearsed.findings.passed)) }
                            }
                        }
                    }
                }
            }
            p class="note" {
                "Times run from the fault. A tip moved on by its furthest distance from where it was at the fault. A zone is a volume that \
                 no arm part may enter, such as the seat; below zero is inside it. “-” does not apply."
            }
            @if surveyed { p { a href="#surveys" { "What the machines' geometry, hydraulics and sensing allow" } } }
        }
    }
}

fn verdict(passed: bool) -> Markup {
    let (class, symbol) = if passed { ("pass", "✓") } else { ("fail", "✗") };
    html! { span class={ "verdict " (class) } { (symbol) " " (table::verdict(passed)) } }
}

fn rehearsal(number: usize, rehearsed: &Rehearsed) -> Markup {
    let Rehearsed {
        scenario,
        trace,
        findings,
    } = rehearsed;
    let moments = moments::of(rehearsed);
    html! {
        section class="rehearsal" id={ "rehearsal-" (number) } {
            h2 { (number) ". " (findings.scenario) " " (verdict(findings.passed)) }
            p class="about" { (findings.about) }
            dl {
                dt { "Machine" } dd { (findings.machine) }
                @for fault in &scenario.faults { dt { "Goes wrong" } dd { (fault_in_words(&scenario.machine, fault)) ", " (when(fault)) } }
                @for load in &scenario.payloads { dt { "Load" } dd { (load.mass) " kg on " (scenario.machine.arms[load.arm].name) (while_held(load)) } }
                @if scenario.slope != [0.0; 2] { dt { "Slope" } dd { (slope(scenario.slope)) } }
                @if let Some(oil) = scenario.oil { dt { "Oil" } dd { (format!("{oil:.0} °C at the start")) } }
                dt { "Fastest tip" } dd { (format!("{:.0} mm/s", 1e3 * findings.fastest_tip_m_s)) }
                @if let Some(along) = findings.along_line_m { dt { "Along the line" } dd { (format!("{:.0} mm", 1e3 * along)) } }
                @for tracking in &findings.tracking { dt { "Kept to its way" } dd { (tracking.line()) } }
                dt { "To repeat it" } dd { code { (findings.repeat) } " gives digest " code { (findings.digest) } }
            }
            (expectations(&findings.checks))
            h3 { "Key moments" }
            p class="note" {
                "Broad bands are the links as clearance is measured from; hatched boxes are zones. Thin lines are the tips' ways; the heavy line \
                 is the way after the fault, the grey dashes where the arms were at the fault, the ring the joint at fault. A grip is not drawn."
            }
            div class="pictures" { (picture::pictures(rehearsed, &moments)) }
            h3 { "Over time" }
            p class="note" {
                "All charts share one time axis. Where something goes wrong, the second of each pair looks closer at the time around it. "
                "Marks: "
                @for (kind, letter) in moments.iter().filter_map(|moment| Some((moment.kind, moment.kind.letter()?))) {
                    strong { (letter) } " " (kind.name()) "; "
                }
                "“true” is what the plant does, “asked” what the core wants."
            }
            (panels::charts(rehearsed, &moments))
            h3 { "Event log" }
            (log(scenario, trace))
            p class="back" { a href="#summary" { "Back to the summary" } }
        }
    }
}

fn expectations(checks: &[Check]) -> Markup {
    html! {
        h3 { "Expectations" }
        div class="scroll" tabindex="0" role="region" aria-label="Expectations" {
            table {
                thead { tr { @for heading in ["expectation", "found", "wanted", "verdict"] { th scope="col" { (heading) } } } }
                tbody {
                    @for check in checks {
                        tr { th scope="row" { (check.what) } td { (check.found) } td { (check.wanted) } td { (verdict(check.passed)) } }
                    }
                }
            }
        }
    }
}

fn log(scenario: &Scenario, trace: &Trace) -> Markup {
    html! {
        div class="scroll log" tabindex="0" role="region" aria-label="Event log" {
            table {
                thead { tr { @for heading in ["time, s", "event", "axis"] { th scope="col" { (heading) } } } }
                tbody {
                    @for event in &trace.events {
                        tr class=[event.cause().map(|_| "cause")] {
                            td class="figure" { (format!("{:.3}", event.t)) }
                            td { (event_text(&scenario.machine, &event.what)) }
                            td { (event.axis.map_or("-", |axis| &scenario.machine.axes[axis].name)) }
                        }
                    }
                }
            }
        }
    }
}

fn surveyed(surveys: &[String]) -> Markup {
    html! {
        @if !surveys.is_empty() {
            section id="surveys" {
                h2 { "Surveys" }
                @for survey in surveys { pre class="scroll" tabindex="0" { (survey) } }
            }
        }
    }
}

/// A fault by its name, and by what it is on: an axis, else an arm, a station or a channel.
fn fault_in_words(machine: &Description, fault: &Fault) -> String {
    let name = fault.kind.name().replace('_', " ");
    let axis = panels::at_fault(&fault.kind).map(|axis| machine.axes[axis].name.clone());
    let on = axis.or_else(|| match fault.kind {
        FaultKind::WrongLever {
            act: Act::Tip { arm, .. },
        } => Some(format!("tip of {}", machine.arms[arm].name)),
        FaultKind::StopChannelOpen { channel }
        | FaultKind::StopChannelStuck { channel }
        | FaultKind::StopChannelBounces { channel, .. } => Some(format!("channel {}", channel + 1)),
        _ => fault
            .kind
            .station()
            .map(|station| station_in_words(station).to_string()),
    });
    on.map_or_else(|| name.clone(), |on| format!("{name} ({on})"))
}

fn station_in_words(station: Station) -> &'static str {
    match station {
        Station::Seat => "seat",
        Station::Remote => "remote",
    }
}

fn while_held(load: &Load) -> String {
    match (load.from, load.until) {
        (0.0, None) => String::new(),
        (from, None) => format!(", from {from:.2} s on"),
        (from, Some(until)) => format!(", from {from:.2} s to {until:.2} s"),
    }
}

fn slope([pitch, roll]: [f64; 2]) -> String {
    format!(
        "nose up {:.1}°, left side up {:.1}°",
        pitch.to_degrees(),
        roll.to_degrees()
    )
}

fn when(fault: &Fault) -> String {
    match fault.lasts {
        Some(lasts) => format!("from {:.2} s for {lasts:.2} s", fault.at),
        None => format!("from {:.2} s on", fault.at),
    }
}
