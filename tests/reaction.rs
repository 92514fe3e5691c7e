//! Reaction, the short way: `cargo xtask reaction` has many more trials, and its table stands in DEVELOPERS.md.

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::thread;

use bellcrank_core::cause::Cause;
use bellcrank_core::supervise::State;
use bellcrank_machine::description::Description;
use bellcrank_machine::find;
use bellcrank_sim::reaction::case::Case;
use bellcrank_sim::reaction::cases::{self, NOT_PROVOKED};
use bellcrank_sim::reaction::table::{BEGIN, END, Row, from_csv, markdown};
use bellcrank_sim::reaction::{MACHINES, Outcome, run};
use bellcrank_sim::run::rehearse;
use bellcrank_sim::scenario::{self, FaultKind};
use bellcrank_sim::trace::Trace;

/// Trials of each case on each machine.
const SEEDS: u64 = 3;

fn machine(name: &str) -> Arc<Description> {
    Arc::new(find(name, Path::new("")).unwrap())
}

/// The table as it was last blessed.
fn rows() -> Vec<Row> {
    from_csv(include_str!("data/reaction.csv")).unwrap()
}

fn case(cause: Cause) -> &'static Case {
    cases::all().find(|case| case.cause == cause).unwrap()
}

#[test]
fn every_cause_is_provoked_or_says_why_not() {
    for cause in Cause::ALL {
        let provoked = cases::all().any(|case| case.cause == cause);
        let excused = NOT_PROVOKED.iter().any(|(excused, _)| *excused == cause);
        assert!(provoked != excused, "{cause}");
    }
}

/// A few of the trials of the table, most of them of rows that it says are inside their budgets.
#[test]
fn each_cause_is_noticed_named_and_stopped_within_its_budget() {
    let rows = rows();
    for name in MACHINES {
        let machine = &machine(name);
        let trials = |odd: usize| {
            for case in cases::all().skip(odd).step_by(2) {
                let is_this = |row: &&Row| {
                    (row.cause.as_str(), row.fault.as_str(), &row.machine)
                        == (case.cause.name(), case.fault, &machine.name)
                };
                let row = rows.iter().find(is_this).unwrap();
                for seed in 1..=SEEDS {
                    let outcome = run(case, machine, seed).unwrap();
                    assert_eq!(outcome.is_some(), row.trials > 0);
                    if let Some(outcome) = outcome {
                        hold(row, case, &outcome);
                    }
                }
            }
        };
        thread::scope(|scope| {
            let odd = scope.spawn(|| trials(1));
            trials(0);
            odd.join().unwrap();
        });
    }
    let inside = rows.iter().filter(|row| row.outside == 0).count();
    assert!(4 * inside >= 3 * rows.len(), "{inside} of {}", rows.len());
}

/// Where the table says that all is inside, it is; where it does not, the fault at least ends the motion under some name.
fn hold(row: &Row, case: &Case, outcome: &Outcome) {
    let what = format!("{}, {}, {}: {outcome:?}", row.machine, row.cause, row.fault);
    assert!(outcome.first.is_some(), "{what}");
    if row.outside == 0 {
        let stands = |(cause, _)| case.instead.iter().any(|(instead, _)| *instead == cause);
        assert!(outcome.good(), "{what}");
        assert!(outcome.named || outcome.first.is_some_and(stands), "{what}");
    }
}

/// What is measured can be out of bounds: nothing wrong is never noticed, and nothing ends the motion.
#[test]
fn a_trial_without_a_fault_is_outside_every_budget() {
    let harmless = Case {
        make: |_, _| vec![(FaultKind::PumpWorn { share: 1.0 }, None)],
        ..*case(Cause::StopButton)
    };
    let outcome = run(&harmless, &machine(MACHINES[0]), 1).unwrap().unwrap();
    assert_eq!((outcome.named, outcome.first), (false, None));
    assert!(!outcome.noticed.inside() && !outcome.stopped.inside(), "{outcome:?}");
    assert!(!outcome.good());
}

#[test]
fn a_trial_can_be_repeated() {
    let machine = machine(MACHINES[0]);
    let [one, two, other] = [3, 3, 4].map(|seed| run(case(Cause::LinkLost), &machine, seed).unwrap().unwrap());
    assert_eq!(one, two);
    assert_ne!(one.moved_on, other.moved_on);
}

