//! Trimming, judged by the plant: one machine with four random valves. `cargo xtask trim` has fifty, and what is counted over all of them.

use bellcrank_sim::trim::proof::judge;

/// A machine whose file knows nothing of its valves, each with a play wide enough that it would stand still at a creep.
#[test]
fn a_trimmed_machine_goes_as_its_file_says() {
    let outcome = judge(20).unwrap();
    for valve in &outcome.valves {
        let valve = valve.as_ref().unwrap();
        let [before, after] = &valve.driven;
        assert!(valve.errors.iter().all(|error| error.0.abs() < 0.01), "{valve:?}");
        assert!(valve.curve < 0.05, "{valve:?}");
        assert!(after.creep_least > 0.25 && before.creep_least < 0.95, "{valve:?}");
        assert!(after.overshoot < 0.05 && after.still, "{valve:?}");
    }
    let [before, after] = outcome.rho;
    assert!(after <= 0.5 * before, "{before} {after}");
}
