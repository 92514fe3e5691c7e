//! The page from top to bottom: first what it does not show.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::gaps::{Gaps, NO_PHYSICS, gaps, without_a_run};
use super::tally::{AMOUNTS, Count, OfMachine, VERDICTS, name};
use super::{Evidence, charts, distances, matrix, tables, worst};
use crate::prove::catalogue::CATALOGUE;
use crate::prove::operator::Operator;
use crate::prove::outcome::Verdict;
use crate::report::page::{CAUTIONS, STYLE, patterns};

const OWN_STYLE: &str = include_str!("evidence.css");
const SCRIPT: &str = include_str!("evidence.js");

/// The mark of a verdict: told apart without colour.
pub fn mark(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "✓",
        Verdict::Quiet => "○",
        Verdict::Beyond => "◇",
        Verdict::Failed => "✗",
        Verdict::Void => "∅",
    }
}

/// What a verdict means.
fn meaning(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "noticed in time under a true name, stopped, and it stayed stopped",
        Verdict::Quiet => "not noticed, and nothing came of it in that run: it may still be there",
        Verdict::Beyond => "not good, and no software alone could have made it so: no pass",
        Verdict::Failed => "not good",
        Verdict::Void => "the simulation failed: the run says nothing",
    }
}

/// The whole page.
pub fn page(evidence: &Evidence) -> Markup {
    let title = format!("Evidence of the campaign “{}”", evidence.suite.name);
    let worst = worst::worst(evidence);
    let data = matrix::Data::of(evidence, worst.as_ref().and_then(|worst| worst.film.as_ref()));
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                link rel="icon" href="data:,";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(OWN_STYLE)) }
            }
            body {
                (patterns())
                header {
                    h1 { (title) }
                    p { (evidence.suite.about) }
                    p class="note" { (extent(evidence)) }
                    (contents(worst.is_some()))
                }
                main {
                    (not_exercised(evidence))
                    section class="cautions" {
                        h2 { "Cautions" }
                        ul { @for caution in CAUTIONS { li { (caution) } } }
                    }
                    (verdicts(evidence))
                    (matrix::filters(evidence))
                    @for (number, machine) in evidence.tally.machines.iter().enumerate() { (of_machine(evidence, number, machine)) }
                    @if let Some(worst) = &worst { (worst.picture) }
                    (distances::section(evidence))
                    (tables::detection(&evidence.tally))
                    (tables::beyond(evidence))
                    (tables::failed(evidence))
                    (tables::extremes(evidence))
                }
                footer { "Written by bellcrank " (env!("CARGO_PKG_VERSION")) ". It certifies nothing." }
                script id="data" type="application/json" { (PreEscaped(data.embedded())) }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    }
}

/// How much of the campaign this is.
fn extent(evidence: &Evidence) -> String {
    let (there, all) = (evidence.tally.all.runs(), evidence.suite.runs());
    let limits = &evidence.suite.limits;
    let part = if there == all {
        format!("All {all} runs of the campaign.")
    } else {
        format!("Only {there} of the {all} runs of the campaign: the others are not in this ledger.")
    };
    format!(
        "{part} Limits of the suite: what shows at once is noticed within {:.0} ms, from there all is at rest within {:.0} ms, and no tip moves on \
         by more than {:.0} mm.",
        1e3 * limits.noticed,
        1e3 * limits.stopped,
        1e3 * limits.travel
    )
}

fn contents(worst: bool) -> Markup {
    html! {
        nav aria-label="Contents" {
            ul class="contents" {
                li { a href="#not-exercised" { "Not exercised" } }
                li { a href="#verdicts" { "Verdicts" } }
                li { a href="#machine-0" { "Fault by axis" } }
                @if worst { li { a href="#worst" { "Worst run" } } }
                li { a href="#stops" { "Stops and distances" } }
                li { a href="#detection" { "Detection" } }
                li { a href="#beyond" { "Beyond software" } }
                li { a href="#failed" { "Failed runs" } }
                li { a href="#extremes" { "Slowest and nearest" } }
            }
        }
    }
}

fn not_exercised(evidence: &Evidence) -> Markup {
    let silent = without_a_run(&evidence.tally.all);
    html! {
        section id="not-exercised" class="limits" {
            h2 { "What was not exercised" }
            p { "Nothing on this page says anything about what stands here." }
            @for machine in &evidence.tally.machines { (gaps_of(machine, &gaps(machine))) }
            h3 { "All machines" }
            ul {
                li {
                    "Only these were at work, with posture, loads, slope and oil as the scenario has them or the suite draws them: "
                    (evidence.suite.works.iter().map(|work| format!("{} ({})", work.name, work.machine.name)).collect::<Vec<_>>().join("; "))
                    ". Any other work was not."
                }
                li { "Every figure comes from a simulated plant that is built from the machine file. Where that is wrong, so are the figures." }
                li { "A fault that no entry of the catalogue names was not put in." }
                @if !silent.is_empty() {
                    li { "No run was " (silent.iter().map(|verdict| name(*verdict)).collect::<Vec<_>>().join(", none ")) "." }
                }
            }
            h3 { "What the simulation has no physics for" }
            ul { @for missing in NO_PHYSICS { li { (missing) } } }
        }
    }
}

