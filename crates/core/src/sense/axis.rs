//! One axis: calibration, plausibility, rate, linkage.

use crate::cause::Cause;
use crate::machine::{Axis, Calibration};
use crate::math;
use crate::units::{Duration, Held, Volts, seconds};

/// Time constant of the alpha-beta filter, s.
const FILTER_TIME_S: f32 = 0.012;

/// By how much the rate lags a steady change of it, s: twice the filter's time constant (two equal poles).
pub const RATE_DELAY_S: f32 = 2.0 * FILTER_TIME_S;

/// Where one axis is.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisPosture {
    /// Stroke, m or rad. The last credible one while the reading is not.
    pub stroke: f32,
    /// Stroke rate, m/s or rad/s. Zero while the reading is not credible.
    pub rate: f32,
    /// Joint angle, rad.
    pub angle: f32,
    /// Change of stroke per change of angle, m/rad: the moment arm. Zero where it is not known.
    pub ratio: f32,
    /// Why the reading is not to be believed, once that is confirmed.
    pub fault: Option<Cause>,
    /// Stroke and angle come from a reading that can be believed (now, or within the time it takes to confirm that it cannot).
    pub known: bool,
    /// For how long the raw reading has not changed at all.
    pub unchanged: Duration,
}

impl Default for AxisPosture {
    /// Nothing known.
    fn default() -> Self {
        Self {
            stroke: 0.0,
            rate: 0.0,
            angle: 0.0,
            ratio: 0.0,
            fault: None,
            known: false,
            unchanged: Duration::from_ticks(0),
        }
    }
}

/// What one axis remembers.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisSense {
    estimate: Option<Estimate>,
    last_volts: Option<Volts>,
    angle: f32,
    ratio: f32,
    bad: Held,
    unchanged: Held,
}

#[derive(Debug, Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Estimate {
    stroke: f32,
    rate: f32,
}

impl AxisSense {
    pub fn step(&mut self, axis: &Axis, reading: Option<Volts>, dt: Duration) -> AxisPosture {
        let unchanged = self.unchanged.step(reading.is_some() && reading == self.last_volts, dt);
        self.last_volts = reading;

        let judged = self.judge(axis, reading, dt);
        let confirmed = self.bad.step(judged.is_err(), dt) >= axis.watch.sensor_confirm;
        if let Ok(estimate) = judged {
            self.estimate = Some(estimate);
        }
        let known = self.estimate.is_some() && !(judged.is_err() && confirmed);
        AxisPosture {
            stroke: self.estimate.map_or(0.0, |estimate| estimate.stroke),
            rate: judged.map_or(0.0, |estimate| estimate.rate),
            angle: self.angle,
            ratio: if known { self.ratio } else { 0.0 },
            fault: judged.err().filter(|_| confirmed),
            known,
            unchanged,
        }
    }

    /// The new estimate, or what is wrong with the reading. Sets angle and ratio when all is well.
    fn judge(&mut self, axis: &Axis, reading: Option<Volts>, dt: Duration) -> Result<Estimate, Cause> {
        let measured = calibrate(&axis.sensor, reading)?;
        let estimate = match self.estimate {
            None => Estimate {
                stroke: measured,
                rate: 0.0,
            },
            Some(last) => {
                // The longer nothing credible came in, the further it can be by now.
                let gap = seconds(dt) + seconds(self.bad.duration());
                if math::abs(measured - last.stroke) > axis.watch.jump_rate * gap + reading_noise(&axis.sensor) {
                    return Err(Cause::SensorJump);
                }
                last.follow(measured, seconds(dt))
            }
        };
        let angle = axis.linkage.angle(estimate.stroke).map_err(|_| Cause::OffLinkage)?;
        let ratio = axis.linkage.ratio(angle).map_err(|_| Cause::OffLinkage)?;
        self.angle = angle;
        self.ratio = ratio;
        Ok(estimate)
    }
}

impl Estimate {
    /// Alpha-beta filter with two equal poles (critically damped): Bar-Shalom, Li, Kirubarajan, *Estimation with Applications
    /// to Tracking and Navigation*, from memory. A steady rate is followed without error in stroke.
    fn follow(self, measured: f32, dt: f32) -> Self {
        let pole = FILTER_TIME_S / (FILTER_TIME_S + dt);
        let predicted = self.stroke + self.rate * dt;
        let surprise = measured - predicted;
        Self {
            stroke: predicted + (1.0 - pole * pole) * surprise,
            rate: self.rate + (1.0 - pole) * (1.0 - pole) * surprise / dt,
        }
    }
}

/// Two-point calibration with its credible band.
fn calibrate(sensor: &Calibration, reading: Option<Volts>) -> Result<f32, Cause> {
    let volts = reading.ok_or(Cause::SensorLow)?.volts();
    if volts < sensor.fault_volts.0 {
        return Err(Cause::SensorLow);
    }
    if volts > sensor.fault_volts.1 {
        return Err(Cause::SensorHigh);
    }
    let share = (volts - sensor.low.0) / (sensor.high.0 - sensor.low.0);
    Ok(sensor.low.1 + share * (sensor.high.1 - sensor.low.1))
}

/// A step of this size is noise, not a jump: half a per cent of the sensor's span.
fn reading_noise(sensor: &Calibration) -> f32 {
    0.005 * math::abs(sensor.high.1 - sensor.low.1)
}
