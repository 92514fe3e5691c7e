//! The matrix of fault by axis, the filters above it, and what the page's script is given to count again with.

use maud::{Markup, html};
use serde::Serialize;

use super::Evidence;
use super::page::mark;
use super::tally::{Count, OfMachine, SEVERAL, SEVERAL_NAME, VERDICTS, name};
use crate::prove::catalogue::{CATALOGUE, Subsystem};
use crate::prove::operator::Operator;
use crate::report::film::Film;

/// What the script is given.
#[derive(Serialize)]
pub struct Data<'f> {
    verdicts: [&'static str; VERDICTS.len()],
    marks: [&'static str; VERDICTS.len()],
    cells: Vec<DataCell>,
    film: Option<&'f Film>,
}

#[derive(Serialize)]
struct DataCell {
    machine: usize,
    entry: usize,
    axis: Option<usize>,
    operator: usize,
    verdicts: [u64; VERDICTS.len()],
    slowest: Option<f64>,
}

impl<'f> Data<'f> {
    /// Of a ledger, and the film of its worst run.
    pub fn of(evidence: &Evidence, film: Option<&'f Film>) -> Self {
        let machines = evidence.tally.machines.iter().enumerate();
        let cells = machines.flat_map(|(machine, of)| {
            of.cells.iter().map(move |(cell, count)| DataCell {
                machine,
                entry: cell.entry,
                axis: cell.axis,
                operator: cell.operator,
                verdicts: count.verdicts,
                slowest: count.slowest.map(|(ms, _)| ms),
            })
        });
        Self {
            verdicts: VERDICTS.map(name),
            marks: VERDICTS.map(mark),
            cells: cells.collect(),
            film,
        }
    }

    /// As text that can stand in an element of a page: nothing in it ends the element.
    pub fn embedded(&self) -> String {
        serde_json::to_string(self).unwrap_or_default().replace('<', "\\u003c")
    }
}

/// The filters. Without the script they are not there.
pub fn filters(evidence: &Evidence) -> Markup {
    let machines = evidence
        .tally
        .machines
        .iter()
        .map(|machine| machine.machine.name.as_str());
    let faults = CATALOGUE.iter().map(|entry| entry.name).chain([SEVERAL_NAME]);
    let mut subsystems: Vec<_> = CATALOGUE.iter().map(|entry| entry.subsystem).collect();
    subsystems.sort();
    subsystems.dedup();
    let subsystems = subsystems.into_iter().map(Subsystem::name).chain([SEVERAL_NAME]);
    let choices: [(&str, Vec<(String, &str)>); 5] = [
        ("machine", numbered(machines)),
        ("subsystem", subsystems.map(|name| (name.to_owned(), name)).collect()),
        ("fault", numbered(faults)),
        (
            "operator",
            numbered(Operator::ALL.iter().map(|operator| operator.name())),
        ),
        ("verdict", numbered(VERDICTS.into_iter().map(name))),
    ];
    html! {
        form id="filters" hidden aria-label="Filters" {
            h2 { "Filters" }
            div {
                @for (what, choices) in choices {
                    label { (what) " " select name=(what) {
                        option value="" { "all" }
                        @for (value, shown) in choices { option value=(value) { (shown) } }
                    } }
                }
                button type="reset" { "Show all" }
            }
            output aria-live="polite" {}
            p class="note" { "They act on the tables of fault by axis and on the lists of runs." }
        }
    }
}

fn numbered<'n>(names: impl Iterator<Item = &'n str>) -> Vec<(String, &'n str)> {
    names
        .enumerate()
        .map(|(number, name)| (number.to_string(), name))
        .collect()
}

/// The matrix of a machine: a row an entry of the catalogue, a column an axis.
pub fn table(number: usize, machine: &OfMachine) -> Markup {
    let axes = machine.machine.axes.len();
    let mut groups: Vec<(Subsystem, Vec<usize>)> = Vec::new();
    for (entry, described) in CATALOGUE.iter().enumerate() {
        match groups
            .iter_mut()
            .find(|(subsystem, _)| *subsystem == described.subsystem)
        {
            Some((_, entries)) => entries.push(entry),
            None => groups.push((described.subsystem, vec![entry])),
        }
    }
    html! {
        p class="note" {
            "In each field: how many runs with this one fault came to which verdict, and the longest from fault to notice among them. What is about no "
            "axis has one field across."
        }
        div class="scroll" tabindex="0" role="region" aria-label={ "Fault by axis: " (machine.machine.name) } {
            table class="matrix" {
                thead { tr {
                    th scope="col" { "fault" }
                    @for axis in &machine.machine.axes { th scope="col" { (axis.name) } }
                } }
                @for (subsystem, entries) in &groups {
                    tbody data-subsystem=(subsystem.name()) {
                        tr class="group" { th colspan=(axes + 1) scope="rowgroup" { span { (subsystem.name()) } } }
                        @for &entry in entries { (row(number, machine, entry)) }
                    }
                }
                tbody data-subsystem=(SEVERAL_NAME) {
                    tr data-fault=(SEVERAL) {
                        th scope="row" { (SEVERAL_NAME) }
                        (cell(number, SEVERAL, None, &machine.of_entry(SEVERAL), axes))
                    }
                }
            }
        }
    }
}

fn row(number: usize, machine: &OfMachine, entry: usize) -> Markup {
    let described = &CATALOGUE[entry];
    let places = machine.places(described);
    html! {
        tr data-fault=(entry) {
            th scope="row" title=(described.about) {
                (described.name)
                @if described.beyond.is_some() { " " small { "(more than software)" } }
            }
            @if described.on.is_none() {
                (cell(number, entry, None, &machine.of_entry(entry), machine.machine.axes.len()))
            } @else {
                @for axis in 0..machine.machine.axes.len() {
                    @if places.contains(&Some(axis)) {
                        (cell(number, entry, Some(axis), &machine.of_place(entry, Some(axis)), 1))
                    } @else {
                        td class="cannot" { span class="said" { "cannot happen here" } }
                    }
                }
            }
        }
    }
}

/// One field. The script fills it in the same way.
fn cell(machine: usize, entry: usize, axis: Option<usize>, count: &Count, columns: usize) -> Markup {
    let worst = count.worst().map_or("never", name);
    let place = format!(
        "{machine}.{entry}.{}",
        axis.map_or("-".to_owned(), |axis| axis.to_string())
    );
    html! {
        td class={ "cell is-" (worst) } data-cell=(place) colspan=[(columns > 1).then_some(columns)] {
            @if count.runs() == 0 { span class="counts" { "not run" } }
            @else {
                span class="counts" {
                    @for verdict in VERDICTS {
                        @if count.of(verdict) > 0 {
                            span class={ "v-" (name(verdict)) } title=(name(verdict)) {
                                (mark(verdict)) (count.of(verdict)) span class="said" { " " (name(verdict)) " " }
                            }
                        }
                    }
                }
                (shares(count))
                small { @if let Some((ms, _)) = count.slowest { (format!("{ms:.0} ms")) } }
            }
        }
    }
}

/// A bar of the shares of the verdicts; what it tells stands beside it in figures.
pub fn shares(count: &Count) -> Markup {
    html! {
        span class="shares" aria-hidden="true" {
            @for verdict in VERDICTS {
                @if count.of(verdict) > 0 { i class={ "f-" (name(verdict)) } style={ "flex-grow:" (count.of(verdict)) } {} }
            }
        }
    }
}
