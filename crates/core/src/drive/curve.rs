//! The valve curve, turned round: command to opening to what goes to the valve.

use crate::machine::{Channel, Coils, Pwm, ValveCurve, Voltage};
use crate::math;
use crate::outputs::ValveSignal;
use crate::units::{Amps, Duty, UnitError, Volts};

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

/// What tells a valve to open that far: nothing but "stay" for zero, the ends of what is legal for -1 and 1, linear between.
///
/// # Errors
/// When the opening is not a number, or so far out that what comes out is none of the quantity.
pub fn signal(channel: &Channel, opening: f32) -> Result<ValveSignal, UnitError> {
    match *channel {
        Channel::Pwm(Pwm {
            neutral,
            low,
            high,
            reversed,
        }) => {
            let toward = if reversed { -opening } else { opening };
            let reach = if toward < 0.0 { neutral - low } else { high - neutral };
            Duty::new(neutral + toward * reach).map(ValveSignal::Duty)
        }
        Channel::Coils(Coils { full }) => {
            let current = Amps::new(math::abs(opening) * full.toward(opening))?;
            let (out, inward) = if opening < 0.0 {
                (Amps::default(), current)
            } else {
                (current, Amps::default())
            };
            Ok(ValveSignal::Currents { out, inward })
        }
        Channel::Voltage(Voltage { full, reversed }) => {
            let toward = if reversed { -opening } else { opening };
            Volts::new(toward * full).map(ValveSignal::Voltage)
        }
    }
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

    const PWM: Pwm = Pwm {
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

    #[test]
    fn the_rate_of_an_opening_is_the_command_that_it_was_for() {
        for valve in [
            valve(&[]),
            valve(&[(0.3, 0.1), (0.6, 0.6)]),
            valve(&[(0.3, 0.1), (0.6, 1.0)]),
        ] {
            for hundredth in -100_i16..=100 {
                let command = 0.01 * f32::from(hundredth);
                let found = valve.rate(opening(&valve, command));
                assert!((found - 0.2 * command).abs() < 1e-6, "{command}: {found}");
            }
            assert_eq!([0.0, 0.15, -0.149].map(|opening| valve.rate(opening)), [0.0; 3]);
            assert_eq!([7.0, -7.0].map(|opening| valve.rate(opening)), [0.2, -0.2]);
            assert!(valve.rate(f32::NAN).is_nan());
        }
    }

    /// PV-51. Source: duty = 50 + 40 x %, the usual band of PWM hand controls for mobile valves (common practice, no source).
    #[test]
    fn duty_spans_the_legal_band() {
        let share = |pwm: Pwm, opening: f32| signal(&Channel::Pwm(pwm), opening).map(ValveSignal::number);
        let reversed = Pwm { reversed: true, ..PWM };
        for (opening, wanted) in [(0.0, 0.5), (1.0, 0.9), (-1.0, 0.1), (0.5, 0.7)] {
            assert!((share(PWM, opening).unwrap() - wanted).abs() < 1e-6);
            assert!((share(reversed, opening).unwrap() - (1.0 - wanted)).abs() < 1e-6);
        }
        assert_eq!(share(PWM, f32::NAN), Err(UnitError::NotFinite));
        assert_eq!(share(PWM, 1e9), Err(UnitError::OutOfRange));
    }

    #[test]
    fn one_coil_or_the_other_has_current() {
        let coils = Channel::Coils(Coils {
            full: EachWay { out: 0.7, inward: 0.6 },
        });
        for (opening, out, inward) in [(0.0, 0.0, 0.0), (1.0, 0.7, 0.0), (-1.0, 0.0, 0.6), (-0.5, 0.0, 0.3)] {
            let found = signal(&coils, opening).unwrap();
            let wanted = ValveSignal::Currents {
                out: Amps::new(out).unwrap(),
                inward: Amps::new(inward).unwrap(),
            };
            assert_eq!(found, wanted, "{opening}");
        }
        assert_eq!(signal(&coils, f32::NAN), Err(UnitError::NotFinite));
    }

    #[test]
    fn a_voltage_has_the_sign_of_the_opening() {
        let volts = |reversed, opening| signal(&Channel::Voltage(Voltage { full: 10.0, reversed }), opening);
        for (opening, wanted) in [(0.0, 0.0), (1.0, 10.0), (-0.25, -2.5)] {
            assert_eq!(volts(false, opening).unwrap().number(), wanted);
            assert_eq!(volts(true, opening).unwrap().number(), -wanted);
        }
        assert_eq!(volts(false, f32::NAN), Err(UnitError::NotFinite));
    }
}
