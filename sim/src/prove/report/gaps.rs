//! What a campaign has not exercised.

use super::tally::{AMOUNTS, OfMachine, VERDICTS};
use crate::prove::catalogue::{CATALOGUE, Entry};
use crate::prove::operator::Operator;
use crate::prove::outcome::Verdict;

/// What no campaign can exercise: the simulation has no physics for it. Each stands where the code that it is about says so.
pub const NO_PHYSICS: [&str; 11] = [
    "heat: the oil keeps the temperature that it is given, and no seal, hose or coil warms up",
    "waves in hoses: pressure is the same from end to end",
    "flow forces on spools",
    "bending: links are rigid, pins have no play",
    "the carrier: it stands still, neither sinks nor tips",
    "soil: under a tip the ground is a soft plane; there is no digging, and nothing slips or breaks off",
    "the load: a point at the tip, which neither swings nor touches anything, and is no part of what is kept out of zones",
    "self-collision: an arm is kept from zones and from the other arm, not from itself; hoses and brackets are not there",
    "blows: what runs into a zone goes through it",
    "weather, electromagnetic disturbance, corrosion, and wear but for what the catalogue names",
    "people: whoever holds the levers is one of the few ways of holding them that are named here",
];

/// What was not exercised on one machine. Everything by its place in the catalogue.
#[derive(Debug, Default)]
pub struct Gaps {
    /// Never put in at all, though it can happen.
    pub never: Vec<usize>,
    /// Put in on some axes, never on these.
    pub axes: Vec<(usize, Vec<Option<usize>>)>,
    /// Put in, alone too, but it never showed.
    pub quiet: Vec<usize>,
    /// Put in only together with others.
    pub never_alone: Vec<usize>,
    /// It has nothing that this could happen to.
    pub cannot: Vec<usize>,
    /// Which parts of its amounts were never put in.
    pub amounts: Vec<(usize, Vec<usize>)>,
    /// Who never held the levers when it was put in, by its place in [`Operator::ALL`].
    pub operators: Vec<(usize, Vec<usize>)>,
    /// Two entries that were never put in together.
    pub pairs: Vec<(usize, usize)>,
    /// How many pairs there are.
    pub pairs_possible: usize,
}

/// What was not exercised on a machine.
pub fn gaps(machine: &OfMachine) -> Gaps {
    let mut gaps = Gaps::default();
    let mut fits = Vec::new();
    for (number, entry) in CATALOGUE.iter().enumerate() {
        let places = machine.places(entry);
        if places.is_empty() {
            gaps.cannot.push(number);
            continue;
        }
        fits.push(number);
        let missing: Vec<_> = places
            .iter()
            .copied()
            .filter(|axis| !machine.put_in.contains(&(number, *axis)))
            .collect();
        if missing.len() == places.len() {
            gaps.never.push(number);
            continue;
        }
        if !missing.is_empty() {
            gaps.axes.push((number, missing));
        }
        let alone = machine.of_entry(number);
        if alone.runs() == 0 {
            gaps.never_alone.push(number);
        } else if alone.of(Verdict::Quiet) == alone.runs() {
            gaps.quiet.push(number);
        }
        gaps.amounts.extend(amounts(machine, number, entry));
        let absent: Vec<_> = (0..Operator::ALL.len())
            .filter(|operator| !machine.operators.contains(&(number, *operator)))
            .collect();
        if !absent.is_empty() {
            gaps.operators.push((number, absent));
        }
    }
    for (place, &first) in fits.iter().enumerate() {
        for &second in &fits[place + 1..] {
            gaps.pairs_possible += 1;
            if !machine.pairs.contains(&(first, second)) {
                gaps.pairs.push((first, second));
            }
        }
    }
    gaps
}

/// The parts of an entry's amounts that were never put in, where it has amounts.
fn amounts(machine: &OfMachine, number: usize, entry: &Entry) -> Option<(usize, Vec<usize>)> {
    let there = machine.amounts.get(&number)?;
    let missing: Vec<_> = (0..AMOUNTS).filter(|part| !there[*part]).collect();
    (!entry.amount.is_empty() && !missing.is_empty()).then_some((number, missing))
}

/// The verdicts that no run came to: nothing can be learnt here about what leads to them.
pub fn without_a_run(of: &super::tally::Count) -> Vec<Verdict> {
    VERDICTS.into_iter().filter(|verdict| of.of(*verdict) == 0).collect()
}
