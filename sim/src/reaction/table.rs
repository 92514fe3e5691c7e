//! What many trials show: one row a case and machine, as CSV, as Markdown and for a terminal.

use std::sync::Arc;

use bellcrank_machine::description::Description;
use comfy_table::{Table, presets};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::case::Case;
use super::cases::{self, NOT_PROVOKED};
use super::{Measured, Named, Outcome, run};
use crate::run::RunError;

/// The lines in DEVELOPERS.md between which [`markdown`] stands.
pub const BEGIN: &str = "<!-- reaction: written by `cargo xtask reaction --bless` -->";
/// The second of them.
pub const END: &str = "<!-- reaction: end -->";

/// One case on one machine. Times in ms, ways in mm; empty where nothing was run, infinite where something never came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// The cause, by its name.
    pub cause: String,
    /// What was put in.
    pub fault: String,
    /// The machine.
    pub machine: String,
    /// Trials.
    pub trials: usize,
    /// Those in which the cause was named, on the right axis.
    pub named: usize,
    /// Those in which it was named first.
    pub first: usize,
    /// What else was named first, and how often.
    pub before: String,
    /// What was called wrong before any fault, in trials that were drawn anew for it, and in how many.
    pub false_alarms: String,
    /// From when it can show until it is noticed: the median, and the trial that used most of its budget.
    pub noticed_median_ms: Option<f64>,
    /// That trial's figure.
    pub noticed_worst_ms: Option<f64>,
    /// That trial's budget.
    pub noticed_budget_ms: Option<f64>,
    /// From the fault until each tip stays where it ends, in the same way.
    pub stopped_median_ms: Option<f64>,
    /// As above.
    pub stopped_worst_ms: Option<f64>,
    /// As above.
    pub stopped_budget_ms: Option<f64>,
    /// From the fault to rest, sway and all: the median and the longest.
    pub at_rest_median_ms: Option<f64>,
    /// As above.
    pub at_rest_worst_ms: Option<f64>,
    /// What the tip moves on by after the fault, in the same way.
    pub moved_on_median_mm: Option<f64>,
    /// As above.
    pub moved_on_worst_mm: Option<f64>,
    /// As above.
    pub moved_on_budget_mm: Option<f64>,
    /// Trials with a figure beyond its budget, or that could not be drawn.
    pub outside: usize,
    /// The seed that used most of its budgets.
    pub worst_seed: Option<u64>,
}

/// The rows of some cases on a machine, from the trials of these seeds.
///
/// # Errors
/// When a trial cannot be run to its end: the whole table is then worth nothing.
pub fn rows(cases: &[&Case], machine: &Arc<Description>, seeds: &[u64]) -> Result<Vec<Row>, RunError> {
    cases
        .iter()
        .map(|case| {
            let trials = seeds.par_iter().map(|&seed| run(case, machine, seed));
            let outcomes: Vec<_> = trials.collect::<Result<Vec<_>, _>>()?.into_iter().flatten().collect();
            let missing = seeds.len() - outcomes.len();
            Ok(row(case, machine, &outcomes, missing))
        })
        .collect()
}

fn row(case: &Case, machine: &Description, outcomes: &[Outcome], missing: usize) -> Row {
    let applies = machine.axes.iter().any(|axis| case.applies(axis));
    let own = |outcome: &&Outcome| outcome.first.is_some_and(|(cause, _)| cause == case.cause);
    let [noticed, stopped, moved_on, at_rest] = [
        figure(outcomes, |outcome| outcome.noticed),
        figure(outcomes, |outcome| outcome.stopped),
        figure(outcomes, |outcome| outcome.moved_on),
        figure(outcomes, |outcome| Measured {
            value: outcome.at_rest,
            budget: 1.0,
        }),
    ];
    let used = |outcome: &Outcome| {
        let all = [outcome.noticed, outcome.stopped, outcome.moved_on];
        all.into_iter().map(Measured::share).fold(0.0, f64::max)
    };
    let worst = outcomes.iter().max_by(|a, b| used(a).total_cmp(&used(b)));
    Row {
        cause: case.cause.name().to_string(),
        fault: case.fault.to_string(),
        machine: machine.name.clone(),
        trials: outcomes.len(),
        named: outcomes.iter().filter(|outcome| outcome.named).count(),
        first: outcomes.iter().filter(own).count(),
        before: {
            let others = outcomes.iter().filter(|outcome| !own(outcome));
            counted(others.map(|outcome| outcome.first))
        },
        false_alarms: counted(
            outcomes
                .iter()
                .filter(|outcome| outcome.false_alarm.is_some())
                .map(|outcome| outcome.false_alarm),
        ),
        noticed_median_ms: noticed.map(|of| of[0]),
        noticed_worst_ms: noticed.map(|of| of[1]),
        noticed_budget_ms: noticed.map(|of| of[2]),
        stopped_median_ms: stopped.map(|of| of[0]),
        stopped_worst_ms: stopped.map(|of| of[1]),
        stopped_budget_ms: stopped.map(|of| of[2]),
        at_rest_median_ms: at_rest.map(|of| of[0]),
        at_rest_worst_ms: at_rest.map(|of| of[1]),
        moved_on_median_mm: moved_on.map(|of| of[0]),
        moved_on_worst_mm: moved_on.map(|of| of[1]),
        moved_on_budget_mm: moved_on.map(|of| of[2]),
        outside: outcomes.iter().filter(|outcome| !outcome.good()).count() + if applies { missing } else { 0 },
        worst_seed: worst.map(|outcome| outcome.seed),
    }
}

