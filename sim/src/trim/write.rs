//! What was found, into the machine file: only what changes, everything else left as it stands, comments and order too.

use bellcrank_machine::Description;
use bellcrank_machine::description::Drive;
use miette::Diagnostic;
use toml_edit::{Array, DocumentMut, InlineTable, Item, Value};

use super::log::stroke_unit;

/// The file cannot be changed.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum WriteError {
    /// It is no TOML.
    #[error("{file}: found a file that cannot be changed ({reason}), wanted a machine file")]
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        reason: String,
    },
    /// It has no such axis with a `drive`.
    #[error("{file}: axis {axis:?}: found no drive = {{ ... }} of its own, wanted one to be changed")]
    NoDrive {
        /// The file.
        file: String,
        /// The axis.
        axis: String,
    },
}

/// The text of a machine file with the drives of these axes changed, each with what stood there as a comment above it. `day` is told in it.
///
/// # Errors
/// The text is no TOML, or an axis has no drive of its own.
pub fn changed(
    file: &str,
    text: &str,
    machine: &Description,
    drives: &[(usize, Drive)],
    day: &str,
) -> Result<String, WriteError> {
    let mut document: DocumentMut = text
        .parse()
        .map_err(|error: toml_edit::TomlError| WriteError::Unreadable {
            file: file.to_owned(),
            reason: error.message().to_owned(),
        })?;
    for (index, drive) in drives {
        let axis = &machine.axes[*index];
        let missing = || WriteError::NoDrive {
            file: file.to_owned(),
            axis: axis.name.clone(),
        };
        let tables = document
            .get_mut("axis")
            .and_then(Item::as_array_of_tables_mut)
            .ok_or_else(missing)?;
        let named = |table: &&mut toml_edit::Table| table.get("name").and_then(Item::as_str) == Some(&axis.name);
        let table = tables.iter_mut().find(|table| named(table)).ok_or_else(missing)?;
        let own = table
            .get_mut("drive")
            .and_then(Item::as_inline_table_mut)
            .ok_or_else(missing)?;
        let before = own.to_string().trim().to_owned();
        put(own, machine, *index, drive);
        let mut key = table.key_mut("drive").ok_or_else(missing)?;
        let prefix = key
            .leaf_decor()
            .prefix()
            .and_then(|prefix| prefix.as_str())
            .unwrap_or_default()
            .to_owned();
        key.leaf_decor_mut()
            .set_prefix(format!("{prefix}# Trimmed {day}; before: drive = {before}\n"));
    }
    Ok(document.to_string())
}

fn put(own: &mut InlineTable, machine: &Description, index: usize, drive: &Drive) {
    let (unit, scale) = stroke_unit(&machine.axes[index]);
    let pair = |pair: (f64, f64), digits: i32| -> Value {
        [pair.0, pair.1]
            .map(|number| rounded(number, digits))
            .into_iter()
            .collect::<Array>()
            .into()
    };
    let (full, fill) = if unit == "deg" {
        ("full_deg_s", "fill_deg")
    } else {
        ("full_mm_s", "fill_mm")
    };
    own.insert("deadband", pair(drive.deadband, 4));
    own.insert(full, pair((drive.full_rate.0 * scale, drive.full_rate.1 * scale), 2));
    for (key, points) in ["curve_out", "curve_in"].into_iter().zip(&drive.curve) {
        if points.is_empty() {
            own.remove(key);
        } else {
            let points: Array = points.iter().map(|point| pair(*point, 4)).collect();
            own.insert(key, points.into());
        }
    }
    own.insert(fill, pair((drive.fill.0 * scale, drive.fill.1 * scale), 2));
    own.insert("ramp_up_ms", rounded(drive.ramp_up * 1e3, 0).into());
    own.insert("ramp_down_ms", rounded(drive.ramp_down * 1e3, 0).into());
    if drive.hold > 0.0 {
        let hold = if unit == "deg" { "hold_deg" } else { "hold_mm" };
        own.insert(hold, rounded(drive.hold * scale, 2).max(0.01).into());
    }
    own.insert("lead_ms", (rounded(drive.lead * 1e3, 1)).into());
    own.insert("gain_per_s", rounded(drive.gain, 2).into());
    own.insert("smooth_ms", rounded(drive.smooth * 1e3, 0).into());
    if let Some((amplitude, hz)) = drive.dither {
        own.insert("dither_percent", rounded(amplitude * 100.0, 2).into());
        own.insert("dither_hz", rounded(hz, 0).into());
    }
    own.fmt();
}

fn rounded(number: f64, digits: i32) -> f64 {
    let scale = 10_f64.powi(digits);
    (number * scale).round() / scale
}

/// The day of a time since 1970, s, as 2026-01-31 (UTC).
///
/// Civil from days after Hinnant, *chrono-compatible low-level date algorithms*, 2013 (from memory).
pub fn day(seconds: u64) -> String {
    let days = seconds / 86_400 + 719_468;
    let (era, of_era) = (days / 146_097, days % 146_097);
    let year = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let march = (5 * of_year + 2) / 153;
    let day = of_year - (153 * march + 2) / 5 + 1;
    let month = if march < 10 { march + 3 } else { march - 9 };
    format!("{}-{month:02}-{day:02}", era * 400 + year + u64::from(month <= 2))
}

#[cfg(test)]
mod tests {
    use super::day;

    /// Source: `date -u -d @SECONDS +%F` (GNU coreutils).
    #[test]
    fn days_are_those_of_the_calendar() {
        for (seconds, wanted) in [
            (0, "1970-01-01"),
            (951_782_400, "2000-02-29"),
            (1_795_737_600, "2026-11-27"),
            (4_107_542_400, "2100-03-01"),
        ] {
            assert_eq!(day(seconds), wanted);
        }
    }
}
