//! The result of `bellcrank trim` for people.

use super::{AxisReport, TrimReport};
use crate::cli::{decimals, paragraph, table};
use crate::trim::compare::Driven;
use crate::trim::estimate::Identified;
use crate::trim::fit::Estimate;

/// For people: narrow tables, no wider than 60 columns, a table a subject.
pub fn text(report: &TrimReport) -> String {
    let mut text = String::new();
    if !report.axes.is_empty() {
        text += &found(report);
        text += &proposed(report);
        text += &driven(report);
    }
    for refused in &report.refused {
        text += &paragraph(&format!("Refused, {}: {}.", refused.axis, refused.reason), "  ");
    }
    if report.files.is_empty() {
        text += "Nothing was written.\n";
    }
    for file in &report.files {
        text += &format!("{file}\n");
    }
    text
}

fn found(report: &TrimReport) -> String {
    let axes = || report.axes.iter();
    let percent = |estimate: Estimate| within(Some(estimate), 100.0, 2);
    let mut text = format!(
        "{}: what the valves do, by {}; 95 % intervals",
        report.machine, report.from
    );
    text = paragraph(&text, "");
    text += "\n";
    text += &table(
        ["% of command", "opens out", "opens in", "hysteresis"],
        axes().map(|axis| {
            vec![
                axis.found.axis.clone(),
                percent(axis.found.deadband[0]),
                percent(axis.found.deadband[1]),
                percent(axis.found.hysteresis),
            ]
        }),
    );
    text += "\n";
    text += &table(
        ["", "lag ms", "swing Hz", "damping"],
        axes().map(|axis| {
            let swing = axis.found.swing;
            vec![
                axis.found.axis.clone(),
                within(axis.found.lag_s, 1e3, 1),
                within(swing.map(|swing| swing.hz), 1.0, 1),
                within(swing.map(|swing| swing.zeta), 1.0, 2),
            ]
        }),
    );
    text += "\n";
    let ways = |heads: [&'static str; 3], of: fn(&Identified) -> [Option<Estimate>; 2]| {
        table(
            heads,
            axes().map(|axis| {
                let (found, times) = (&axis.found, scale(&axis.found));
                let [out, inward] = of(found).map(|one| within(one, times, 2));
                vec![format!("{}, {}", found.axis, found.unit), out, inward]
            }),
        )
    };
    text += &ways(["lines", "fill out", "fill in"], |found| found.fill);
    text += "what its lines take before it moves\n\n";
    text += &ways(["closed", "goes on out", "goes on in"], |found| found.run_on);
    text += "how far it goes on, or back, when its valve has closed\n\n";
    text += &table(
        ["per s", "full out", "full in", "measured to %", "noise"],
        axes().map(|axis| {
            let (found, times) = (&axis.found, scale(&axis.found));
            let [out, inward] = &found.curves;
            vec![
                format!("{}, {}", found.axis, found.unit),
                decimals(times * out.full_rate, 1),
                decimals(times * inward.full_rate, 1),
                format!(
                    "{} {}",
                    decimals(100.0 * out.measured_to, 0),
                    decimals(100.0 * inward.measured_to, 0)
                ),
                decimals(times * found.rate_noise.value, 2),
            ]
        }),
    );
    text + "full rates are carried on from what was measured, to no\nmore than the file has; noise: rms\n\n"
}

fn proposed(report: &TrimReport) -> String {
    let rows = report.axes.iter().map(|axis| {
        let margins = axis.stability.margins;
        vec![
            axis.found.axis.clone(),
            decimals(axis.gain_per_s, 1),
            decimals(1e3 * axis.smooth_s, 0),
            format!("x{} {} deg", decimals(margins.gain, 1), decimals(margins.phase_deg, 0)),
            if axis.stability.seen { "seen" } else { "computed" }.to_owned(),
        ]
    });
    let mut text = table(["proposed", "gain 1/s", "smooth ms", "margins", "swing"], rows);
    text += "\n";
    for axis in &report.axes {
        text += &paragraph(&format!("{}: {}", axis.found.axis, axis.proposed), "  ");
    }
    text + "\n"
}

fn driven(report: &TrimReport) -> String {
    let mut text = paragraph(
        "Steps of 20 % of full rate and a creep of 2 %, on the simulated machine: before, after",
        "",
    );
    text += "\n";
    let both = |axis: &AxisReport, of: fn(&Driven) -> f64, digits: usize| {
        format!(
            "{}, {}",
            decimals(of(&axis.before), digits),
            decimals(of(&axis.after), digits)
        )
    };
    let rows = report.axes.iter().map(|axis| {
        vec![
            axis.found.axis.clone(),
            both(axis, |driven| 100.0 * driven.reached, 0),
            both(axis, |driven| 100.0 * driven.overshoot, 1),
            both(axis, |driven| driven.settled_s, 2),
        ]
    });
    text += &table(["", "rate reached %", "goes beyond %", "settled after s"], rows);
    text += "\n";
    let rows = report.axes.iter().map(|axis| {
        vec![
            axis.found.axis.clone(),
            both(axis, |driven| driven.late_s, 2),
            both(axis, |driven| driven.pressure_bar, 0),
            both(axis, |driven| 100.0 * driven.creep_least, 0),
        ]
    });
    text += &table(["", "late s", "peak bar", "creep reached %"], rows);
    text + "\n"
}

/// A number with half its interval.
fn within(estimate: Option<Estimate>, times: f64, digits: usize) -> String {
    estimate.map_or("-".to_owned(), |estimate| {
        let number = |value: f64| decimals(times * value, digits);
        format!("{} +-{}", number(estimate.value), number(estimate.half()))
    })
}

/// How many of its unit are one of SI.
fn scale(found: &Identified) -> f64 {
    if found.unit == "deg" { 1_f64.to_degrees() } else { 1e3 }
}
