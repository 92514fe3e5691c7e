//! A suite: what a campaign runs, as data. TOML, with the unit in each key.
//!
//! | table | what it is |
//! |---|---|
//! | top | `name`, `about`, `seed` |
//! | `[limits]` | `noticed_ms`, `stopped_ms`, `travel_mm`: what no run may exceed |
//! | `[[work]]` | `scenario`: what a machine and its hands do. Faults and expectations of that scenario are left out |
//! | `[[cross]]` | every `work` with every one of `faults`, on each axis that it can happen to, at every one of `at_s`, with every one of `amounts_percent` (of the catalogue entry's range) and every one of `operators` |
//! | `[[draw]]` | `runs` runs with `faults_at_once` faults, everything drawn by chance; each `at_s` between two times |
//! | `[[adversary]]` | the same in hostile hands, from any pose that keeps the margins, with any load, for as long as the work lasts; `faults_at_once` may be 0 |
//!
//! A run is a function of the suite and its number alone. The runs of a suite are counted, not listed: a campaign of millions takes no more
//! memory than a small one.

use std::path::Path;

use bellcrank_machine::document::{self, BuiltIn, DocumentError, Table};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::catalogue::{CATALOGUE, Entry, Place};
use super::operator::Operator;
use crate::adversary;
use crate::scenario::{self, Expect, Fault, Scenario};

/// The built-in suites.
pub const BUILTIN: [BuiltIn; 1] = [("shift", include_str!("../../suites/shift.toml"))];

/// Seeds of the sensors' noise: so many, so that runs can be set beside the same work without a fault.
pub const NOISES: u64 = 4;

/// What a campaign runs.
#[derive(Debug)]
pub struct Suite {
    /// What it is called.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// What no run may exceed.
    pub limits: Limits,
    /// The work that is being done.
    pub works: Vec<Scenario>,
    seed: u64,
    sections: Vec<Section>,
}

/// What no run may exceed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// From a fault to its being noticed, s.
    pub noticed: f64,
    /// From there until all tips are at rest, s.
    pub stopped: f64,
    /// Way of a tip after the fault beyond that of the same work without it, m.
    pub travel: f64,
}

/// A fault of a run.
#[derive(Clone, Copy)]
pub struct Placed {
    /// What.
    pub entry: &'static Entry,
    /// On which axis, where it is about one.
    pub axis: Option<usize>,
    /// When, s.
    pub at: f64,
    /// How bad, 0 to 1.
    pub amount: f64,
}

/// One run of a suite.
#[derive(Debug, Clone)]
pub struct Run {
    /// Its number in the suite, from 0.
    pub number: u64,
    /// The work, by its number.
    pub work: usize,
    /// What goes wrong.
    pub faults: Vec<Placed>,
    /// Who holds the levers.
    pub operator: Operator,
    /// Seed of the noise.
    pub seed: u64,
    /// It does not begin as the work does, but from any pose, with any load.
    pub anywhere: bool,
}

#[derive(Debug)]
enum Section {
    Cross(Cross),
    Draw(Draw),
}

/// Everything with everything.
#[derive(Debug)]
struct Cross {
    /// Work, entry of the catalogue, axis.
    places: Vec<(usize, usize, Option<usize>)>,
    at: Vec<f64>,
    amounts: Vec<f64>,
    operators: Vec<Operator>,
}

/// By chance.
#[derive(Debug)]
struct Draw {
    runs: u64,
    works: Vec<usize>,
    entries: Vec<usize>,
    at_once: usize,
    at: (f64, f64),
    operators: Vec<Operator>,
    anywhere: bool,
}

/// Reads a suite by the name of a built-in one or by its path.
///
/// # Errors
/// When it, a scenario of it or a machine file cannot be read or is not right.
pub fn read(name: &str) -> Result<Suite, DocumentError> {
    let (file, text) = document::find("suite", name, &BUILTIN, Path::new(""))?;
    let folder = Path::new(name).parent().unwrap_or_else(|| Path::new(""));
    parse(&file, &text, folder)
}

/// Reads a suite from its text. `folder` is where relative paths of its scenarios start.
///
/// # Errors
/// When it, a scenario of it or a machine file is not right.
pub fn parse(file: &str, text: &str, folder: &Path) -> Result<Suite, DocumentError> {
    // The scenarios first: all else is checked against their machines.
    let names = document::read(file, text, |t| {
        t.pass_over_rest();
        t.tables("work", |t| {
            t.pass_over_rest();
            t.text("scenario")
        })
    })?;
    let works = names
        .iter()
        .map(|name| match scenario::builtin(name) {
            Some(text) => scenario::parse(name, text, folder),
            None => scenario::read(&folder.join(name).to_string_lossy()),
        })
        .map(|work| work.map(plain))
        .collect::<Result<Vec<_>, _>>()?;
    Ok(document::read(file, text, |t| suite(t, works))?)
}

