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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linkage::Linkage;
    use crate::machine::{Channel, EachWay, Tracking, ValveCurve, Watch};

    const TICK: Duration = Duration::from_ticks(2_000);

    /// 0.5 to 9.5 V are 0 to 900 mm: 100 mm a volt.
    fn axis() -> Axis {
        let (both, long) = (EachWay { out: 0.1, inward: 0.1 }, Duration::from_ticks(100_000));
        Axis {
            linkage: Linkage::Direct { zero: 0.0 },
            stroke: (0.0, 0.9),
            sensor: Calibration {
                low: (0.5, 0.0),
                high: (9.5, 0.9),
                fault_volts: (0.2, 9.8),
            },
            valve: ValveCurve {
                deadband: both,
                full_rate: both,
            },
            area: both,
            channel: Channel {
                neutral: 0.5,
                low: 0.1,
                high: 0.9,
                reversed: false,
            },
            tracking: Tracking {
                gain: 0.0,
                integral_time: 0.0,
                ramp_up: 1.0,
                ramp_down: 1.0,
                stop_ramp: 1.0,
                braking: 1.0,
            },
            watch: Watch {
                jump_rate: 1.5,
                sensor_confirm: Duration::from_ticks(10_000),
                still_rate: 0.01,
                settle: long,
                unasked: long,
                no_motion: long,
                wrong_way: long,
                following: 0.1,
            },
            lever: None,
        }
    }

    fn volts(stroke: f32) -> Option<Volts> {
        Volts::new(0.5 + 10.0 * stroke).ok()
    }

    #[test]
    fn two_points_make_a_line() {
        for (reading, stroke) in [(0.5, 0.0), (5.0, 0.45), (9.5, 0.9), (0.3, -0.02)] {
            let found = AxisSense::default().step(&axis(), Volts::new(reading).ok(), TICK);
            assert!(
                found.known && (found.stroke - stroke).abs() < 1e-6,
                "{reading} V: {found:?}"
            );
        }
    }

    #[test]
    fn a_bad_reading_is_bridged_until_it_is_confirmed_and_then_is_not_believed() {
        for (reading, cause) in [
            (Volts::new(0.1).ok(), Cause::SensorLow),
            (None, Cause::SensorLow),
            (Volts::new(9.9).ok(), Cause::SensorHigh),
            (volts(0.6), Cause::SensorJump),
        ] {
            let (axis, mut sense) = (axis(), AxisSense::default());
            sense.step(&axis, volts(0.4), TICK);
            for _ in 0..4 {
                let now = sense.step(&axis, reading, TICK);
                assert!(
                    now.known && now.fault.is_none() && (now.stroke - 0.4).abs() < 1e-6,
                    "{now:?}"
                );
            }
            let now = sense.step(&axis, reading, TICK);
            assert_eq!((now.known, now.fault), (false, Some(cause)));
        }
    }

    /// The stated delay, to 10 %: a steady change of rate is seen that much later.
    #[test]
    fn the_rate_lags_by_what_is_stated() {
        let (axis, mut sense, acceleration) = (axis(), AxisSense::default(), 0.2);
        let mut now = AxisPosture::default();
        let mut t = 0.0;
        for tick in 0..900_u16 {
            t = f32::from(tick) * seconds(TICK);
            now = sense.step(&axis, volts(0.5 * acceleration * t * t), TICK);
        }
        let lag = t - now.rate / acceleration;
        assert!(
            (lag / RATE_DELAY_S - 1.0).abs() < 0.1,
            "{lag} s, stated {RATE_DELAY_S} s"
        );
    }
}