/// Median, worst and its budget, in thousandths, to a tenth.
fn figure(outcomes: &[Outcome], of: fn(&Outcome) -> Measured) -> Option<[f64; 3]> {
    let mut all: Vec<Measured> = outcomes.iter().map(of).collect();
    let worst = *all.iter().max_by(|a, b| a.share().total_cmp(&b.share()))?;
    all.sort_by(|a, b| a.value.total_cmp(&b.value));
    let median = all[all.len() / 2].value;
    Some([median, worst.value, worst.budget].map(|value| (1e4 * value).round() / 10.0))
}

/// What was named, and how often, most often first.
fn counted(named: impl Iterator<Item = Option<Named>>) -> String {
    let mut counts: Vec<(usize, &str)> = Vec::new();
    for one in named {
        let name = one.map_or("nothing", |(cause, _)| cause.name());
        match counts.iter_mut().find(|(_, counted)| *counted == name) {
            Some((count, _)) => *count += 1,
            None => counts.push((1, name)),
        }
    }
    counts.sort_unstable_by(|a, b| b.cmp(a));
    let words: Vec<_> = counts.iter().map(|(count, name)| format!("{name} {count}")).collect();
    words.join("; ")
}

/// As a file.
///
/// # Panics
/// Never: what is written is memory.
pub fn to_csv(rows: &[Row]) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.serialize(row).expect("a row of plain values");
    }
    String::from_utf8(writer.into_inner().expect("memory")).expect("names are text")
}

/// From a file.
///
/// # Errors
/// When it is not one that was written by [`to_csv`].
pub fn from_csv(text: &str) -> Result<Vec<Row>, csv::Error> {
    csv::Reader::from_reader(text.as_bytes()).deserialize().collect()
}

/// As the page for developers has it: what was found, and how the budgets come about.
pub fn markdown(rows: &[Row]) -> String {
    let mut out = String::from(
        "| cause | fault | machine | named | named before it | false alarms | noticed, ms | stopped, ms | moved on, mm | inside | at rest, ms |\n|---|---|---|---|---|---|---|---|---|---|---|\n",
    );
    for row in rows {
        let [noticed, stopped, moved_on] = figures(row).map(|of| of.map_or("-".to_string(), spread));
        let [before, alarms] = [&row.before, &row.false_alarms].map(|named| if named.is_empty() { "-" } else { named });
        out += &format!(
            "| {} | {} | {} | {} of {} | {before} | {alarms} | {noticed} | {stopped} | {moved_on} | {} | {} |\n",
            row.cause,
            row.fault,
            row.machine,
            row.named,
            row.trials,
            verdict(row),
            at_rest(row),
        );
    }
    out += "\n| cause | what is put in | noticed counts from | and must come within | what may be named in its place | what else decides the stop |\n|---|---|---|---|---|---|\n";
    for case in cases::all() {
        let instead: Vec<_> = case
            .instead
            .iter()
            .map(|(cause, why)| format!("{cause}: {why}"))
            .collect();
        let instead = if instead.is_empty() {
            "-".to_string()
        } else {
            instead.join("; ")
        };
        out += &format!(
            "| {} | {} | {} | {} | {instead} | {} |\n",
            case.cause,
            case.fault,
            case.from,
            case.budget,
            case.open.unwrap_or("-")
        );
    }
    for (cause, why) in NOT_PROVOKED {
        out += &format!("| {cause} | nothing | - | - | {why} | - |\n");
    }
    out
}

/// For a terminal.
pub fn terminal(rows: &[Row]) -> String {
    let mut table = Table::new();
    table.load_preset(presets::NOTHING);
    table.set_header(["cause", "named", "noticed, ms", "stopped, ms", "moved on, mm", ""]);
    for row in rows {
        let figures = figures(row).map(|of| of.map_or("-".to_string(), spread).replace(" of ", "/"));
        let named = format!("{}/{}", row.named, row.trials);
        table.add_row([vec![row.cause.clone(), named], figures.to_vec(), vec![verdict(row)]].concat());
    }
    table.to_string()
}

type Figure = Option<[f64; 3]>;

fn figures(row: &Row) -> [Figure; 3] {
    let figure = |of: [Option<f64>; 3]| Some([of[0]?, of[1]?, of[2]?]);
    [
        figure([row.noticed_median_ms, row.noticed_worst_ms, row.noticed_budget_ms]),
        figure([row.stopped_median_ms, row.stopped_worst_ms, row.stopped_budget_ms]),
        figure([row.moved_on_median_mm, row.moved_on_worst_mm, row.moved_on_budget_mm]),
    ]
}

fn spread([median, worst, budget]: [f64; 3]) -> String {
    format!("{}, {} of {}", shown(median), shown(worst), shown(budget))
}

fn shown(value: f64) -> String {
    if value.is_finite() {
        format!("{value:.0}")
    } else {
        "never".to_string()
    }
}

fn at_rest(row: &Row) -> String {
    let both = row.at_rest_median_ms.zip(row.at_rest_worst_ms);
    both.map_or("-".to_string(), |(median, worst)| {
        format!("{}, {}", shown(median), shown(worst))
    })
}

fn verdict(row: &Row) -> String {
    match (row.trials, row.outside) {
        (0, 0) => "-".to_string(),
        (_, 0) => "yes".to_string(),
        (_, outside) => format!("no: {outside}"),
    }
}
