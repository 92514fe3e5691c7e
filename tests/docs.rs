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

/// The same as a drawing: an arrow for each way from one state to another, with what leads along it. Motion is drawn thick.
fn diagram() -> String {
    let id = |state: State| format!("{state:?}");
    let mut out = String::from("```mermaid\nstateDiagram-v2\n    classDef power stroke-width:4px\n");
    for state in State::ALL {
        out += &format!("    {} : {state}\n", id(state));
    }
    out += &format!("    [*] --> {}\n", id(State::default()));
    for from in State::ALL {
        for to in State::ALL.into_iter().filter(|to| *to != from) {
            let leads = |trigger: &Trigger| next(from, *trigger).0 == to;
            let triggers: Vec<_> = Trigger::ALL.into_iter().filter(leads).collect();
            if !triggers.is_empty() {
                let names: Vec<_> = triggers.iter().map(|trigger| format!("{trigger:?}")).collect();
                out += &format!("    {} --> {} : {}\n", id(from), id(to), names.join(", "));
            }
        }
    }
    let has_power = |state: &State| {
        let stays_on = |trigger: &Trigger| matches!(next(*state, *trigger), (after, Action::Drive | Action::RampDown) if after == *state);
        Trigger::ALL.iter().any(stays_on)
    };
    for state in State::ALL.into_iter().filter(has_power) {
        out += &format!("    class {} power\n", id(state));
    }
    out + "```\n"
}

#[test]
fn the_interlock_in_developers_md_is_the_one_that_runs() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../DEVELOPERS.md");
    let text = std::fs::read_to_string(path).unwrap();
    for wanted in [table(), diagram()] {
        assert!(text.contains(&wanted), "DEVELOPERS.md should have this:\n\n{wanted}");
    }
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
