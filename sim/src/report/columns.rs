//! A trace as comma-separated columns, each with its unit in its name.

use bellcrank_machine::description::{Axis, Linkage};

use super::units::{BAR, MM, stroke_unit};
use crate::scenario::Scenario;
use crate::trace::{ArmSample, AxisSample, Sample, Trace};

/// A trace as text for a spreadsheet: one row a sample. Empty where there is no figure.
///
/// # Panics
/// When a sample has not every axis and arm of the scenario's machine.
pub fn csv(scenario: &Scenario, trace: &Trace) -> String {
    let machine = &*scenario.machine;
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut write = |record: Vec<String>| writer.write_record(record).expect("rows of one length, into memory");
    let mut heading = ["t_s", "state", "supply_bar"].map(String::from).to_vec();
    heading.extend(machine.axes.iter().flat_map(axis_heading));
    heading.extend(machine.arms.iter().flat_map(|arm| {
        ["tip_x_mm", "tip_y_mm", "tip_z_mm", "tip_speed_mm_s", "clearance_mm"].map(|column| named(&arm.name, column))
    }));
    write(heading);
    for sample in &trace.samples {
        write(row(&machine.axes, sample));
    }
    let bytes = writer.into_inner().expect("memory can be written to");
    String::from_utf8(bytes).expect("made of text")
}

fn axis_heading(axis: &Axis) -> Vec<String> {
    let unit = if matches!(axis.linkage, Linkage::Direct { .. }) {
        "deg"
    } else {
        "mm"
    };
    let stroke = ["stroke", "rate", "asked"]
        .iter()
        .zip(["", "_s", "_s"])
        .map(|(what, per)| format!("{what}_{unit}{per}"));
    let mut columns = vec!["angle_deg".to_string()];
    columns.extend(stroke);
    columns.extend(["opening", "signal", "spool", "a_bar", "b_bar"].map(String::from));
    columns.iter().map(|column| named(&axis.name, column)).collect()
}

fn named(name: &str, column: &str) -> String {
    format!("{}_{column}", name.replace(' ', "_"))
}

fn row(axes: &[Axis], sample: &Sample) -> Vec<String> {
    let mut row = vec![
        format!("{:.4}", sample.t),
        sample.state.to_string(),
        format!("{:.3}", BAR * sample.supply),
    ];
    for (axis, sample) in axes.iter().zip(&sample.axes) {
        row.extend(axis_cells(axis, sample));
    }
    for arm in &sample.arms {
        row.extend(arm_cells(arm));
    }
    row
}

fn axis_cells(axis: &Axis, sample: &AxisSample) -> [String; 9] {
    let (scale, _) = stroke_unit(axis);
    [
        sample.angle.to_degrees(),
        scale * sample.stroke,
        scale * sample.rate,
        scale * sample.asked,
        sample.opening,
        sample.signal,
        sample.spool,
        BAR * sample.pressure_a,
        BAR * sample.pressure_b,
    ]
    .map(|value| format!("{value:.4}"))
}

fn arm_cells(arm: &ArmSample) -> [String; 5] {
    let tip = MM * arm.tip();
    [
        Some(tip.x),
        Some(tip.y),
        Some(tip.z),
        Some(MM * arm.tip_speed),
        arm.clearance.map(|clearance| MM * clearance),
    ]
    .map(|value| value.map_or_else(String::new, |value| format!("{value:.2}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fabricated;

    #[test]
    fn reads_back() {
        let scenario = fabricated::stuck_valve();
        let trace = fabricated::trace(&scenario);
        let text = csv(&scenario, &trace);
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let heading = reader.headers().unwrap().clone();
        let column = |name: &str| {
            heading
                .iter()
                .position(|column| column == name)
                .unwrap_or_else(|| panic!("{name}"))
        };
        let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
        assert_eq!(rows.len(), trace.samples.len());

        let (row, sample) = (&rows[300], &trace.samples[300]);
        let value = |name: &str| row[column(name)].parse::<f64>().unwrap();
        assert_eq!(&row[column("state")], "enabled");
        assert!((value("t_s") - sample.t).abs() < 1e-4);
        assert!((value("left_boom_stroke_mm") - 1e3 * sample.axes[1].stroke).abs() < 1e-4);
        assert!((value("left_slew_rate_deg_s") - sample.axes[0].rate.to_degrees()).abs() < 1e-4);
        assert!((value("left_boom_a_bar") - 1e-5 * sample.axes[1].pressure_a).abs() < 1e-4);
        assert!((value("right_tip_z_mm") - 1e3 * sample.arms[1].tip().z).abs() < 1e-2);
        assert!((value("left_clearance_mm") - 1e3 * sample.arms[0].clearance.unwrap()).abs() < 1e-2);
    }
}
