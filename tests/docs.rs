//! What is written is what is there: the table in DEVELOPERS.md, and the published values that tests name.

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

/// Every `PV-nn` in a test is a row of `data/published-values.csv`, where its source stands.
#[test]
fn every_published_value_that_a_test_names_has_its_source() {
    let root = concat!(env!("CARGO_MANIFEST_DIR"), "/..");
    let values = std::fs::read_to_string(format!("{root}/tests/data/published-values.csv")).unwrap();
    let known: Vec<&str> = values.lines().filter_map(|row| row.split(',').next()).collect();
    let mut named = 0;
    for (path, text) in crate::tidy::rust_files() {
        for at in text.match_indices("PV-").map(|(at, _)| at + 3) {
            let id: String = text[at..].chars().take_while(char::is_ascii_alphanumeric).collect();
            // The letter of a row may be left out: all its rows are then meant.
            if id.starts_with(|c: char| c.is_ascii_digit()) {
                named += 1;
                let id = format!("PV-{id}");
                assert!(
                    known.iter().any(|row| row.starts_with(&id)),
                    "{path}: {id} is no published value"
                );
            }
        }
    }
    assert!(named > 20, "only {named} found");
}
