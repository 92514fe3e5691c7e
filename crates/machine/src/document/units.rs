//! The unit at the end of a key, and what it is in SI.

use std::f64::consts::PI;

/// Units a key may end in, each with its size in SI. A key that ends in none of them is a plain number.
const UNITS: &[(&str, f64)] = &[
    ("mm", 1e-3),
    ("m", 1.0),
    ("mm_s", 1e-3),
    ("m_s", 1.0),
    ("mm_s2", 1e-3),
    ("m_s2", 1.0),
    ("deg", PI / 180.0),
    ("deg_s", PI / 180.0),
    ("deg_s2", PI / 180.0),
    ("kg", 1.0),
    ("kg_m2", 1.0),
    ("kg_m3", 1.0),
    ("n", 1.0),
    ("kn", 1e3),
    ("ns_m", 1.0),
    ("nm", 1.0),
    ("nms_rad", 1.0),
    ("bar", 1e5),
    ("mpa", 1e6),
    ("l", 1e-3),
    ("cm3", 1e-6),
    ("lpm", 1e-3 / 60.0),
    ("cm3_bar", 1e-6 / 1e5),
    ("cm3_s_bar", 1e-6 / 1e5),
    ("mm2_s", 1e-6),
    ("rpm", PI / 30.0),
    ("us", 1e-6),
    ("ms", 1e-3),
    ("s", 1.0),
    ("min", 60.0),
    ("h", 3600.0),
    ("per_s", 1.0),
    ("hz", 1.0),
    ("mv", 1e-3),
    ("v", 1.0),
    ("ma", 1e-3),
    ("ohm", 1.0),
    ("percent", 1e-2),
    ("percent_s", 1e-2),
];

/// Splits a key into its stem and the size of its unit in SI: `bore_mm` is `("bore", 0.001)`.
pub(super) fn split(key: &str) -> (&str, f64) {
    UNITS
        .iter()
        .filter_map(|&(unit, size)| Some((key.strip_suffix(unit)?.strip_suffix('_')?, size)))
        .min_by_key(|(stem, _)| stem.len())
        .unwrap_or((key, 1.0))
}

/// The size in SI of the unit that a key ends in: what is to be written under it is divided by this.
///
/// ```
/// assert_eq!(bellcrank_machine::document::unit("bore_mm"), 0.001);
/// ```
pub fn unit(key: &str) -> f64 {
    split(key).1
}

/// The known key that was probably meant by an unknown one, and whether only its unit is missing or another.
pub(super) fn meant(unknown: &str, known: &[&'static str]) -> Option<(&'static str, bool)> {
    let by_stem = known.iter().find(|key| {
        let (stem, _) = split(key);
        let rest = unknown.strip_prefix(stem);
        stem.len() < key.len() && rest.is_some_and(|rest| rest.is_empty() || rest.starts_with('_'))
    });
    if let Some(key) = by_stem {
        return Some((key, true));
    }
    let near = known.iter().map(|key| (distance(unknown, key), *key)).min()?;
    (near.0 <= 1 + unknown.len() / 4).then_some((near.1, false))
}

/// Edits (insert, delete, replace one letter) that lead from one word to the other.
fn distance(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (i, a) in from.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in to.iter().enumerate() {
            let replace = diagonal + usize::from(a != *b);
            diagonal = row[j + 1];
            row[j + 1] = replace.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_unit_counts() {
        assert_eq!(split("full_mm_s"), ("full", 1e-3));
        assert_eq!(split("gain_per_s"), ("gain", 1.0));
        assert_eq!(split("leak_cm3_s_bar").0, "leak");
        assert_eq!(split("dead_l"), ("dead", 1e-3));
        assert_eq!(split("deadband"), ("deadband", 1.0));
    }

    #[test]
    fn a_key_is_found_by_its_stem_or_by_its_spelling() {
        let known = ["bore_mm", "rod_mm", "reversed"];
        assert_eq!(meant("bore", &known), Some(("bore_mm", true)));
        assert_eq!(meant("bore_cm", &known), Some(("bore_mm", true)));
        assert_eq!(meant("roda_mm", &known), Some(("rod_mm", false)));
        assert_eq!(meant("reverse", &known), Some(("reversed", false)));
        assert_eq!(meant("colour", &known), None);
    }
}
