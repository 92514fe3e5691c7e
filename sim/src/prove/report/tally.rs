//! What a ledger comes to: its runs, counted one after the other into tables that are as large as catalogue and machines make them. However long
//! the campaign, the memory is the same.

use std::collections::{BTreeMap, BTreeSet};

use bellcrank_machine::Description;

use super::spread::Spread;
use crate::prove::catalogue::{CATALOGUE, Entry};
use crate::prove::operator::Operator;
use crate::prove::outcome::{Outcome, Verdict};
use crate::prove::suite::Suite;

/// All verdicts, in the order in which they are told and counted.
pub const VERDICTS: [Verdict; 5] = [
    Verdict::Good,
    Verdict::Quiet,
    Verdict::Beyond,
    Verdict::Failed,
    Verdict::Void,
];

/// Where runs with more than one fault are counted: behind the entries.
pub const SEVERAL: usize = CATALOGUE.len();

/// Amounts are told in so many equal parts of an entry's range.
pub const AMOUNTS: usize = 5;

/// Failed and void runs that are kept, all together and of the same faults on the same machine; runs beyond software in the same way.
const FAILED: (usize, usize) = (200, 10);
const BEYOND: (usize, usize) = (100, 5);

/// The name of a verdict.
pub fn name(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Good => "good",
        Verdict::Quiet => "quiet",
        Verdict::Beyond => "beyond",
        Verdict::Failed => "failed",
        Verdict::Void => "void",
    }
}

/// How many runs came to which verdict, and the slowest notice among them.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Count {
    /// By verdict.
    pub verdicts: [u64; VERDICTS.len()],
    /// Those in which the core named something, whatever came of it.
    pub noticed: u64,
    /// The longest from fault to notice, ms, and the run.
    pub slowest: Option<(f64, u64)>,
}

impl Count {
    /// How many came to a verdict.
    pub fn of(&self, verdict: Verdict) -> u64 {
        self.verdicts[place(verdict)]
    }

    /// How many runs.
    pub fn runs(&self) -> u64 {
        self.verdicts.iter().sum()
    }

    /// The worst verdict there is; none without a run.
    pub fn worst(&self) -> Option<Verdict> {
        VERDICTS.into_iter().rev().find(|verdict| self.of(*verdict) > 0)
    }

    /// Both together.
    pub fn and(mut self, other: &Self) -> Self {
        for (mine, theirs) in self.verdicts.iter_mut().zip(other.verdicts) {
            *mine += theirs;
        }
        self.noticed += other.noticed;
        self.slowest = slower(self.slowest, other.slowest);
        self
    }

    fn add(&mut self, outcome: &Outcome) {
        self.verdicts[place(outcome.verdict)] += 1;
        self.noticed += u64::from(outcome.noticed_ms.is_some());
        self.slowest = slower(self.slowest, outcome.noticed_ms.map(|ms| (ms, outcome.run)));
    }
}

fn slower(a: Option<(f64, u64)>, b: Option<(f64, u64)>) -> Option<(f64, u64)> {
    match (a, b) {
        (Some(a), Some(b)) if b.0 <= a.0 => Some(a),
        (a, b) => b.or(a),
    }
}

/// What tells runs of one fault apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Cell {
    /// Entry of the catalogue, or [`SEVERAL`].
    pub entry: usize,
    /// The axis, where it is about one.
    pub axis: Option<usize>,
    /// Its place in [`Operator::ALL`].
    pub operator: usize,
}

/// The runs on one machine.
#[derive(Debug)]
pub struct OfMachine<'s> {
    /// The machine.
    pub machine: &'s Description,
    /// The runs of one fault, and, by operator, those of several.
    pub cells: BTreeMap<Cell, Count>,
    /// What was put in, alone or with others: entry and axis.
    pub put_in: BTreeSet<(usize, Option<usize>)>,
    /// Which part of its amounts was put in, by entry.
    pub amounts: BTreeMap<usize, [bool; AMOUNTS]>,
    /// By whom the levers were held when an entry was put in.
    pub operators: BTreeSet<(usize, usize)>,
    /// Which two entries were put in together, the one that stands first in the catalogue first.
    pub pairs: BTreeSet<(usize, usize)>,
    /// The earliest and the latest fault, s.
    pub at: Option<(f64, f64)>,
    /// How figures are spread.
    pub spread: Spread,
    /// The run that came nearest to a zone.
    pub nearest: Option<Outcome>,
    /// For each subsystem by name, the run that was noticed last.
    pub slowest: BTreeMap<&'static str, Outcome>,
}