#[test]
fn the_table_in_developers_md_is_that_of_the_file() {
    let rows = rows();
    assert_eq!(rows.len(), MACHINES.len() * cases::all().count());
    let page = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../DEVELOPERS.md")).unwrap();
    let (_, rest) = page.split_once(BEGIN).unwrap();
    let (table, _) = rest.split_once(END).unwrap();
    assert_eq!(
        table.trim(),
        markdown(&rows).trim(),
        "`cargo xtask reaction --bless` writes it"
    );
}

/// The digger slews at half lever from 1 s on; the fault comes at 2 s.
fn slewing(fault: &str) -> Trace {
    let text = format!(
        "name = \"n\"\nabout = \"a\"\nmachine = \"yard digger\"\nlength_s = 3.5\nstation = \"seat\"\nmode = \"joint\"
[[start]]\narm = \"digger\"\nangles_deg = [-40, -40, 80, 30]
[[hand]]\nat_s = 0.4\nenable = true\n[[hand]]\nat_s = 1.0\nlever = {{ axis = \"slew\", share = 0.5 }}
[[fault]]\nat_s = 2.0\n{fault}\n"
    );
    let scenario = scenario::parse("s.toml", &text, Path::new("")).unwrap_or_else(|error| panic!("{error}"));
    rehearse(&scenario, 1).unwrap()
}

fn rate(trace: &Trace, t: f64) -> f64 {
    trace.samples.iter().find(|sample| sample.t >= t - 1e-9).unwrap().axes[0].rate
}

fn noticed(trace: &Trace) -> Option<Cause> {
    trace.events.iter().find_map(bellcrank_sim::trace::Noticed::cause)
}

/// The core is not called any more, and does not know. What it told last keeps the arm going until the watchdog takes the power.
#[test]
fn a_loop_that_hangs_is_ended_by_the_watchdog() {
    let trace = slewing("kind = \"loop_hangs\"");
    assert!(rate(&trace, 1.99) > 0.1, "{}", rate(&trace, 1.99));
    assert!(rate(&trace, 3.4).abs() < 0.02, "{}", rate(&trace, 3.4));
    let last = trace.samples.last().unwrap();
    assert!(last.supply < 10e5, "{} Pa", last.supply);
    assert_eq!((noticed(&trace), last.state), (None, State::Enabled));
}

/// It starts without power, and a lever that is out keeps it so. Away for longer, it has tripped the watchdog besides, and the engine's relay does
/// not come when it is told to.
#[test]
fn a_controller_that_starts_anew_in_motion_does_not_go_on() {
    for (lasts, state, cause) in [
        (0.008, State::Standby, None),
        (0.1, State::Fault, Some(Cause::EngineRelay)),
    ] {
        let trace = slewing(&format!("kind = \"restart\"\nlasts_s = {lasts}"));
        assert!(
            rate(&trace, 1.99) > 0.1 && rate(&trace, 3.4).abs() < 0.02,
            "{}",
            rate(&trace, 3.4)
        );
        assert_eq!((trace.samples.last().unwrap().state, noticed(&trace)), (state, cause));
    }
}

/// A few lost frames are nothing; where hardly any comes through the link is lost.
#[test]
fn a_poor_link_stops_the_machine_only_where_it_is_as_good_as_lost() {
    let poor = |share: f64| {
        noticed(&slewing(&format!(
            "kind = \"link_poor\"\nstation = \"seat\"\nshare = {share}"
        )))
    };
    assert_eq!(poor(0.3), None);
    assert_eq!(poor(0.95), Some(Cause::LinkLost));
}

/// Ten millivolts on a sensor are ridden through; a volt is none that could be believed.
#[test]
fn a_noisy_sensor_is_ridden_through_until_it_makes_no_sense() {
    let noisy = |millivolts: u32| {
        noticed(&slewing(&format!(
            "kind = \"sensor_noise\"\naxis = \"slew\"\nnoise_mv = {millivolts}"
        )))
    };
    assert_eq!(noisy(10), None);
    assert!(noisy(1000).is_some());
}