fn gaps_of(machine: &OfMachine, gaps: &Gaps) -> Markup {
    let names = |entries: &[usize]| {
        let names: Vec<_> = entries.iter().map(|&entry| CATALOGUE[entry].name).collect();
        if names.is_empty() {
            "none".to_owned()
        } else {
            names.join(", ")
        }
    };
    let axes = gaps.axes.iter().map(|(entry, axes)| {
        let axes: Vec<_> = axes.iter().map(|axis| machine.axis_name(*axis)).collect();
        format!("{} on {}", CATALOGUE[*entry].name, axes.join(", "))
    });
    let amounts = gaps.amounts.iter().map(|(entry, parts)| {
        let step = 100 / AMOUNTS;
        let parts: Vec<_> = parts
            .iter()
            .map(|part| format!("{} to {} %", part * step, (part + 1) * step))
            .collect();
        let entry = &CATALOGUE[*entry];
        format!("{}, {} of its range ({})", entry.name, parts.join(", "), entry.amount)
    });
    let operators = gaps.operators.iter().map(|(entry, absent)| {
        let absent: Vec<_> = absent.iter().map(|&operator| Operator::ALL[operator].name()).collect();
        format!("{}: {}", CATALOGUE[*entry].name, absent.join(", "))
    });
    let pairs = CATALOGUE.iter().enumerate().filter_map(|(first, entry)| {
        let of_it = gaps.pairs.iter().filter(|pair| pair.0 == first);
        let others: Vec<_> = of_it.map(|pair| CATALOGUE[pair.1].name).collect();
        (!others.is_empty()).then(|| format!("{} with {}", entry.name, others.join(", ")))
    });
    html! {
        h3 { (machine.machine.name) }
        ul {
            li { strong { "Never put in: " } (names(&gaps.never)) "." }
            li { strong { "Put in, but it never showed: " } (names(&gaps.quiet)) "." }
            @if !gaps.never_alone.is_empty() { li { strong { "Only together with others: " } (names(&gaps.never_alone)) "." } }
            @if !gaps.cannot.is_empty() { li { strong { "Nothing on this machine that it could happen to: " } (names(&gaps.cannot)) "." } }
            @if let Some((first, last)) = machine.at {
                li { strong { "Times: " } (format!("faults came between {first:.2} and {last:.2} s of a run; earlier and later ones were not tried.")) }
            }
            li { (listed("Axes that some entry was never put in on", axes.collect())) }
            li { (listed("Entries whose amounts were not all tried", amounts.collect())) }
            li { (listed("Entries that some operator never met", operators.collect())) }
            li {
                strong { "Pairs: " }
                (gaps.pairs_possible - gaps.pairs.len()) " of " (gaps.pairs_possible) " pairs of entries were put in together."
                @if !gaps.pairs.is_empty() {
                    // Too long for paper.
                    details class="long" {
                        summary { "The pairs that were not" }
                        ul { @for pair in pairs { li { (pair) } } }
                    }
                }
            }
        }
    }
}

/// A list that is opened on demand; nothing to open where it is empty.
fn listed(what: &str, items: Vec<String>) -> Markup {
    html! {
        @if items.is_empty() {
            strong { (what) ": " } "none."
        } @else {
            details {
                summary { strong { (what) ": " } (items.len()) }
                ul { @for item in items { li { (item) } } }
            }
        }
    }
}

fn verdicts(evidence: &Evidence) -> Markup {
    let tally = &evidence.tally;
    let machines = tally.machines.iter().map(|machine| {
        let all = machine.cells.values().fold(Count::default(), Count::and);
        (machine.machine.name.as_str(), all)
    });
    let rows: Vec<_> = machines.chain([("all", tally.all)]).collect();
    html! {
        section id="verdicts" {
            h2 { "Verdicts" }
            div class="scroll" tabindex="0" role="region" aria-label="Verdicts by machine" {
                table {
                    thead {
                        tr {
                            th scope="col" { "machine" }
                            @for verdict in VERDICTS { th scope="col" class="figure" { span class={ "mark v-" (name(verdict)) } aria-hidden="true" { (mark(verdict)) } " " (name(verdict)) } }
                            th scope="col" class="figure" { "runs" }
                            th scope="col" class="wide" { "share" }
                        }
                    }
                    tbody {
                        @for (name, count) in rows {
                            tr {
                                th scope="row" { (name) }
                                @for verdict in VERDICTS { td class="figure" { (count.of(verdict)) } }
                                td class="figure" { (count.runs()) }
                                td { (matrix::shares(&count)) }
                            }
                        }
                    }
                }
            }
            dl class="meanings" {
                @for verdict in VERDICTS {
                    dt { span class={ "mark v-" (name(verdict)) } aria-hidden="true" { (mark(verdict)) } " " (name(verdict)) }
                    dd { (meaning(verdict)) }
                }
            }
        }
    }
}

fn of_machine(evidence: &Evidence, number: usize, machine: &OfMachine) -> Markup {
    html! {
        section id={ "machine-" (number) } class="rehearsal" data-machine=(number) {
            h2 { (machine.machine.name) ": fault by axis" }
            (matrix::table(number, machine))
            h3 { "How figures are spread" }
            p class="note" { "All runs, those with several faults too; the filters do not act here. Both scales are logarithmic." }
            div class="windows" {
                (charts::histograms(&machine.spread, &evidence.suite.limits, number))
            }
            h3 { "Clearance" }
            (charts::clearance(machine, number))
        }
    }
}