/// All of it.
#[derive(Debug)]
pub struct Tally<'s> {
    /// By machine, in the order of the suite's works.
    pub machines: Vec<OfMachine<'s>>,
    /// All runs.
    pub all: Count,
    /// Failed and void runs, as many as are kept.
    pub failed: Vec<Outcome>,
    /// Runs beyond software, as many as are kept.
    pub beyond: Vec<Outcome>,
    /// The run to look at first.
    pub worst: Option<Outcome>,
    /// How many are kept of the same faults on the same machine: whether beyond software, the machine, the faults.
    kept: BTreeMap<(bool, usize, String), usize>,
}

impl<'s> Tally<'s> {
    /// Nothing counted yet.
    pub fn new(suite: &'s Suite) -> Self {
        let mut machines: Vec<OfMachine> = Vec::new();
        for work in &suite.works {
            if machines.iter().all(|known| known.machine.name != work.machine.name) {
                machines.push(OfMachine::new(&work.machine));
            }
        }
        Self {
            machines,
            all: Count::default(),
            failed: Vec::new(),
            beyond: Vec::new(),
            worst: None,
            kept: BTreeMap::new(),
        }
    }

    /// Counts a run.
    pub fn add(&mut self, outcome: &Outcome) {
        self.all.add(outcome);
        let machines = self.machines.iter_mut().enumerate();
        let Some((number, machine)) = machines
            .into_iter()
            .find(|(_, known)| known.machine.name == outcome.machine)
        else {
            return;
        };
        machine.add(outcome);
        if self
            .worst
            .as_ref()
            .is_none_or(|worst| badness(outcome) > badness(worst))
        {
            self.worst = Some(outcome.clone());
        }
        let (keep, (all, same)) = match outcome.verdict {
            Verdict::Failed | Verdict::Void => (&mut self.failed, FAILED),
            Verdict::Beyond => (&mut self.beyond, BEYOND),
            Verdict::Good | Verdict::Quiet => return,
        };
        if keep.len() < all {
            let key = (outcome.verdict == Verdict::Beyond, number, outcome.faults.clone());
            let so_far = self.kept.entry(key).or_default();
            if *so_far < same {
                *so_far += 1;
                keep.push(outcome.clone());
            }
        }
    }
}

impl<'s> OfMachine<'s> {
    fn new(machine: &'s Description) -> Self {
        Self {
            machine,
            cells: BTreeMap::new(),
            put_in: BTreeSet::new(),
            amounts: BTreeMap::new(),
            operators: BTreeSet::new(),
            pairs: BTreeSet::new(),
            at: None,
            spread: Spread::default(),
            nearest: None,
            slowest: BTreeMap::new(),
        }
    }

