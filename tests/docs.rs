//! The table in DEVELOPERS.md is the table that runs.

use bellcrank_core::supervise::{Action, State, Trigger, next};

/// One row a trigger, the most urgent first; one column a state. A cell is the state after and, where there is power, what it is for.
fn table() -> String {
    let mut out = String::from("| trigger |");
    for state in State::ALL {
        out += &format!(" {state} |");
    }
    out += &format!("\n|---|{}\n", "---|".repeat(State::ALL.len()));
    for trigger in Trigger::ALL {
        out += &format!("| {trigger:?} |");
        for state in State::ALL {
            let (after, action) = next(state, trigger);
            let shown = if after == state {
                "·".to_string()
            } else {
                after.to_string()
            };
            out += &match action {
                Action::Cut => format!(" {shown} |"),
                Action::RampDown => format!(" {shown} (ramps down) |"),
                Action::Drive => format!(" **{shown} (drives)** |"),
            };
        }
        out += "\n";
    }
    out
}

#[test]
fn the_interlock_table_in_developers_md_is_the_one_that_runs() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../DEVELOPERS.md");
    let text = std::fs::read_to_string(path).unwrap();
    let table = table();
    assert!(
        text.contains(&table),
        "DEVELOPERS.md should have this table:\n\n{table}"
    );
}
