//! The tables of the page: what was detected, what is beyond software, what failed, what was slowest and nearest.

use maud::{Markup, html};

use super::page::mark;
use super::shares::{ASKED_FOR, band, detected};
use super::tally::{OfMachine, SEVERAL, SEVERAL_NAME, Tally, name};
use super::{Evidence, percent, what};
use crate::prove::catalogue::{CATALOGUE, Entry};
use crate::prove::operator::Operator;
use crate::prove::outcome::{Outcome, Verdict};

/// The share of what showed that was detected, by subsystem.
pub fn detection(tally: &Tally) -> Markup {
    let rows = detected(tally);
    html! {
        section id="detection" {
            h2 { "Detection by subsystem" }
            p {
                "Counted in the runs with one fault in which something showed, or always shows. “Good” is the share that the band stands beside: noticed in \
                 time under a true name, stopped, and it stayed stopped. What is beyond software counts against it. Runs in which nothing \
                 showed (quiet) are left out, and so is what is no fault (" (ASKED_FOR.join(", ")) ")."
            }
            p {
                strong {
                    "A figure from a simulation is evidence for whoever reviews the machine. It is no rating: diagnostic coverage weighs dangerous failures by \
                     how often they happen, which no line here knows."
                }
                " The interval (95 %, Clopper and Pearson) says how far chance alone could move the share if the runs were drawn by chance. Many are \
                 not: they are crossed, and alike."
            }
            div class="scroll" tabindex="0" role="region" aria-label="Detection by subsystem" {
                table {
                    thead { tr {
                        th scope="col" { "subsystem" }
                        @for heading in ["showed", "noticed", "good", "good, %", "95 % interval, %"] { th scope="col" class="figure" { (heading) } }
                        th scope="col" class="roomy" { "a coverage of that size would be called" }
                        th scope="col" class="figure" { "quiet" }
                    } }
                    tbody {
                        @for row in &rows {
                            @let (low, high) = row.good.interval();
                            tr {
                                th scope="row" { (row.subsystem.name()) }
                                td class="figure" { (row.good.of) }
                                td class="figure" { (row.noticed.did) }
                                td class="figure" { (row.good.did) }
                                @if let Some(share) = row.good.value() {
                                    td class="figure" { (format!("{:.1}", percent(share))) }
                                    td class="figure" { (format!("{:.1} to {:.1}", percent(low), percent(high))) }
                                    td { @if band(low) == band(high) { (band(low)) } @else { (band(low)) " to " (band(high)) } }
                                } @else {
                                    td class="figure" { "-" } td class="figure" { "-" } td { "nothing showed" }
                                }
                                td class="figure" { (row.quiet) }
                            }
                        }
                    }
                }
            }
            p class="note" {
                "Bands of diagnostic coverage, after ISO 13849-1, table of diagnostic coverage: none below 60 %, low from 60 %, medium from 90 %, high from 99 %."
            }
        }
    }
}

/// Entries that take more than software, and how their runs came out.
pub fn beyond(evidence: &Evidence) -> Markup {
    let entries: Vec<(usize, &Entry, &str)> = CATALOGUE
        .into_iter()
        .enumerate()
        .filter_map(|(number, entry)| Some((number, entry, entry.beyond?)))
        .collect();
    html! {
        section id="beyond" {
            h2 { "Beyond software" }
            p { "These cannot be made safe by software alone. Where a run of them was not good it is no pass, and this is what else it takes." }
            div class="scroll" tabindex="0" role="region" aria-label="Entries beyond software" {
                table {
                    thead { tr {
                        @for heading in ["fault", "machine"] { th scope="col" { (heading) } }
                        th scope="col" class="roomy" { "it takes" }
                        @for heading in ["runs", "beyond", "good", "quiet"] { th scope="col" class="figure" { (heading) } }
                    } }
                    tbody {
                        @for (number, entry, takes) in &entries {
                            @for machine in &evidence.tally.machines {
                                @let count = machine.of_entry(*number);
                                tr {
                                    th scope="row" { (entry.name) }
                                    td { (machine.machine.name) }
                                    td { (takes) }
                                    td class="figure" { (count.runs()) }
                                    @for verdict in [Verdict::Beyond, Verdict::Good, Verdict::Quiet] { td class="figure" { (count.of(verdict)) } }
                                }
                            }
                        }
                    }
                }
            }
            @let kept = &evidence.tally.beyond;
            @if !kept.is_empty() {
                h3 { "Runs beyond software" }
                (kept_of(kept.len(), evidence.tally.all.of(Verdict::Beyond)))
                (runs(evidence, kept, "Runs beyond software"))
            }
        }
    }
}

