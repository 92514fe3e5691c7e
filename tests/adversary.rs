//! The adversary, the short way: `cargo xtask adversary` has many more runs.

use std::path::Path;
use std::sync::Arc;
use std::thread;

use bellcrank_machine::description::Description;
use bellcrank_machine::find;
use bellcrank_sim::adversary::{MACHINES, Outcome, run, without_zones};

/// Two threads share the runs of these seeds.
fn runs(believed: &Description, real: &Arc<Description>, seeds: std::ops::RangeInclusive<u64>) -> Vec<Outcome> {
    let own = |odd: u64| -> Vec<Outcome> {
        let seeds = seeds.clone().filter(|seed| seed % 2 == odd);
        seeds.map(|seed| run(believed, real, seed).unwrap()).collect()
    };
    thread::scope(|scope| {
        let odd = scope.spawn(|| own(1));
        let mut all = own(0);
        all.extend(odd.join().unwrap());
        all
    })
}

#[test]
fn nothing_gets_into_a_zone_or_into_the_other_arm_unless_the_core_knows_of_none() {
    for name in MACHINES {
        let machine = Arc::new(find(name, Path::new("")).unwrap());
        for outcome in runs(&machine, &machine, 1..=12) {
            assert!(!outcome.entered(), "{name}: {outcome:?}");
            assert!(outcome.driven > 0.5, "{name}: the hands hardly drove: {outcome:?}");
        }
        let blind = runs(&without_zones(&machine), &machine, 1..=12);
        assert!(
            blind.iter().any(Outcome::entered),
            "{name}: nothing enters a zone that nobody keeps out of"
        );
    }
}

#[test]
fn a_run_can_be_repeated() {
    let machine = Arc::new(find(MACHINES[0], Path::new("")).unwrap());
    let [one, two, other] = [3, 3, 4].map(|seed| run(&machine, &machine, seed).unwrap());
    assert_eq!(one, two);
    assert_ne!(one.to_zone, other.to_zone);
}
