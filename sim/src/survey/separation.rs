//! How far somebody must be when a stop is asked for, so that the machine is at rest before he gets there: `S = K T + C` (ISO 13855:2010).

/// Speed of a walking person, m/s (ISO 13855:2010).
const WALKING: f64 = 1.6;
/// What an arm reaches ahead of whoever walks, m (ISO 13855:2010; *from memory*).
const ARMS_LENGTH: f64 = 0.85;

/// For somebody who walks up to a machine that stops within `time`, s: a distance, m.
pub fn walking(time: f64) -> f64 {
    distance(WALKING, time, ARMS_LENGTH)
}

/// K: how fast he comes, m/s. T: from the stop being asked for to rest, s. C: what he reaches ahead of himself before that, m.
fn distance(speed: f64, time: f64, ahead: f64) -> f64 {
    speed * time + ahead
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PV-64, PV-65b and PV-65c. Source: ISO 13855:2010; the first is the example of a light curtain's manual.
    #[test]
    fn the_standards_examples() {
        for (found, wanted) in [
            (distance(1.6, 0.32, 0.0), 0.512),
            (walking(0.3), 1.33),
            (distance(1.6, 0.3, 0.25), 0.73),
        ] {
            assert!((found - wanted).abs() < 1e-9, "{found}, wanted {wanted}");
        }
    }
}
