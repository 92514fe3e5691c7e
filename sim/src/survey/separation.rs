//! How far somebody must be when a stop is asked for, so that the machine is at rest before he gets there: `S = K T + C` (ISO 13855:2010).

/// Speed of a walking person, m/s (ISO 13855:2010).
const WALKING: f64 = 1.6;
/// What an arm reaches ahead of whoever walks, m (ISO 13855:2010; *from memory*).
const ARMS_LENGTH: f64 = 0.85;

/// For somebody who walks up to a machine that stops within `time`, s: a distance, m.
pub fn walking(time: f64) -> f64 {
    distance(WALKING, time, ARMS_LENGTH)
}

/// Speed of a hand that reaches in, m/s (ISO 13855:2010).
const REACHING: f64 = 2.0;
/// From this distance on the speed of walking may be put in place of that of a hand, down to this distance, m (ISO 13855:2010).
const REACHED: f64 = 0.5;

/// For a hand that reaches into where a machine moves that stops within `time`, and that is noticed only when it is there (C = 0; with a light
/// curtain before it, C depends on that): a distance, m.
pub fn reaching(time: f64) -> f64 {
    hand(time, 0.0)
}

fn hand(time: f64, ahead: f64) -> f64 {
    let fast = distance(REACHING, time, ahead);
    if fast > REACHED {
        distance(WALKING, time, ahead).max(REACHED)
    } else {
        fast
    }
}

/// K: how fast he comes, m/s. T: from the stop being asked for to rest, s. C: what he reaches ahead of himself before that, m.
fn distance(speed: f64, time: f64, ahead: f64) -> f64 {
    speed * time + ahead
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PV-64, PV-65a, PV-65b and PV-65c. Source: ISO 13855:2010; the first is the example of a light curtain's manual.
    #[test]
    fn the_standards_examples() {
        for (found, wanted) in [
            (reaching(0.32), 0.512),
            (hand(0.2, 8.0 * (0.030 - 0.014)), 0.5),
            (walking(0.3), 1.33),
            (distance(1.6, 0.3, 0.25), 0.73),
        ] {
            assert!((found - wanted).abs() < 1e-9, "{found}, wanted {wanted}");
        }
    }
}