    fn add(&mut self, outcome: &Outcome) {
        let placed = placed(self.machine, outcome);
        let operator = Operator::ALL.iter().position(|known| known.name() == outcome.operator);
        let operator = operator.unwrap_or_default();
        let (entry, axis) = match placed[..] {
            [Put { entry, axis, .. }] => (entry, axis),
            _ => (SEVERAL, None),
        };
        self.cells
            .entry(Cell { entry, axis, operator })
            .or_default()
            .add(outcome);
        for put in &placed {
            self.put_in.insert((put.entry, put.axis));
            self.operators.insert((put.entry, operator));
            let part = (1..AMOUNTS)
                .take_while(|part| put.amount * AMOUNTS as f64 >= *part as f64)
                .count();
            self.amounts.entry(put.entry).or_default()[part] = true;
            let (first, last) = self.at.unwrap_or((put.at, put.at));
            self.at = Some((first.min(put.at), last.max(put.at)));
            let others = placed.iter().filter(|other| other.entry > put.entry);
            self.pairs.extend(others.map(|other| (put.entry, other.entry)));
        }
        let always = placed.iter().all(|put| CATALOGUE[put.entry].always);
        self.spread.add(outcome, always);
        if nearer(outcome, self.nearest.as_ref()) {
            self.nearest = Some(outcome.clone());
        }
        let subsystem = CATALOGUE
            .get(entry)
            .map_or(SEVERAL_NAME, |entry| entry.subsystem.name());
        let slowest = self.slowest.get(subsystem);
        if outcome.noticed_ms.is_some() && slowest.is_none_or(|slowest| slowest.noticed_ms < outcome.noticed_ms) {
            self.slowest.insert(subsystem, outcome.clone());
        }
    }

    /// The runs of an entry, whoever held the levers.
    pub fn of_entry(&self, entry: usize) -> Count {
        self.sum(|cell| cell.entry == entry)
    }

    /// The runs of an entry on an axis, or on none, whoever held the levers.
    pub fn of_place(&self, entry: usize, axis: Option<usize>) -> Count {
        self.sum(|cell| cell.entry == entry && cell.axis == axis)
    }

    fn sum(&self, of: impl Fn(&Cell) -> bool) -> Count {
        let cells = self.cells.iter().filter(|(cell, _)| of(cell));
        cells.fold(Count::default(), |sum, (_, count)| sum.and(count))
    }

    /// Where an entry can happen on this machine.
    pub fn places(&self, entry: &Entry) -> Vec<Option<usize>> {
        match entry.on {
            None => vec![None],
            Some(on) => (0..self.machine.axes.len())
                .filter(|&axis| on(&self.machine.axes[axis]))
                .map(Some)
                .collect(),
        }
    }

    /// The name of an axis; a dash where it is about none.
    pub fn axis_name(&self, axis: Option<usize>) -> &str {
        axis.map_or("-", |axis| &self.machine.axes[axis].name)
    }
}

/// What runs of more than one fault are filed under.
pub const SEVERAL_NAME: &str = "several at once";

/// One fault of a run, as its line tells it.
struct Put {
    entry: usize,
    axis: Option<usize>,
    at: f64,
    amount: f64,
}

/// The faults of a run. One that the catalogue does not know is left out: its ledger would not have been taken.
fn placed(machine: &Description, outcome: &Outcome) -> Vec<Put> {
    let columns = [&outcome.faults, &outcome.axes, &outcome.at_s, &outcome.amounts_percent];
    let [faults, axes, at, amounts] = columns.map(|column| column.split(" + "));
    let rows = faults.zip(axes).zip(at.zip(amounts));
    rows.filter_map(|((fault, axis), (at, amount))| {
        Some(Put {
            entry: CATALOGUE.iter().position(|entry| entry.name == fault)?,
            axis: machine.axes.iter().position(|known| known.name == axis),
            at: at.parse().ok()?,
            amount: 1e-2 * amount.parse::<f64>().ok()?,
        })
    })
    .collect()
}

fn place(verdict: Verdict) -> usize {
    VERDICTS.iter().position(|known| *known == verdict).unwrap_or_default()
}

fn nearer(outcome: &Outcome, than: Option<&Outcome>) -> bool {
    let than = than.and_then(|than| than.nearest_mm);
    outcome
        .nearest_mm
        .is_some_and(|nearest| than.is_none_or(|than| nearest < than))
}

/// How much a run is worth looking at: its verdict, how deep an arm was in a zone, how far a tip moved on.
fn badness(outcome: &Outcome) -> (usize, f64, f64) {
    let verdict = match outcome.verdict {
        // There is nothing to see in a run that could not be run.
        Verdict::Void => 0,
        verdict => 1 + place(verdict),
    };
    let depth = outcome.nearest_mm.map_or(0.0, |nearest| (-nearest).max(0.0));
    (verdict, depth, outcome.travel_mm.unwrap_or(0.0))
}
