//! The electronics of a proportional valve with a hand-lever input: a duty of a pulse signal to a demand on the spool.
//!
//! Half of the period is "stay", more extends and less retracts, and both ends of the range lie well inside 0 and 100 %: a
//! constant level is a broken or shorted wire, not a command (PV-51, common practice, no source). On such a signal, and on any
//! other well outside the band, the electronics let the spool go to the middle.

use bellcrank_machine::description::Channel;

/// A duty this far outside the band still counts as its end.
const MARGIN: f64 = 0.03;
/// Demands smaller than this, share of full travel, are none: the signal at rest is not quite still.
const DEAD_BAND: f64 = 0.01;

/// The demand on the spool, -1 to 1 and positive to extend; none where the signal is faulty.
pub fn demand(channel: &Channel, duty: f64) -> Option<f64> {
    let (low, high) = channel.band;
    let constant = duty <= 0.0 || duty >= 1.0;
    if constant || duty < low - MARGIN || duty > high + MARGIN {
        return None;
    }
    let away = duty - channel.neutral;
    let reach = if away < 0.0 {
        channel.neutral - low
    } else {
        high - channel.neutral
    };
    let share = (away / reach).clamp(-1.0, 1.0);
    let share = if share.abs() < DEAD_BAND { 0.0 } else { share };
    Some(if channel.reversed { -share } else { share })
}

#[cfg(test)]
mod tests {
    use super::*;

    const STOCK: Channel = Channel {
        neutral: 0.5,
        band: (0.1, 0.9),
        reversed: false,
    };

    /// PV-51: duty = 50 + 40 x, in percent.
    #[test]
    fn a_duty_in_the_band_is_a_command() {
        for share in [-1.0, -0.6, -0.02, 0.0, 0.02, 0.5, 1.0] {
            let found = demand(&STOCK, 0.5 + 0.4 * share).unwrap();
            assert!((found - share).abs() < 1e-12, "{share}: {found}");
            let reversed = Channel {
                reversed: true,
                ..STOCK
            };
            assert!((demand(&reversed, 0.5 + 0.4 * share).unwrap() + share).abs() < 1e-12);
        }
    }

    #[test]
    fn an_uneven_band_has_full_travel_at_both_ends() {
        let uneven = Channel {
            neutral: 0.4,
            band: (0.2, 0.8),
            ..STOCK
        };
        assert_eq!(demand(&uneven, 0.2), Some(-1.0));
        assert_eq!(demand(&uneven, 0.8), Some(1.0));
    }

    /// PV-51: constant 0 % or 100 % is a broken wire or a short.
    #[test]
    fn a_constant_level_or_one_outside_the_band_is_a_fault() {
        for duty in [0.0, 1.0, 0.05, 0.95] {
            assert_eq!(demand(&STOCK, duty), None, "{duty}");
        }
        let whole = Channel {
            band: (0.0, 1.0),
            ..STOCK
        };
        for duty in [0.0, 1.0] {
            assert_eq!(demand(&whole, duty), None, "{duty}, though inside the band");
        }
    }

    #[test]
    fn a_little_beyond_the_band_is_its_end_and_a_little_beside_the_middle_is_the_middle() {
        assert_eq!(demand(&STOCK, 0.08), Some(-1.0));
        assert_eq!(demand(&STOCK, 0.92), Some(1.0));
        assert_eq!(demand(&STOCK, 0.503), Some(0.0));
    }
}
