//! Every getter with what it takes and what it refuses.

use super::{Table, read};

/// Reads a small table of every kind of value and compares all complaints, one a line.
#[track_caller]
fn check(text: &str, expect: &[&str]) {
    let said = match read("t.toml", text, everything) {
        Ok(()) => Vec::new(),
        Err(e) => e.list().iter().map(ToString::to_string).collect(),
    };
    assert_eq!(said, expect);
}

fn everything(t: &Table) {
    t.number("bore_mm", 5.0..=500.0);
    t.optional("range_deg").map(|key| t.rising(key, -180.0..=180.0));
    t.optional("link_mm").map(|key| t.vector3(key, -1e4..=1e4));
    t.optional("bits").map(|key| t.whole::<u32>(key, 1..=24));
    t.optional("levers").map(|key| t.wholes::<usize>(key, 0..=15));
    t.optional("volts").map(|key| t.numbers(key, 0.0..=10.0));
    t.optional("name").map(|key| t.text(key));
    t.optional("axes").map(|key| t.texts(key));
    t.optional("reversed").map(|key| t.flag(key));
    t.optional("kind")
        .map(|key| t.choice(key, &[("clevis", 1), ("direct", 2)]));
    t.optional("timing")
        .map(|key| t.table(key, |t| t.number("tick_ms", 0.1..=100.0)));
    t.tables("axis", |t| t.number("mass_kg", 0.0..=1e4));
    t.named_tables("valve", |_, t| t.number("rated_lpm", 1.0..=500.0));
}

#[test]
fn a_right_file_gives_no_complaint() {
    check(
        "bore_mm = 63\nrange_deg = [-90.0, 9e1]\nlink_mm = [1, 2.5, 3]\nbits = 0x10\nlevers = [0, 15]\nvolts = [0.5, 1]\n\
         name = \"boom\"\naxes = [\"a\"]\nreversed = true\nkind = \"direct\"\n[timing]\ntick_ms = 2\n[[axis]]\nmass_kg = 1\n\
         [valve.a]\nrated_lpm = 40\n",
        &[],
    );
}

#[test]
fn numbers() {
    check(
        "bore_mm = 0",
        &["t.toml:1: bore_mm: found 0, wanted a number from 5 to 500"],
    );
    check(
        "\nbore_mm = nan",
        &["t.toml:2: bore_mm: found nan, wanted a number from 5 to 500"],
    );
    check(
        "bore_mm = -inf",
        &["t.toml:1: bore_mm: found -inf, wanted a number from 5 to 500"],
    );
    check(
        "bore_mm = 1e999",
        &["t.toml:1: bore_mm: found 1e999, wanted a number from 5 to 500"],
    );
    check(
        "bore_mm = \"63\"",
        &["t.toml:1: bore_mm: found \"63\", wanted a number from 5 to 500"],
    );
    check(
        "bore_mm = 63\nbits = 16.0",
        &["t.toml:2: bits: found 16.0, wanted a whole number from 1 to 24"],
    );
    check(
        "bore_mm = 63\nbits = -3",
        &["t.toml:2: bits: found -3, wanted a whole number from 1 to 24"],
    );
    check(
        "bore_mm = 63\nlevers = [3, 16]",
        &["t.toml:2: levers: found 16, wanted a list of whole numbers from 0 to 15"],
    );
    check(
        "bore_mm = 63\nvolts = 3",
        &["t.toml:2: volts: found 3, wanted a list of numbers from 0 to 10"],
    );
}

#[test]
fn lists_of_numbers() {
    check(
        "bore_mm = 63\nrange_deg = [1]",
        &["t.toml:2: range_deg: found [1], wanted two numbers from -180 to 180"],
    );
    check(
        "bore_mm = 63\nrange_deg = [1, 1.0]",
        &["t.toml:2: range_deg: found [1, 1.0], wanted the smaller number first"],
    );
    check(
        "bore_mm = 63\nlink_mm = [1, nan, 2]",
        &["t.toml:2: link_mm: found nan, wanted three numbers from -10000 to 10000"],
    );
}