/// The work of a scenario alone.
fn plain(scenario: Scenario) -> Scenario {
    Scenario {
        faults: Vec::new(),
        expect: Expect::default(),
        ..scenario
    }
}

fn suite(t: &Table, works: Vec<Scenario>) -> Suite {
    t.tables("work", |t| t.text("scenario"));
    let limits = t.table("limits", |t| Limits {
        noticed: t.number("noticed_ms", 1.0..=60_000.0),
        stopped: t.number("stopped_ms", 1.0..=60_000.0),
        travel: t.number("travel_mm", 1.0..=10_000.0),
    });
    let within = |t: &Table, key: &'static str| {
        let shortest = works.iter().map(|work| work.length).fold(f64::INFINITY, f64::min);
        t.numbers(key, 0.0..=shortest)
    };
    let mut sections = Vec::new();
    if let Some(key) = t.optional("cross") {
        sections.extend(t.tables(key, |t| {
            let (of, entries) = (chosen_works(t, &works), chosen_entries(t));
            let places = of.iter().flat_map(|&work| {
                let works = &works;
                entries
                    .iter()
                    .flat_map(move |&entry| axes(&works[work], CATALOGUE[entry]).map(move |axis| (work, entry, axis)))
            });
            Section::Cross(Cross {
                places: places.collect(),
                at: within(t, "at_s"),
                amounts: t
                    .optional("amounts_percent")
                    .map_or_else(|| vec![1.0], |key| t.numbers(key, 0.0..=100.0).into_iter().collect()),
                operators: chosen_operators(t),
            })
        }));
    }
    for (key, adversary) in [("draw", false), ("adversary", true)] {
        if let Some(key) = t.optional(key) {
            sections.extend(t.tables(key, |t| Section::Draw(draw(t, &works, adversary))));
        }
    }
    Suite {
        name: t.text("name"),
        about: t.text("about"),
        seed: t.whole("seed", 0..=u64::from(u32::MAX)),
        limits,
        works,
        sections,
    }
}

/// `[[draw]]` or `[[adversary]]`.
fn draw(t: &Table, works: &[Scenario], adversary: bool) -> Draw {
    let shortest = works.iter().map(|work| work.length).fold(f64::INFINITY, f64::min);
    let at_once = t
        .optional("faults_at_once")
        .map_or(1, |key| t.whole(key, usize::from(!adversary)..=3));
    // What leaves nothing to notice anything says nothing of another fault beside it, nor of hands that push: it is drawn only by name.
    let named = t.optional("faults").is_some();
    let entries = chosen_entries(t);
    Draw {
        runs: t.whole("runs", 1..=1_000_000_000),
        works: chosen_works(t, works),
        entries: entries
            .into_iter()
            .filter(|&entry| named || !CATALOGUE[entry].silent)
            .collect(),
        at_once,
        at: if at_once == 0 {
            (0.0, 0.0)
        } else {
            t.rising("at_s", 0.0..=shortest)
        },
        operators: if adversary {
            vec![Operator::Hostile]
        } else {
            chosen_operators(t)
        },
        anywhere: adversary,
    }
}

/// Which of the works a section means: those it names, or all.
fn chosen_works(t: &Table, works: &[Scenario]) -> Vec<usize> {
    let names = works.iter().map(|work| work.source.as_str());
    chosen(t, "work", &names.collect::<Vec<_>>())
}

fn chosen_entries(t: &Table) -> Vec<usize> {
    let names: Vec<&str> = CATALOGUE.iter().map(|entry| entry.name).collect();
    chosen(t, "faults", &names)
}

fn chosen_operators(t: &Table) -> Vec<Operator> {
    let names = Operator::ALL.map(Operator::name);
    let chosen = chosen(t, "operators", &names);
    chosen.into_iter().map(|index| Operator::ALL[index]).collect()
}

/// The places in `among` of the names under a key; all of them where it is left out.
fn chosen(t: &Table, key: &'static str, among: &[&str]) -> Vec<usize> {
    let Some(key) = t.optional(key) else {
        return (0..among.len()).collect();
    };
    let mut found = Vec::new();
    for name in t.texts(key) {
        if let Some(index) = among.iter().position(|known| *known == name) {
            found.push(index);
        } else {
            t.complain(key, format!("{name:?}"), wanted(&name, among));
        }
    }
    found
}

/// What would be right in place of a name: all that there are, or the nearest of many.
fn wanted(name: &str, among: &[&str]) -> String {
    const FEW: usize = 8;
    let listed = |names: &[&str]| {
        names
            .iter()
            .map(|name| format!("{name:?}"))
            .collect::<Vec<_>>()
            .join(", ")
    };
    if among.len() <= FEW {
        return format!("one of {}", listed(among));
    }
    let mut nearest = among.to_vec();
    nearest.sort_by(|one, two| strsim::jaro_winkler(two, name).total_cmp(&strsim::jaro_winkler(one, name)));
    format!(
        "one of {} names; the nearest are {}",
        among.len(),
        listed(&nearest[..3])
    )
}

