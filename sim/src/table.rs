//! The summary of rehearsals: its rows, and the table for a terminal.

use std::fmt::Write as _;

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, Table, Width, presets};

use crate::findings::Findings;

/// What the columns of the summary are.
pub const HEADINGS: [&str; 8] = [
    "what happened",
    "noticed as",
    "noticed after, ms",
    "stopped after, ms",
    "moved on by, mm",
    "nearest to a zone, mm",
    "off the line, mm",
    "verdict",
];

/// The columns left on a narrow terminal.
const NARROW: [usize; 5] = [0, 1, 3, 5, 7];

/// A terminal narrower than this gets the narrow table.
const WIDE_FROM: usize = 90;

/// Width of a column of figures, with a space on either side: their headings need it.
const FIGURE: u16 = 10;

/// One row of the summary, "-" where a column does not apply.
pub fn row(found: &Findings) -> [String; 8] {
    let stopped = match (found.fault_at_s, found.stopped_after_s) {
        (_, Some(after)) => ms(after),
        (Some(_), None) => "never".to_string(),
        (None, None) => "-".to_string(),
    };
    [
        found.scenario.clone(),
        noticed(found),
        or_dash(found.noticed_after_s, ms),
        stopped,
        or_dash(found.moved_on_m, mm),
        or_dash(found.nearest_m, mm),
        or_dash(found.off_line_m, mm),
        verdict(found.passed).to_string(),
    ]
}

/// The verdict in a word.
pub fn verdict(passed: bool) -> &'static str {
    if passed { "pass" } else { "FAIL" }
}

/// The summary for a terminal of that many columns: the table, then each expectation that was not met.
pub fn console(findings: &[Findings], width: usize) -> String {
    let all: Vec<_> = (0..HEADINGS.len()).collect();
    let columns = if width < WIDE_FROM { &NARROW[..] } else { &all[..] };
    let mut table = Table::new();
    table
        .load_preset(presets::UTF8_HORIZONTAL_ONLY)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width).unwrap_or(u16::MAX))
        .set_header(columns.iter().map(|&column| HEADINGS[column]));
    for found in findings {
        let row = row(found);
        table.add_row(columns.iter().map(|&column| &row[column]));
    }
    for (column, &shown) in table.column_iter_mut().zip(columns) {
        if (2..7).contains(&shown) {
            column.set_cell_alignment(CellAlignment::Right);
            column.set_constraint(ColumnConstraint::Absolute(Width::Fixed(FIGURE)));
        }
    }
    let mut text = format!("{table}\n");
    for found in findings {
        for check in found.checks.iter().filter(|check| !check.passed) {
            let _ = writeln!(
                text,
                "FAIL {}: {}: found {}, wanted {}; repeat: {}",
                found.scenario, check.what, check.found, check.wanted, found.repeat
            );
        }
    }
    text
}

/// What was noticed first, and on which axis.
fn noticed(found: &Findings) -> String {
    match (&found.noticed, &found.noticed_axis) {
        (Some(what), Some(axis)) => format!("{what} ({axis})"),
        (Some(what), None) => what.clone(),
        (None, _) if found.refused.is_some() => {
            format!("go-to refused ({})", found.refused.as_deref().unwrap_or_default())
        }
        (None, _) if found.fault_at_s.is_some() => "nothing".to_string(),
        (None, _) => "-".to_string(),
    }
}

fn or_dash(value: Option<f64>, unit: fn(f64) -> String) -> String {
    value.map_or_else(|| "-".to_string(), unit)
}

fn ms(seconds: f64) -> String {
    format!("{:.0}", 1e3 * seconds)
}

fn mm(metres: f64) -> String {
    format!("{:.1}", 1e3 * metres)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::Check;

    fn found(scenario: &str, passed: bool) -> Findings {
        Findings {
            scenario: scenario.into(),
            about: String::new(),
            machine: "drystone setter".into(),
            seed: 7,
            digest: "00ff".into(),
            repeat: "bellcrank rehearse stuck-open-valve --seed 7".into(),
            false_alarm: None,
            fault_at_s: Some(3.0),
            noticed: Some("motion not asked for".into()),
            noticed_axis: Some("left boom".into()),
            noticed_after_s: Some(0.084),
            stopped_after_s: None,
            moved_on_m: Some(0.0512),
            nearest_m: Some(0.3),
            off_line_m: None,
            along_line_m: None,
            refused: None,
            refused_along_m: None,
            apart_m: None,
            tracking: Vec::new(),
            fastest_tip_m_s: 0.5,
            end_state: "fault".into(),
            checks: vec![Check {
                what: "stopped after".into(),
                found: "never".into(),
                wanted: "at most 500 ms".into(),
                passed,
            }],
            passed,
        }
    }

    #[test]
    fn fits_the_terminal_and_keeps_the_verdict() {
        let findings = [found("stuck-open valve", false), found("stop in mid-swing", true)];
        for width in [60, 80, 100, 160] {
            let text = console(&findings, width);
            let table: Vec<_> = text.lines().filter(|line| !line.starts_with("FAIL ")).collect();
            assert!(
                table.iter().all(|line| line.chars().count() <= width),
                "{width}:\n{text}"
            );
            assert!(
                text.contains("pass") && table.iter().any(|line| line.contains("FAIL")),
                "{text}"
            );
        }
    }

    #[test]
    fn what_does_not_apply_is_a_dash_and_what_never_stops_says_so() {
        let row = row(&found("stuck-open valve", false));
        assert_eq!(
            row[1..7],
            ["motion not asked for (left boom)", "84", "never", "51.2", "300.0", "-"]
        );
    }

    #[test]
    fn a_missed_expectation_is_one_line_that_can_be_repeated() {
        let text = console(&[found("stuck-open valve", false), found("mine", true)], 100);
        let lines: Vec<_> = text.lines().filter(|line| line.starts_with("FAIL ")).collect();
        let wanted = "FAIL stuck-open valve: stopped after: found never, wanted at most 500 ms; \
                      repeat: bellcrank rehearse stuck-open-valve --seed 7";
        assert_eq!(lines, [wanted]);
    }
}
