//! Trimming, judged by the plant: one machine with four random valves. `cargo xtask trim` has fifty, and what is counted over all of them.

use bellcrank_sim::trim::proof::judge;

#[test]
fn a_trimmed_machine_goes_as_its_file_says() {
    let outcome = judge(1).unwrap();
    assert_eq!(outcome.valves.len(), 4);
    for valve in &outcome.valves {
        let valve = valve.as_ref().unwrap();
        let after = &valve.driven[1];
        assert!(valve.errors.iter().all(|error| error.0.abs() < 0.01), "{valve:?}");
        assert!(valve.curve < 0.05, "{valve:?}");
        assert!(after.creep_least > 0.25, "{valve:?}");
        assert!(after.overshoot < 0.05 && after.still, "{valve:?}");
        assert!(valve.rho[1] <= 0.5 * valve.rho[0], "{valve:?}");
    }
    let [before, after] = outcome.rho;
    assert!(after <= 0.5 * before, "{before} {after}");
}
