//! The figures of a machine file that can be changed from the seat, and the text of the file with them changed: everything else in it, remarks
//! and blanks included, stays as it was.

use std::ops::RangeInclusive;

use bellcrank_machine::description::Description;
use bellcrank_machine::document::Complaints;
use serde::Serialize;
use toml_edit::{DocumentMut, Item, TableLike, Value};

/// A figure that can be changed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// Where it stands in the file: keys, names of axes and arms, and places in a list, with a slash between.
    pub key: String,
    /// What it is, in words.
    pub what: String,
    /// What it is about: an axis, an arm, a station, or all.
    pub of: String,
    /// What it is.
    pub value: f64,
    /// Where it makes sense; the machine file's own rules have the last word.
    pub least: f64,
    /// See `least`.
    pub most: f64,
}

/// Why figures cannot be changed.
#[derive(Debug, thiserror::Error)]
pub enum Untuned {
    /// The file has no such figure.
    #[error("{0}: found no such figure in the machine file")]
    Unknown(String),
    /// What comes of it is no machine file.
    #[error("{0}")]
    Content(#[from] Complaints),
}

/// One kind of figure: key in its table, what it is, where it makes sense.
type Kind = (&'static str, &'static str, RangeInclusive<f64>);

const RAMPS: [Kind; 3] = [
    ("ramp_up_ms", "ramp up, ms", 1.0..=2000.0),
    ("ramp_down_ms", "ramp down, ms", 1.0..=2000.0),
    ("stop_ramp_ms", "ramp of a stop, ms", 1.0..=2000.0),
];
const STATION: [Kind; 4] = [
    ("speed_cap", "share of full speed", 0.05..=1.0),
    ("dead_zone", "dead zone of a lever", 0.0..=0.3),
    ("expo", "finer near neutral", 0.0..=1.0),
    ("slow_share", "share left in slow mode", 0.05..=1.0),
];
const ARM: [Kind; 3] = [
    ("tip_mm_s", "tip speed at full lever, mm/s", 10.0..=2000.0),
    ("pitch_deg_s", "pitch at full lever, deg/s", 1.0..=120.0),
    ("tip_ramp_ms", "tip from rest to full speed, ms", 1.0..=3000.0),
];
const SEAT: [Kind; 1] = [("yaw_deg", "frame of the seat turned left, deg", -180.0..=180.0)];
const DEADBANDS: [(&str, &str); 2] = [
    ("drive/deadband/0", "deadband, extending"),
    ("drive/deadband/1", "deadband, retracting"),
];

/// The figures of a machine file that can be changed, as they stand in it.
pub fn figures(text: &str) -> Vec<Figure> {
    let Ok(document) = text.parse::<DocumentMut>() else {
        return Vec::new();
    };
    let mut found = Vec::new();
    let mut look = |of: &str, within: &str, kinds: &[Kind]| {
        for (key, what, range) in kinds {
            let key = format!("{within}/{key}");
            if let Some(value) = at(document.as_table(), &key).and_then(number) {
                found.push(Figure {
                    key,
                    what: (*what).to_string(),
                    of: of.to_string(),
                    value,
                    least: *range.start(),
                    most: *range.end(),
                });
            }
        }
    };
    for name in names(&document, "axis") {
        let bands = DEADBANDS.map(|(key, what)| (key, what, 0.0..=0.6));
        look(&name, &format!("axis/{name}"), &bands);
        look(&name, &format!("axis/{name}/drive"), &RAMPS);
    }
    look("all axes", "drive", &RAMPS);
    for station in ["seat", "remote"] {
        look(&format!("station {station}"), &format!("station/{station}"), &STATION);
    }
    for name in names(&document, "arm") {
        look(&format!("arm {name}"), &format!("arm/{name}"), &ARM);
    }
    look("frames", "seat", &SEAT);
    found
}

/// The text of a machine file with some figures changed, and the machine that it describes.
///
/// # Errors
/// It has no such figure, or is no machine file with it.
pub fn tuned(file: &str, text: &str, changes: &[(String, f64)]) -> Result<(String, Description), Untuned> {
    let known = figures(text);
    let mut document: DocumentMut = text.parse().map_err(|_| Untuned::Unknown(file.to_string()))?;
    for (key, value) in changes {
        let figure = known.iter().find(|figure| figure.key == *key);
        let item = figure.and_then(|_| change(document.as_table_mut(), key));
        let item = item.ok_or_else(|| Untuned::Unknown(key.clone()))?;
        let decor = item.decor().clone();
        *item = Value::from(*value);
        *item.decor_mut() = decor;
    }
    let text = document.to_string();
    let machine = bellcrank_machine::read(file, &text)?;
    Ok((text, machine))
}

/// The names of the tables of a list.
fn names(document: &DocumentMut, list: &str) -> Vec<String> {
    let tables = document.get(list).and_then(Item::as_array_of_tables);
    let names = tables
        .into_iter()
        .flatten()
        .filter_map(|table| table.get("name")?.as_str());
    names.map(ToString::to_string).collect()
}

/// The value at a key.
fn at<'d>(table: &'d dyn TableLike, key: &str) -> Option<&'d Value> {
    let (head, rest) = key.split_once('/').unwrap_or((key, ""));
    let item = table.get(head)?;
    if let Some(tables) = item.as_array_of_tables() {
        let (name, rest) = rest.split_once('/')?;
        let named = tables
            .iter()
            .find(|table| table.get("name").and_then(Item::as_str) == Some(name));
        return at(named?, rest);
    }
    match item.as_table_like() {
        Some(table) => at(table, rest),
        None if rest.is_empty() => item.as_value(),
        None => item.as_array()?.get(rest.parse().ok()?),
    }
}