/// The runs that failed, and those that could not be run.
pub fn failed(evidence: &Evidence) -> Markup {
    let (kept, all) = (&evidence.tally.failed, evidence.tally.all);
    html! {
        section id="failed" {
            h2 { "Failed runs" }
            @if kept.is_empty() {
                p { "None of the runs in this ledger." }
            } @else {
                (kept_of(kept.len(), all.of(Verdict::Failed) + all.of(Verdict::Void)))
                (runs(evidence, kept, "Failed runs"))
            }
        }
    }
}

/// The runs that were noticed last, and those that came nearest to a zone.
pub fn extremes(evidence: &Evidence) -> Markup {
    let mut extremes: Vec<Outcome> = Vec::new();
    for machine in &evidence.tally.machines {
        extremes.extend(machine.nearest.iter().chain(machine.slowest.values()).cloned());
    }
    extremes.sort_by_key(|outcome| outcome.run);
    extremes.dedup_by_key(|outcome| outcome.run);
    html! {
        section id="extremes" {
            h2 { "Slowest and nearest" }
            p { "Of each machine, the run that came nearest to a zone, and for each subsystem the run that was noticed last." }
            (runs(evidence, &extremes, "Slowest and nearest runs"))
        }
    }
}

fn kept_of(kept: usize, all: u64) -> Markup {
    html! {
        p { (all) " of them."
            @if (kept as u64) < all { " Of these " (kept) " are listed, not more than a few of the same faults on the same machine; the sheet beside this page has all." } }
    }
}

fn runs(evidence: &Evidence, outcomes: &[Outcome], label: &str) -> Markup {
    html! {
        div class="scroll" tabindex="0" role="region" aria-label=(label) {
            table class="runs" {
                thead { tr {
                    th scope="col" class="figure" { "run" }
                    @for heading in ["verdict", "fault", "machine, work", "operator", "reason"] { th scope="col" { (heading) } }
                    @for heading in ["noticed, ms", "nearest, mm"] { th scope="col" class="figure" { (heading) } }
                    th scope="col" { "repeat it" }
                } }
                tbody { @for outcome in outcomes { (run(evidence, outcome)) } }
            }
        }
    }
}

fn run(evidence: &Evidence, outcome: &Outcome) -> Markup {
    let machines = &evidence.tally.machines;
    let machine = machines
        .iter()
        .position(|known: &OfMachine| known.machine.name == outcome.machine);
    let operator = Operator::ALL.iter().position(|known| known.name() == outcome.operator);
    let entry = CATALOGUE
        .iter()
        .position(|entry| entry.name == outcome.faults)
        .unwrap_or(SEVERAL);
    let subsystem = CATALOGUE
        .get(entry)
        .map_or(SEVERAL_NAME, |entry| entry.subsystem.name());
    let tenths = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.1}"));
    html! {
        tr data-machine=[machine] data-operator=[operator] data-fault=(entry) data-subsystem=(subsystem) data-verdict=(outcome.verdict as usize) {
            th scope="row" class="figure" { (outcome.run) }
            td class="verdict" { span class={ "mark v-" (name(outcome.verdict)) } aria-hidden="true" { (mark(outcome.verdict)) } " " (name(outcome.verdict)) }
            td { (what(outcome)) " at " (outcome.at_s) " s" }
            td { (outcome.machine) ", " (outcome.work) }
            td { (outcome.operator) }
            td { (if outcome.reason.is_empty() { "-" } else { &outcome.reason }) }
            td class="figure" { (tenths(outcome.noticed_ms)) }
            td class="figure" { (tenths(outcome.nearest_mm)) }
            td { code { (evidence.repeat(outcome.run)) } }
        }
    }
}
