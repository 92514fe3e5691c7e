//! What was found, as the keys of an axis' `drive` in the machine file; [`crate::revise`] puts them there.

use bellcrank_machine::description::{Axis, Drive};

use super::log::stroke_unit;

/// The keys of a drive that trimming settles, each with its value in TOML, or none where it is to be left out. Keys that are not among them stay as
/// they are.
pub fn values(axis: &Axis, drive: &Drive) -> Vec<(&'static str, Option<String>)> {
    let (unit, scale) = stroke_unit(axis);
    let (full, fill, run_on, braking) = if unit == "deg" {
        ("full_deg_s", "fill_deg", "run_on_deg", "braking_deg_s2")
    } else {
        ("full_mm_s", "fill_mm", "run_on_mm", "braking_mm_s2")
    };
    let way = |(out, inward): (f64, f64)| Some(pair((out * scale, inward * scale), 2));
    let [out, inward] = drive.curve.each_ref().map(|points| {
        let points: Vec<String> = points.iter().map(|point| pair(*point, 4)).collect();
        (!points.is_empty()).then(|| format!("[{}]", points.join(", ")))
    });
    let mut values = vec![
        ("deadband", Some(pair(drive.deadband, 4))),
        (full, way(drive.full_rate)),
        ("curve_out", out),
        ("curve_in", inward),
        (fill, way(drive.fill)),
        (run_on, way(drive.run_on)),
        ("ramp_up_ms", Some(rounded(drive.ramp_up * 1e3, 0))),
        ("ramp_down_ms", Some(rounded(drive.ramp_down * 1e3, 0))),
        (braking, Some(rounded(drive.braking * scale, 0))),
        ("lead_ms", Some(rounded(drive.lead * 1e3, 1))),
        ("gain_per_s", Some(rounded(drive.gain, 2))),
        ("smooth_ms", Some(rounded(drive.smooth * 1e3, 0))),
    ];
    if let Some((amplitude, hz)) = drive.dither {
        values.push(("dither_percent", Some(rounded(amplitude * 100.0, 2))));
        values.push(("dither_hz", Some(rounded(hz, 0))));
    }
    values
}

/// The same as they stand in the file: `key = value, key = value`.
pub fn told(axis: &Axis, drive: &Drive) -> String {
    let values = values(axis, drive).into_iter();
    let told: Vec<String> = values
        .filter_map(|(key, value)| Some(format!("{key} = {}", value?)))
        .collect();
    told.join(", ")
}

fn pair(pair: (f64, f64), digits: i32) -> String {
    format!("[{}, {}]", rounded(pair.0, digits), rounded(pair.1, digits))
}

/// A number of the file's, which has a point where it could have had more digits.
fn rounded(number: f64, digits: i32) -> String {
    let scale = 10_f64.powi(digits);
    let rounded = (number * scale).round() / scale;
    // No zero below zero.
    format!("{:?}", if rounded == 0.0 { 0.0 } else { rounded })
}
