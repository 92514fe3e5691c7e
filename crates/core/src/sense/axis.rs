//! One axis: plausibility, rate, age, linkage.
//!
//! Stroke and rate come from an alpha-beta filter with two equal poles p = T / (T + dt), so that alpha = 1 - p² and beta = (1 - p)²; T is
//! its time constant, dt the time between two readings. What it makes of them:
//!
//! | the stroke | the filter's stroke | the filter's rate |
//! |---|---|---|
//! | changes at a steady rate | without error | without error |
//! | changes with a steady acceleration a | a T² behind | 2 T + dt / 2 late |
//! | is read with white noise, rms σ | σ √((1 - p)(5 p² + 4 p + 1) / (1 + p)³) | σ √(2 dt) / (2 T + dt)^1.5 |
//!
//! At 2 ms that is 0.43 σ and 15 σ a second. The first two rows follow from the filter's own two lines, the third from the variance
//! reduction ratios of Bar-Shalom, Li, Kirubarajan, *Estimation with Applications to Tracking and Navigation* (from memory) with this
//! alpha and beta put in. All three are held by the tests.

use crate::cause::Cause;
use crate::inputs::SensorInput;
use crate::machine::{Axis, Calibration, Twin};
use crate::math;
use crate::units::{Duration, Held, Volts, seconds};

use super::calibrate;
use super::switch::Debounced;

/// Time constant of the filter, s.
pub const FILTER_TIME_S: f32 = 0.012;

/// Where one axis is.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisPosture {
    /// Stroke when it was read, m or rad. The last credible one while the reading is not.
    pub stroke: f32,
    /// How far the stroke may be from that by now, either way, m or rad: the age of the reading at the fastest that the axis goes.
    pub spread: f32,
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
            spread: 0.0,
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
    bad: Debounced,
    twin_bad: Debounced,
    apart: Debounced,
    unchanged: Held,
}

#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Estimate {
    stroke: f32,
    rate: f32,
    /// Time since the reading that it rests on.
    age: Duration,
}

impl AxisSense {
    pub fn step(&mut self, axis: &Axis, input: &SensorInput, dt: Duration) -> AxisPosture {
        let unchanged = input.signal.is_some() && input.signal == self.last_volts;
        let unchanged = self.unchanged.step(unchanged, dt);
        self.last_volts = input.signal;
        if let Some(estimate) = &mut self.estimate {
            estimate.age = Duration::from_ticks(estimate.age.as_ticks().saturating_add(dt.as_ticks()));
        }

        let measured = measure(axis, input);
        let judged = measured.and_then(|measured| self.judge(axis, measured, input.age));
        let stale = judged == Err(Cause::SensorStale);
        let confirmed = self.bad.step(judged.is_err(), axis.watch.sensor_confirm, dt) || stale;
        if let Ok(estimate) = judged {
            self.estimate = Some(estimate);
        }
        let own_fault = judged.err().filter(|_| confirmed);
        let twin_fault = axis
            .twin
            .as_ref()
            .and_then(|twin| self.compare(axis, twin, measured.ok(), input, dt));

        let fault = own_fault.or(twin_fault);
        // Without a second sensor the first is still right; where the two differ, nobody knows which is.
        let known = self.estimate.is_some() && matches!(fault, None | Some(Cause::TwinLost));
        AxisPosture {
            stroke: self.estimate.map_or(0.0, |estimate| estimate.stroke),
            spread: self
                .estimate
                .map_or(0.0, |estimate| axis.fastest() * seconds(estimate.age)),
            rate: judged.map_or(0.0, |estimate| estimate.rate),
            angle: self.angle,
            ratio: if known { self.ratio } else { 0.0 },
            fault,
            known,
            unchanged,
        }
    }

    /// The new estimate, or what is wrong with the reading. Sets angle and ratio when all is well.
    fn judge(&mut self, axis: &Axis, measured: f32, age: Duration) -> Result<Estimate, Cause> {
        let estimate = match self.estimate {
            None => Estimate {
                stroke: measured,
                rate: 0.0,
                age,
            },
            Some(last) => {
                // From reading to reading, not from tick to tick: the longer nothing credible came in, the further it can be by now.
                let gap = last.age.as_ticks().saturating_sub(age.as_ticks());
                if gap == 0 {
                    return Ok(Estimate { age, ..last });
                }
                let gap = seconds(Duration::from_ticks(gap));
                if math::abs(measured - last.stroke) > axis.watch.jump_rate * gap + reading_noise(&axis.sensor) {
                    return Err(Cause::SensorJump);
                }
                Estimate {
                    age,
                    ..last.follow(measured, gap)
                }
            }
        };
        let angle = axis.linkage.angle(estimate.stroke).map_err(|_| Cause::OffLinkage)?;
        let ratio = axis.linkage.ratio(angle).map_err(|_| Cause::OffLinkage)?;
        self.angle = angle;
        self.ratio = ratio;
        Ok(estimate)
    }

    /// What the second sensor has to say against the first, once it has said so for long enough.
    fn compare(
        &mut self,
        axis: &Axis,
        twin: &Twin,
        measured: Option<f32>,
        input: &SensorInput,
        dt: Duration,
    ) -> Option<Cause> {
        let other = calibrate::stroke(&twin.sensor, input.twin, input);
        let apart = matches!((measured, other), (Some(one), Ok(other)) if math::abs(one - other) > twin.limit);
        let apart = self.apart.step(apart, twin.confirm, dt);
        let lost = self.twin_bad.step(other.is_err(), axis.watch.sensor_confirm, dt);
        if lost {
            Some(Cause::TwinLost)
        } else {
            apart.then_some(Cause::SensorsDiffer)
        }
    }
}

impl Estimate {
    /// Alpha-beta filter, critically damped.
    fn follow(self, measured: f32, dt: f32) -> Self {
        let pole = FILTER_TIME_S / (FILTER_TIME_S + dt);
        let predicted = self.stroke + self.rate * dt;
        let surprise = measured - predicted;
        Self {
            stroke: predicted + (1.0 - pole * pole) * surprise,
            rate: self.rate + (1.0 - pole) * (1.0 - pole) * surprise / dt,
            ..self
        }
    }
}

/// The stroke that the first sensor tells, if what was read is new enough and can be believed.
fn measure(axis: &Axis, input: &SensorInput) -> Result<f32, Cause> {
    if input.age > axis.watch.stale {
        return Err(Cause::SensorStale);
    }
    calibrate::stroke(&axis.sensor, input.signal, input)
}

/// A step of this size is noise, not a jump: half a per cent of the sensor's span.
fn reading_noise(sensor: &Calibration) -> f32 {
    0.005 * sensor.span()
}
