//! The record of a commissioning on paper: cautions first, then every check in order with who did it and what was measured, room for signatures,
//! and the last seal. What is still open has boxes to be filled in by hand.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::report::{CheckRow, SignoffReport};
use crate::report::page::{CAUTIONS, STYLE};

/// What this page adds to the style of every page.
const MORE: &str = "
.signoff { width: 100%; }
.signoff td { padding-bottom: 0.6rem; }
.signoff code { white-space: nowrap; }
.signoff .what { width: 60%; }
.signoff .seen { color: var(--soft); }
.by { white-space: nowrap; }
.box { display: inline-block; width: 0.9em; height: 0.9em; border: 1.5px solid var(--ink); vertical-align: -0.1em; }
.line { display: inline-block; min-width: 9rem; border-bottom: 1.5px solid var(--ink); height: 1.4em; }
.signatures td { padding-top: 1.6rem; }
.seal { overflow-wrap: anywhere; }
@media print {
  .signoff, .signatures { font-size: 8.5pt; }
  thead { display: table-header-group; }
  @page { margin: 14mm; }
}
";

/// The page.
pub fn page(report: &SignoffReport) -> String {
    let title = format!("Commissioning of the {}", report.machine);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(MORE)) }
            }
            body {
                header { h1 { (title) } p { (outcome(report)) } }
                main {
                    section class="cautions" {
                        h2 { "Cautions" }
                        ul { @for caution in CAUTIONS { li { (caution) } } }
                    }
                    (about(report))
                    @for stage in stages(report) { (checks(report, stage)) }
                    (signatures())
                }
                footer { "Written by bellcrank " (env!("CARGO_PKG_VERSION")) "." }
            }
        }
    };
    page.into_string()
}

fn outcome(report: &SignoffReport) -> String {
    let counts = format!(
        "{} of {} checks have passed, {} failed, {} left out.",
        report.passed, report.of, report.failed, report.left_out
    );
    if report.machine_changed {
        format!("NOT signed off: the machine file has changed since. {counts}")
    } else if report.done {
        format!("Every check is answered. {counts} Whether the machine may be used is for the competent person to say.")
    } else {
        format!("NOT signed off. {counts}")
    }
}

fn about(report: &SignoffReport) -> Markup {
    html! {
        section class="limits" {
            h2 { "What this record is" }
            ul {
                li {
                    "A list of checks made from the machine file, in an order in which nothing is moved before what stops it has been tried. The \
                     risk assessment of the machine, the rules of the place and the competent person decide what else is needed."
                }
                li {
                    "Each entry is sealed with those before it. The seals show an entry that was changed, taken out or moved. They are no signature: \
                     write the last one down elsewhere, and sign on paper."
                }
            }
        }
        section {
            dl {
                dt { "machine file" } dd { (report.machine_file) }
                dt { "its SHA-256" } dd class="seal" { code { (report.machine_file_sha256) } }
                dt { "record" } dd { (report.record_file) ", " (report.entries) " entries" }
                dt { "last seal" } dd class="seal" { code { (report.seal) } }
            }
        }
    }
}

/// The stages, in order.
fn stages(report: &SignoffReport) -> Vec<&str> {
    let mut stages: Vec<&str> = report.checks.iter().map(|check| check.stage.as_str()).collect();
    stages.dedup();
    stages
}

fn checks(report: &SignoffReport, stage: &str) -> Markup {
    html! {
        section {
            h2 { (stage) }
            div class="scroll" tabindex="0" role="region" aria-label=(stage) {
                table class="signoff" {
                    thead { tr { th scope="col" { "check" } th scope="col" { "measured" } th scope="col" { "verdict" } th scope="col" { "by" } } }
                    tbody { @for check in report.checks.iter().filter(|check| check.stage == stage) { (row(check)) } }
                }
            }
        }
    }
}

fn row(check: &CheckRow) -> Markup {
    let answered = check.by.is_some();
    let class = match check.standing.as_str() {
        "passed" => "verdict pass",
        "FAILED" => "verdict fail",
        _ => "verdict",
    };
    html! {
        tr {
            td class="what" {
                code { (check.check) }
                br; (check.action)
                br; span class="seen" { "To be seen: " (check.expected) }
                @if let Some(note) = &check.note { br; "Note: " (note) }
            }
            td {
                @if let Some(value) = &check.value {
                    (value)
                    @if let Some(log) = &check.read_from { br; small { "from " (log) } }
                } @else if check.measures.is_some() && !answered {
                    span class="line" {}
                }
                @if let Some(measures) = &check.measures { br; small { (measures) } }
            }
            td class=(class) {
                @if answered {
                    (check.standing)
                    @if check.standing == "again" { br; small { "to be done again" } }
                } @else {
                    span class="box" {} " pass" br; span class="box" {} " fail"
                }
            }
            td class="by" {
                @if let Some(by) = &check.by { (by) br; small { (check.at.as_deref().unwrap_or_default()) } } @else { span class="line" {} }
            }
        }
    }
}

fn signatures() -> Markup {
    html! {
        section {
            h2 { "Signed" }
            table class="signatures" {
                tbody {
                    @for who in ["Who did the checks", "Competent person", "Who takes the machine over"] {
                        tr {
                            td { (who) }
                            td { "name " span class="line" {} }
                            td { "date " span class="line" {} }
                            td { "signature " span class="line" {} }
                        }
                    }
                }
            }
        }
    }
}