#[test]
fn words() {
    check(
        "bore_mm = 63\nname = \"\"",
        &["t.toml:2: name: found \"\", wanted a text of 1 to 200 characters on one line"],
    );
    check(
        "bore_mm = 63\naxes = [1]",
        &["t.toml:2: axes: found 1, wanted a list of texts"],
    );
    check(
        "bore_mm = 63\nreversed = 1",
        &["t.toml:2: reversed: found 1, wanted true or false"],
    );
    check(
        "bore_mm = 63\nkind = \"slide\"",
        &["t.toml:2: kind: found \"slide\", wanted \"clevis\" or \"direct\""],
    );
}

#[test]
fn tables() {
    check(
        "bore_mm = 63\ntiming = 3",
        &["t.toml:2: timing: found 3, wanted a table"],
    );
    check(
        "bore_mm = 63\n\n[timing]\n",
        &["t.toml:3: timing / tick_ms: found nothing, wanted a number from 0.1 to 100"],
    );
    check(
        "bore_mm = 63\naxis = 3",
        &["t.toml:2: axis: found 3, wanted tables, each under [[axis]]"],
    );
    check(
        "bore_mm = 63\n[[axis]]\nname = \"boom\"\n[[axis]]\nmass_kg = -1",
        &[
            "t.toml:2: axis \"boom\" / mass_kg: found nothing, wanted a number from 0 to 10000",
            "t.toml:3: axis \"boom\" / name: found an unknown key, wanted it taken out, or one of mass_kg",
            "t.toml:5: axis 2 / mass_kg: found -1, wanted a number from 0 to 10000",
        ],
    );
    check(
        "bore_mm = 63\n[valve.b]\nrated_lpm = 0",
        &["t.toml:3: valve \"b\" / rated_lpm: found 0, wanted a number from 1 to 500"],
    );
}

#[test]
fn keys_that_nobody_knows() {
    check(
        "bore = 63",
        &["t.toml:1: bore: found an unknown key, wanted bore_mm: the unit belongs in the key"],
    );
    check(
        "bore_cm = 6.3",
        &["t.toml:1: bore_cm: found an unknown key, wanted bore_mm: the unit belongs in the key"],
    );
    check(
        "bohre_mm = 63",
        &["t.toml:1: bohre_mm: found an unknown key, wanted bore_mm"],
    );
    check(
        "bore_mm = 63\n[timing]\ntick_ms = 1\nticket_price = 3",
        &[
            "t.toml:4: timing / ticket_price: found an unknown key, wanted it taken out: all keys of this table are there already",
        ],
    );
}

#[test]
fn mistakes_in_the_toml_have_a_line() {
    check(
        "bore_mm = 63\nname = \n",
        &["t.toml:2: found string values must be quoted, expected literal string, wanted valid TOML"],
    );
    check(
        "bore_mm = 63\nbore_mm = 64\n",
        &["t.toml:2: found duplicate key, wanted valid TOML"],
    );
}

#[test]
fn everything_wrong_is_said_at_once_and_shown_in_its_place() {
    let text = "bore = 63\nbits = 99\n[timing]\n";
    let error = read("t.toml", text, everything).unwrap_err();
    assert_eq!(
        error.to_string(),
        "3 mistakes in t.toml\n\
         line 1: bore: found an unknown key, wanted bore_mm: the unit belongs in the key\n\
         line 2: bits: found 99, wanted a whole number from 1 to 24\n\
         line 3: timing / tick_ms: found nothing, wanted a number from 0.1 to 100"
    );
    let mut shown = String::new();
    let plain = miette::GraphicalReportHandler::new_themed(miette::GraphicalTheme::none());
    plain.render_report(&mut shown, &error).unwrap();
    for part in ["bits = 99", "wanted a whole number from 1 to 24", "[timing]"] {
        assert!(shown.contains(part), "{part} in\n{shown}");
    }
}
