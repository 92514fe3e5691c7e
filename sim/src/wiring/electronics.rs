//! The electronics of a proportional valve: what comes in to a demand on the spool.
//!
//! A *hand-lever input* reads the duty of a pulse signal. Half of the period is "stay", more extends and less retracts, and both ends
//! of the range lie well inside 0 and 100 %: a constant level is a broken or shorted wire, not a command (PV-51, common practice, no
//! source). On such a signal, and on any other well outside the band, the electronics let the spool go to the middle.
//!
//! *Two coils* pull the spool either way, each by its current; both at once, or more than a coil bears, is a fault, on which whoever
//! drives them switches off. A *voltage input* reads a voltage of either sign; well beyond its ends it is one that no output gives.

use bellcrank_core::outputs::ValveSignal;
use bellcrank_machine::description::Channel;

/// A signal this far outside the band, share of it, still counts as its end.
const MARGIN: f64 = 0.03;
/// Demands of a pulse signal smaller than this, share of full travel, are none: the signal at rest is not quite still.
const DEAD_BAND: f64 = 0.01;

/// The demand on the spool, -1 to 1 and positive to extend; none where the signal is faulty, or none that such a valve takes.
pub fn demand(channel: &Channel, signal: ValveSignal) -> Option<f64> {
    match (channel, signal) {
        (
            Channel::Pwm {
                neutral,
                band,
                reversed,
            },
            ValveSignal::Duty(duty),
        ) => pulse(*neutral, *band, f64::from(duty.share())).map(|share| turned(share, *reversed)),
        (Channel::Coils { full }, ValveSignal::Currents { out, inward }) => {
            let (out, inward) = (f64::from(out.amps()) / full.0, f64::from(inward.amps()) / full.1);
            within(out - inward).filter(|_| out == 0.0 || inward == 0.0)
        }
        (Channel::Voltage { full, reversed }, ValveSignal::Voltage(volts)) => {
            within(f64::from(volts.volts()) / full).map(|share| turned(share, *reversed))
        }
        _ => None,
    }
}

fn pulse(neutral: f64, (low, high): (f64, f64), duty: f64) -> Option<f64> {
    let constant = duty <= 0.0 || duty >= 1.0;
    if constant || duty < low - MARGIN || duty > high + MARGIN {
        return None;
    }
    let away = duty - neutral;
    let reach = if away < 0.0 { neutral - low } else { high - neutral };
    let share = (away / reach).clamp(-1.0, 1.0);
    Some(if share.abs() < DEAD_BAND { 0.0 } else { share })
}

/// A share of full within its ends; none well beyond them.
fn within(share: f64) -> Option<f64> {
    (share.abs() <= 1.0 + MARGIN).then(|| share.clamp(-1.0, 1.0))
}

fn turned(share: f64, reversed: bool) -> f64 {
    if reversed { -share } else { share }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bellcrank_core::units::{Amps, Duty, Volts};

    fn pwm(neutral: f64, band: (f64, f64), reversed: bool) -> Channel {
        Channel::Pwm {
            neutral,
            band,
            reversed,
        }
    }

    #[allow(clippy::cast_possible_truncation, reason = "what a board puts out is an f32")]
    fn of_duty(channel: &Channel, duty: f64) -> Option<f64> {
        demand(channel, ValveSignal::Duty(Duty::new(duty as f32).unwrap()))
    }

    #[track_caller]
    fn near(found: Option<f64>, wanted: f64) {
        let found = found.expect("a demand");
        assert!((found - wanted).abs() < 1e-6, "{found}, wanted {wanted}");
    }

    /// PV-51: duty = 50 + 40 x, in percent.
    #[test]
    fn a_duty_in_the_band_is_a_command() {
        for share in [-1.0, -0.6, -0.02, 0.0, 0.02, 0.5, 1.0] {
            near(of_duty(&pwm(0.5, (0.1, 0.9), false), 0.5 + 0.4 * share), share);
            near(of_duty(&pwm(0.5, (0.1, 0.9), true), 0.5 + 0.4 * share), -share);
        }
    }

    #[test]
    fn an_uneven_band_has_full_travel_at_both_ends() {
        near(of_duty(&pwm(0.4, (0.2, 0.8), false), 0.2), -1.0);
        near(of_duty(&pwm(0.4, (0.2, 0.8), false), 0.8), 1.0);
    }

    /// PV-51: constant 0 % or 100 % is a broken wire or a short.
    #[test]
    fn a_constant_level_or_one_outside_the_band_is_a_fault() {
        for duty in [0.0, 1.0, 0.05, 0.95] {
            assert_eq!(of_duty(&pwm(0.5, (0.1, 0.9), false), duty), None, "{duty}");
        }
        for duty in [0.0, 1.0] {
            let whole = pwm(0.5, (0.0, 1.0), false);
            assert_eq!(of_duty(&whole, duty), None, "{duty}, though inside the band");
        }
    }

    #[test]
    fn a_little_beyond_the_band_is_its_end_and_a_little_beside_the_middle_is_the_middle() {
        near(of_duty(&pwm(0.5, (0.1, 0.9), false), 0.08), -1.0);
        near(of_duty(&pwm(0.5, (0.1, 0.9), false), 0.92), 1.0);
        assert_eq!(of_duty(&pwm(0.5, (0.1, 0.9), false), 0.503), Some(0.0));
    }

    #[test]
    fn the_coil_with_current_pulls_and_both_are_a_fault() {
        let coils = Channel::Coils { full: (0.7, 0.6) };
        let of = |out: f32, inward: f32| {
            let (out, inward) = (Amps::new(out).unwrap(), Amps::new(inward).unwrap());
            demand(&coils, ValveSignal::Currents { out, inward })
        };
        near(of(0.35, 0.0), 0.5);
        near(of(0.0, 0.6), -1.0);
        assert_eq!(of(0.0, 0.0), Some(0.0));
        assert_eq!(of(0.1, 0.1), None);
        assert_eq!(of(0.8, 0.0), None);
    }

    #[test]
    fn a_voltage_has_a_sign_and_ends() {
        let volts = Channel::Voltage {
            full: 10.0,
            reversed: true,
        };
        let of = |v: f32| demand(&volts, ValveSignal::Voltage(Volts::new(v).unwrap()));
        near(of(-5.0), 0.5);
        near(of(10.2), -1.0);
        assert_eq!(of(12.0), None);
        assert_eq!(demand(&volts, ValveSignal::default()), None, "a duty is no voltage");
    }
}
