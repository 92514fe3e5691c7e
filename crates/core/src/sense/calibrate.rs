//! What was read to a stroke, if it can be believed.

use crate::cause::Cause;
use crate::inputs::SensorInput;
use crate::machine::{Calibration, Signal};
use crate::units::Volts;

/// The stroke, m or rad, that a reading means.
///
/// Within 1e-6 of the calibration's span of the straight lines through its points (held by the tests).
///
/// # Errors
/// What is wrong with the reading: no supply that could be believed, or a signal outside its credible band.
pub fn stroke(sensor: &Calibration, reading: Option<Volts>, input: &SensorInput) -> Result<f32, Cause> {
    // The supply first: where it is gone the signal is gone with it, and is not to blame.
    let per_volt = match sensor.signal {
        Signal::Voltage => 1.0,
        Signal::Ratiometric { excitation } => {
            let supply = input.excitation.map_or(0.0, Volts::volts);
            if supply < excitation.0 || supply > excitation.1 {
                return Err(Cause::Excitation);
            }
            supply
        }
        Signal::Current { shunt } => shunt.ohms(),
    };
    let signal = reading.ok_or(Cause::SensorLow)?.volts() / per_volt;
    if signal <= sensor.fault.0 {
        return Err(Cause::SensorLow);
    }
    if signal >= sensor.fault.1 {
        return Err(Cause::SensorHigh);
    }
    // A machine's calibration has two points at least.
    let mut segments = sensor.segments();
    let (mut low, mut high) = segments.next().ok_or(Cause::SensorLow)?;
    for (from, to) in segments {
        if signal <= high.0 {
            break;
        }
        (low, high) = (from, to);
    }
    let share = (signal - low.0) / (high.0 - low.0);
    Ok(low.1 + share * (high.1 - low.1))
}