/// Where an entry can happen in a work: on each axis that it fits, or, where it is about no axis, once.
fn axes(work: &Scenario, entry: &Entry) -> Box<dyn Iterator<Item = Option<usize>>> {
    match entry.on {
        None => Box::new(std::iter::once(None)),
        Some(on) => {
            let fits = work.machine.axes.iter().enumerate().filter(|(_, axis)| on(axis));
            let fits: Vec<_> = fits.map(|(index, _)| Some(index)).collect();
            Box::new(fits.into_iter())
        }
    }
}

impl Suite {
    /// How many runs there are.
    pub fn runs(&self) -> u64 {
        self.sections.iter().map(Section::runs).sum()
    }

    /// The run of that number.
    ///
    /// # Panics
    /// If there is none.
    pub fn run(&self, number: u64) -> Run {
        let mut left = number;
        for (index, section) in (0..).zip(&self.sections) {
            if left < section.runs() {
                return match section {
                    Section::Cross(cross) => cross.run(number, left),
                    Section::Draw(draw) => draw.run(self, number, (index, left)),
                };
            }
            left -= section.runs();
        }
        panic!("run {number} of {}", self.runs());
    }

    /// What a run rehearses.
    pub fn scenario(&self, run: &Run) -> Scenario {
        let work = &self.works[run.work];
        let faults = run.faults.iter().map(|placed| placed.fault(work));
        let first = run.faults.iter().map(|placed| placed.at).reduce(f64::min);
        let mut scenario = Scenario {
            hands: run.operator.hands(work, first, run.number),
            hostile: run.operator.hostile(run.number),
            faults: faults.collect(),
            ..work.clone()
        };
        if run.anywhere {
            let mut rng = ChaCha8Rng::seed_from_u64(self.seed ^ run.number << 32);
            (scenario.start, scenario.payloads) = adversary::anywhere(&work.machine, &mut rng);
        }
        scenario.faults.sort_by(|a, b| a.at.total_cmp(&b.at));
        scenario
    }
}

impl Placed {
    fn fault(&self, work: &Scenario) -> Fault {
        let (kind, lasts) = (self.entry.make)(&Place {
            machine: &work.machine,
            axis: self.axis.unwrap_or(0),
            amount: self.amount,
            station: work.station,
        });
        Fault {
            at: self.at,
            lasts,
            kind,
        }
    }
}

impl std::fmt::Debug for Placed {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} on {:?} at {} s by {}",
            self.entry.name, self.axis, self.at, self.amount
        )
    }
}

impl Section {
    fn runs(&self) -> u64 {
        match self {
            Self::Cross(cross) => {
                let sizes = [
                    cross.places.len(),
                    cross.at.len(),
                    cross.amounts.len(),
                    cross.operators.len(),
                ];
                sizes.iter().map(|size| *size as u64).product()
            }
            Self::Draw(draw) => draw.runs,
        }
    }
}

impl Cross {
    fn run(&self, number: u64, mut left: u64) -> Run {
        let mut digit = |size: usize| {
            let digit = left % size as u64;
            left /= size as u64;
            usize::try_from(digit).unwrap_or(0)
        };
        let (at, amount) = (self.at[digit(self.at.len())], self.amounts[digit(self.amounts.len())]);
        let operator = self.operators[digit(self.operators.len())];
        let (work, entry, axis) = self.places[digit(self.places.len())];
        let placed = Placed {
            entry: CATALOGUE[entry],
            axis,
            at,
            amount,
        };
        Run {
            number,
            work,
            faults: vec![placed],
            operator,
            seed: 1 + number % NOISES,
            anywhere: false,
        }
    }
}

impl Draw {
    fn run(&self, suite: &Suite, number: u64, (section, index): (u64, u64)) -> Run {
        let mut rng = ChaCha8Rng::seed_from_u64(suite.seed);
        rng.set_stream(section + 1);
        // Each run draws from a part of the stream of its own, longer than it can need.
        rng.set_word_pos(u128::from(index) << 12);
        let work = *self.works.choose(&mut rng).unwrap_or(&0);
        let faults = (0..self.at_once).map(|_| {
            // Not every entry can happen on every machine.
            let fits = |entry: &usize| axes(&suite.works[work], CATALOGUE[*entry]).collect::<Vec<_>>();
            let here: Vec<usize> = self
                .entries
                .iter()
                .copied()
                .filter(|entry| !fits(entry).is_empty())
                .collect();
            let entry = *here.choose(&mut rng).unwrap_or(&0);
            Placed {
                entry: CATALOGUE[entry],
                axis: fits(&entry).choose(&mut rng).copied().flatten(),
                at: rng.random_range(self.at.0..self.at.1),
                amount: rng.random_range(0.0..1.0),
            }
        });
        Run {
            number,
            work,
            faults: faults.collect(),
            operator: *self.operators.choose(&mut rng).unwrap_or(&Operator::Smooth),
            seed: 1 + rng.random_range(0..NOISES),
            anywhere: self.anywhere,
        }
    }
}
