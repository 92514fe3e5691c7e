//! Does the work of one case once, for an instruction counter to look at: `count setter-plant`. `cargo xtask
//! instructions` runs it and holds the counts to `instructions.csv`.
//!
//! Only what happens inside [`measured`] is meant to be counted.

use std::process::ExitCode;

use bellcrank_benches::at_work::{Loop, SCENARIOS, built_in, charged, controlled, to_and_fro};
use bellcrank_sim::plant::Accuracy;
use bellcrank_tests::cases::SingleCylinder;

/// Ticks in one simulated second.
const SECOND: u32 = 500;

/// Ticks until the scenario's hands move the arm, and the loop has work to do.
const UNTIL_MOVING: u32 = 4 * SECOND;

fn main() -> ExitCode {
    let case = std::env::args().nth(1).unwrap_or_default();
    let [digger, setter] = SCENARIOS;
    match case.as_str() {
        "digger-plant" => plant(digger),
        "setter-plant" => plant(setter),
        "setter-loop" => whole_loop(setter),
        "single-cylinder" => single_cylinder(),
        _ => {
            eprintln!("found `{case}`, wanted digger-plant, setter-plant, setter-loop or single-cylinder");
            return ExitCode::from(2);
        }
    }
    ExitCode::SUCCESS
}

/// The counter counts from here on, until this returns.
#[inline(never)]
fn measured(work: &mut dyn FnMut()) {
    work();
}

/// One second of the plant, every valve a fifth open to and fro.
fn plant(scenario: &str) {
    let mut plant = charged(&built_in(scenario), Accuracy::default());
    measured(&mut || to_and_fro(&mut plant, 0.2, SECOND));
}

/// One second of core, wiring and plant, the arm moving.
fn whole_loop(scenario: &str) {
    let scenario = built_in(scenario);
    let machine = controlled(&scenario);
    let mut whole = Loop::new(&scenario, &machine);
    whole.go_on(UNTIL_MOVING);
    measured(&mut || whole.go_on(SECOND));
}

/// The whole benchmark, three seconds, every row looked at.
fn single_cylinder() {
    let case = SingleCylinder::read();
    measured(&mut || {
        let run = case.rig.run(Accuracy::default(), SingleCylinder::INTERVAL);
        assert!(run.is_ok(), "it can be integrated");
    });
}