/// The same, to be changed.
fn change<'d>(table: &'d mut dyn TableLike, key: &str) -> Option<&'d mut Value> {
    let (head, rest) = key.split_once('/').unwrap_or((key, ""));
    let item = table.get_mut(head)?;
    if item.is_array_of_tables() {
        let (name, rest) = rest.split_once('/')?;
        let mut tables = item.as_array_of_tables_mut()?.iter_mut();
        let named = tables.find(|table| table.get("name").and_then(Item::as_str) == Some(name));
        return change(named?, rest);
    }
    if item.is_table_like() {
        return change(item.as_table_like_mut()?, rest);
    }
    if rest.is_empty() {
        return item.as_value_mut();
    }
    item.as_array_mut()?.get_mut(rest.parse().ok()?)
}

fn number(value: &Value) -> Option<f64> {
    #[allow(clippy::cast_precision_loss, reason = "figures of a machine file are small")]
    value
        .as_float()
        .or_else(|| value.as_integer().map(|whole| whole as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setter() -> &'static str {
        bellcrank_machine::builtin("drystone setter").unwrap()
    }

    #[test]
    fn every_built_in_machine_has_figures_and_each_can_be_written_as_it_is() {
        for (name, text) in bellcrank_machine::BUILTIN {
            let figures = figures(text);
            assert!(figures.len() > 20, "{name}: {}", figures.len());
            for figure in &figures {
                assert!((figure.least..=figure.most).contains(&figure.value), "{figure:?}");
            }
            let same: Vec<_> = figures
                .iter()
                .map(|figure| (figure.key.clone(), figure.value))
                .collect();
            let (_, machine) = tuned(name, text, &same).unwrap();
            assert_eq!(machine, bellcrank_machine::read(name, text).unwrap(), "{name}");
        }
    }

    #[test]
    fn a_change_changes_that_and_nothing_else() {
        let changes = [
            ("axis/left lift/drive/deadband/1".to_string(), 0.12),
            ("drive/ramp_up_ms".to_string(), 150.0),
        ];
        let (text, machine) = tuned("setter", setter(), &changes).unwrap();
        assert_eq!(machine.axes[1].drive.deadband, (0.07, 0.12));
        assert_eq!(machine.axes[0].drive.ramp_up, 0.15);
        let changed = setter().lines().zip(text.lines()).filter(|(one, two)| one != two);
        assert_eq!(changed.count(), 2);
        assert_eq!(setter().lines().count(), text.lines().count());
    }

    #[test]
    fn what_is_no_figure_or_makes_no_machine_is_refused() {
        let change = |key: &str, value: f64| tuned("setter", setter(), &[(key.to_string(), value)]);
        for key in [
            "name",
            "axis/left lift/joint/mass_kg",
            "timing/tick_ms",
            "axis/left lift/drive/deadband/2",
            "",
        ] {
            assert!(matches!(change(key, 1.0), Err(Untuned::Unknown(_))), "{key}");
        }
        let wrong = change("station/seat/speed_cap", 7.0).unwrap_err().to_string();
        assert!(wrong.contains("speed_cap") && wrong.contains("wanted"), "{wrong}");
    }
}
