//! The valve curve, turned round: command to opening to duty.

use crate::machine::{Channel, ValveCurve};
use crate::math;
use crate::units::{Duty, UnitError};

/// The opening, -1 to 1, at which the valve gives the share `command` of its full rate. Zero for zero: the deadband is jumped, and from its
/// end on the measured points are joined by straight lines. Without points that is `sign (d + (1 - d) |command|)` with the deadband `d`
/// of that direction (common practice, no source). Beyond -1 and 1 it stays
/// what it is there; NaN for NaN.
pub fn opening(valve: &ValveCurve, command: f32) -> f32 {
    let (sign, share) = (math::sign(command), math::abs(command));
    if share == 0.0 {
        return sign;
    }
    let mut below = (0.0, 0.0);
    for above in valve.points(command) {
        if share <= above.1 {
            let part = (share - below.1) / (above.1 - below.1);
            return sign * math::lerp(below.0, above.0, part);
        }
        below = above;
    }
    sign * below.0
}

/// The duty for an opening: neutral for zero, the ends of the legal band for -1 and 1, linear between.
///
/// # Errors
/// When the opening is not a number, or so far out that the duty leaves 0 to 1.
pub fn duty(channel: &Channel, opening: f32) -> Result<Duty, UnitError> {
    let toward = if channel.reversed { -opening } else { opening };
    let reach = if toward < 0.0 {
        channel.neutral - channel.low
    } else {
        channel.high - channel.neutral
    };
    Duty::new(channel.neutral + toward * reach)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::EachWay;

    /// A deadband of 15 % both ways; a straight line when extending, this when retracting.
    fn valve(inward: &[(f32, f32)]) -> ValveCurve {
        ValveCurve {
            deadband: EachWay {
                out: 0.15,
                inward: 0.15,
            },
            full_rate: EachWay { out: 0.2, inward: 0.2 },
            out: [].into_iter().collect(),
            inward: inward.iter().copied().collect(),
        }
    }

    const CHANNEL: Channel = Channel {
        neutral: 0.5,
        low: 0.1,
        high: 0.9,
        reversed: false,
    };

    /// PV-87. Source: common practice, no source; worked numbers for a deadband of 15 %.
    #[test]
    fn deadband_is_jumped() {
        for (command, wanted) in [(0.1, 0.235), (-0.1, -0.235), (0.0, 0.0), (1.0, 1.0), (-1.0, -1.0)] {
            let found = opening(&valve(&[]), command);
            assert!((found - wanted).abs() < 1e-6, "{command}: {found}, wanted {wanted}");
        }
        assert!(opening(&valve(&[]), f32::NAN).is_nan());
    }

    #[test]
    fn a_measured_curve_is_turned_round_each_way_by_itself() {
        let valve = valve(&[(0.3, 0.1), (0.6, 0.6)]);
        for (command, wanted) in [
            (-0.05, -0.225),
            (-0.1, -0.3),
            (-0.35, -0.45),
            (-0.8, -0.8),
            (-1.0, -1.0),
        ] {
            let found = opening(&valve, command);
            assert!((found - wanted).abs() < 1e-6, "{command}: {found}, wanted {wanted}");
        }
        assert!((opening(&valve, 0.1) - 0.235).abs() < 1e-6);
        assert_eq!(opening(&valve, -7.0), -1.0);
    }

    #[test]
    fn a_curve_may_have_its_full_rate_before_it_is_all_open() {
        let valve = valve(&[(0.3, 0.1), (0.6, 1.0)]);
        for (command, wanted) in [(-0.55, -0.45), (-1.0, -0.6), (-3.0, -0.6), (1.0, 1.0)] {
            let found = opening(&valve, command);
            assert!((found - wanted).abs() < 1e-6, "{command}: {found}, wanted {wanted}");
        }
    }

    /// PV-51. Source: duty = 50 + 40 x %, the usual band of PWM hand controls for mobile valves (common practice, no source).
    #[test]
    fn duty_spans_the_legal_band() {
        for (opening, wanted) in [(0.0, 0.5), (1.0, 0.9), (-1.0, 0.1), (0.5, 0.7)] {
            assert!((duty(&CHANNEL, opening).unwrap().share() - wanted).abs() < 1e-6);
            let mirrored = duty(
                &Channel {
                    reversed: true,
                    ..CHANNEL
                },
                opening,
            )
            .unwrap()
            .share();
            assert!((mirrored - (1.0 - wanted)).abs() < 1e-6);
        }
        assert_eq!(duty(&CHANNEL, f32::NAN), Err(UnitError::NotFinite));
        assert_eq!(duty(&CHANNEL, 1e9), Err(UnitError::OutOfRange));
    }
}
