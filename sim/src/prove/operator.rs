//! Who holds the levers: what the hands of a work do once something has gone wrong.

use bellcrank_core::machine::LEVERS_MAX;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::adversary::Strategy;
use crate::scenario::{Act, Hand, Scenario};

/// From seeing that something is wrong to letting go, s (common practice, no source: simple reaction plus the time to make sure).
const LETS_GO_S: f64 = 0.8;
/// A clumsy hand hits another lever this often, s, and for so long, s.
const HITS_EVERY_S: f64 = 0.7;
const HIT_LASTS_S: f64 = 0.15;

/// How somebody works the levers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Operator {
    /// Does the work, and lets go of everything a moment after something goes wrong.
    Smooth,
    /// Does the work, and holds on to what it holds when something goes wrong.
    Frozen,
    /// Does the work, hits other levers on the way, and holds on.
    Clumsy,
    /// Does no work: sees where the arms are and pushes where that is worst, before and after (see [`crate::adversary`]). Resets nothing.
    Hostile,
}

impl Operator {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Smooth, Self::Frozen, Self::Clumsy, Self::Hostile];

    /// Its name in suites and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Smooth => "smooth",
            Self::Frozen => "frozen",
            Self::Clumsy => "clumsy",
            Self::Hostile => "hostile",
        }
    }

    /// How he pushes in the run of a number, where he is hostile.
    pub fn hostile(self, number: u64) -> Option<Strategy> {
        (self == Self::Hostile).then(|| Strategy::of_seed(number))
    }

    /// What the hands do in a work in which something first goes wrong at `fault`, s. What is drawn is drawn from `seed`.
    pub fn hands(self, work: &Scenario, fault: Option<f64>, seed: u64) -> Vec<Hand> {
        let fault = fault.unwrap_or(f64::INFINITY);
        let mut hands = work.hands.clone();
        match self {
            Self::Smooth => {
                hands.retain(|hand| hand.at < fault + LETS_GO_S);
                if fault.is_finite() {
                    let at = fault + LETS_GO_S;
                    hands.extend([Act::Neutral, Act::Enable(false)].map(|act| Hand { at, act }));
                }
            }
            Self::Frozen => hands.retain(|hand| hand.at < fault),
            Self::Clumsy => {
                hands.retain(|hand| hand.at < fault);
                hands.extend(hits(work, seed));
                hands.sort_by(|a, b| a.at.total_cmp(&b.at));
            }
            Self::Hostile => hands.clear(),
        }
        hands.retain(|hand| hand.at <= work.length);
        hands
    }
}

/// Levers that are hit and sprung back, all through the work.
fn hits(work: &Scenario, seed: u64) -> Vec<Hand> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let levers: Vec<usize> = (0..work.machine.axes.len())
        .filter(|&axis| work.machine.axes[axis].lever.is_some_and(|lever| lever < LEVERS_MAX))
        .collect();
    let mut hits = Vec::new();
    let mut t = 1.0;
    while t < work.length && !levers.is_empty() {
        let axis = levers[rng.random_range(0..levers.len())];
        let share = rng.random_range(-1.0..1.0);
        hits.push(Hand {
            at: t,
            act: Act::Lever { axis, share },
        });
        hits.push(Hand {
            at: t + HIT_LASTS_S,
            act: Act::Lever { axis, share: 0.0 },
        });
        t += rng.random_range(0.5..1.5) * HITS_EVERY_S;
    }
    hits
}
