//! One axis: linkage, sensor, valve, channel, and how it is driven and watched.

use heapless::Vec;

use super::{Calibration, Channel, Field, Twin, check, finite, is_lever, positive};
use crate::linkage::Linkage;
use crate::math;
use crate::units::Duration;

/// A value for each direction of an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct EachWay {
    /// Extending.
    pub out: f32,
    /// Retracting.
    pub inward: f32,
}

impl EachWay {
    /// The value for the direction of `rate` (extending for zero).
    pub fn toward(self, rate: f32) -> f32 {
        if rate < 0.0 { self.inward } else { self.out }
    }

    fn both(self) -> [f32; 2] {
        [self.out, self.inward]
    }
}

/// Most measured points of a valve curve.
pub const CURVE_POINTS_MAX: usize = 8;

/// What is believed of the valve, each way: the opening at which motion starts, the greatest stroke rate, and what was measured between
/// the two.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct ValveCurve {
    /// Opening at which motion starts, 0 to below 1.
    pub deadband: EachWay,
    /// Stroke rate at full command, m/s or rad/s.
    pub full_rate: EachWay,
    /// Measured points above that deadband when extending: opening, and the share of the full rate that it gives. Both rise from point to
    /// point; between points it goes in straight lines, and so from the last to full rate at full opening, unless it has the full rate.
    pub out: Vec<(f32, f32), CURVE_POINTS_MAX>,
    /// The same when retracting.
    pub inward: Vec<(f32, f32), CURVE_POINTS_MAX>,
}

impl ValveCurve {
    /// The curve in the direction of `rate`: its points, the end of the deadband first and that of full rate last.
    pub fn points(&self, rate: f32) -> impl Iterator<Item = (f32, f32)> + '_ {
        let measured = if rate < 0.0 { &self.inward } else { &self.out };
        let ends = measured.last().is_some_and(|last| last.1 == 1.0);
        core::iter::once((self.deadband.toward(rate), 0.0))
            .chain(measured.iter().copied())
            .chain((!ends).then_some((1.0, 1.0)))
    }

    /// The stroke rate that an opening gives by this curve, m/s or rad/s: none within the deadband, full rate from the last point on. It
    /// rises all the way; NaN for NaN.
    pub fn rate(&self, opening: f32) -> f32 {
        let (share, full) = (math::abs(opening), math::sign(opening) * self.full_rate.toward(opening));
        let mut below = (self.deadband.toward(opening), 0.0);
        if share <= below.0 {
            return 0.0;
        }
        for above in self.points(opening).skip(1) {
            if share <= above.0 {
                let part = (share - below.0) / (above.0 - below.0);
                return full * math::lerp(below.1, above.1, part);
            }
            below = above;
        }
        full * below.1
    }

    fn usable(&self) -> bool {
        let rises = |rate: f32| {
            self.points(rate)
                .zip(self.points(rate).skip(1))
                .all(|(low, high)| low.0 < high.0 && low.1 < high.1 && high.0 <= 1.0 && high.1 <= 1.0)
        };
        self.deadband
            .both()
            .iter()
            .all(|share| finite(&[*share]) && *share >= 0.0 && *share < 1.0)
            && rises(1.0)
            && rises(-1.0)
            && self.full_rate.both().iter().all(|rate| positive(*rate))
    }
}

/// How an axis is driven.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Tracking {
    /// Gain on the lag between asked and measured stroke, 1/s.
    pub gain: f32,
    /// Time over which that lag is smoothed before it is fed back, s. 0 for none.
    pub smooth: f32,
    /// How much speed is taken back for each m/s² (rad/s²) by which the axis accelerates more than it should, s. 0 for none.
    pub damp: f32,
    /// Integral time, s; 0 switches it off.
    pub integral_time: f32,
    /// What passes between a command and the motion it causes, s: it is given ahead by that. 0 for none.
    pub lead: f32,
    /// What the axis would move by for the oil that fills its lines before it moves, m or rad. 0 for none.
    pub fill: EachWay,
    /// How far the axis goes on, in the direction it went, after its valve has closed, m or rad: below zero it goes back. 0 for not at all.
    pub run_on: EachWay,
    /// How far it may drift before it is brought back where nothing is asked of it, m or rad. 0: it is left alone.
    pub hold: f32,
    /// Change of the command from zero to full, 1/s.
    pub ramp_up: f32,
    /// Change of the command from full to zero, 1/s.
    pub ramp_down: f32,
    /// The same in a category 1 stop, 1/s.
    pub stop_ramp: f32,
    /// How fast those changes build up, but for a stop's, 1/s². 0: at once.
    pub jerk: f32,
    /// Deceleration the axis can be trusted to reach, m/s² or rad/s².
    pub braking: f32,
}

impl Tracking {
    fn usable(&self) -> bool {
        let Self {
            gain,
            smooth,
            damp,
            integral_time,
            lead,
            fill: EachWay { out, inward },
            run_on,
            hold,
            ramp_up,
            ramp_down,
            stop_ramp,
            jerk,
            braking,
        } = *self;
        [gain, smooth, damp, integral_time, lead, out, inward, hold, jerk]
            .iter()
            .all(|number| finite(&[*number]) && *number >= 0.0)
            && finite(&run_on.both())
            && [ramp_up, ramp_down, stop_ramp, braking]
                .iter()
                .all(|rate| positive(*rate))
    }
}

/// A small, fast to and fro of an open valve.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Dither {
    /// Either way, as a share of full opening.
    pub amplitude: f32,
    /// Hz
    pub frequency: f32,
}

/// When an axis is called faulty.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Watch {
    /// A reading that changes faster than this has jumped, m/s.
    pub jump_rate: f32,
    /// How long a bad reading must last to count.
    pub sensor_confirm: Duration,
    /// A reading older than this is no reading.
    pub stale: Duration,
    /// Stroke rate that counts as motion, m/s.
    pub still_rate: f32,
    /// How far the opening of the valve may be off from the one commanded, either way, as a share of full: hysteresis, stiction, a deadband
    /// that is not quite where the curve has it. 0 to below 1.
    pub opening_doubt: f32,
    /// Least share of its curve's rate that an axis has where cold oil, a heavy load or a shared pump hinders it. Above 0, to 1.
    pub rate_least: f32,
    /// Greatest share of it, where a load or thin oil helps. From 1 up.
    pub rate_most: f32,
    /// How far a load that swings, is picked up or is dropped moves an axis one way while its valve is closed: trapped oil and hoses give,
    /// m or rad. From 0 up.
    pub give: f32,
    /// Time within which motion follows a change of the opening.
    pub settle: Duration,
    /// Time for which motion not asked for must last.
    pub unasked: Duration,
    /// Time for which motion asked for must be missing, no less than `settle`.
    pub no_motion: Duration,
    /// Time for which motion the wrong way must last.
    pub wrong_way: Duration,
    /// Greatest lag between asked and measured stroke, m.
    pub following: f32,
}

impl Watch {
    fn usable(&self) -> bool {
        let Self {
            jump_rate,
            still_rate,
            following,
            opening_doubt,
            rate_least,
            rate_most,
            give,
            settle,
            no_motion,
            ..
        } = *self;
        [jump_rate, still_rate, following, rate_least]
            .iter()
            .all(|limit| positive(*limit))
            && finite(&[opening_doubt, rate_most, give])
            && (0.0..1.0).contains(&opening_doubt)
            && rate_least <= 1.0
            && rate_most >= 1.0
            && give >= 0.0
            && settle <= no_motion
    }
}

/// One driven joint: linkage, sensor, valve, channel.
#[derive(Debug, Clone, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Axis {
    /// Stroke to angle and back.
    pub linkage: Linkage,
    /// Least and greatest stroke the core may use, m or rad.
    pub stroke: (f32, f32),
    /// The sensor that it is driven by.
    pub sensor: Calibration,
    /// A second one that confirms it.
    pub twin: Option<Twin>,
    /// The valve, as believed.
    pub valve: ValveCurve,
    /// Oil per stroke: m² for a cylinder, m³/rad for a motor.
    pub area: EachWay,
    /// What its valve is told by.
    pub channel: Channel,
    /// Feedback, ramps, braking.
    pub tracking: Tracking,
    /// The dither of its valve, if it wants one.
    pub dither: Option<Dither>,
    /// Diagnostics.
    pub watch: Watch,
    /// The lever that moves it in joint mode.
    pub lever: Option<u8>,
    /// The second pump feeds it, not the first.
    pub second_pump: bool,
}

impl Axis {
    /// The fastest that it goes, whatever helps, before it is watched for running away, m/s or rad/s.
    pub fn fastest(&self) -> f32 {
        let rates = self.valve.full_rate;
        self.watch.rate_most * math::max(rates.out, rates.inward)
    }

    pub(super) fn check(&self) -> Result<(), Field> {
        check(self.linkage.usable(), Field::Linkage)?;
        check(
            finite(&[self.stroke.0, self.stroke.1]) && self.stroke.0 < self.stroke.1,
            Field::Stroke,
        )?;
        check(
            self.sensor.usable() && self.twin.as_ref().is_none_or(Twin::usable),
            Field::Sensor,
        )?;
        check(self.valve.usable(), Field::Valve)?;
        check(self.area.both().iter().all(|area| positive(*area)), Field::Area)?;
        check(self.channel.usable(), Field::Channel)?;
        let dither = |d: Dither| positive(d.amplitude) && d.amplitude < 1.0 && positive(d.frequency);
        check(
            self.tracking.usable() && self.dither.is_none_or(dither),
            Field::Tracking,
        )?;
        check(self.watch.usable(), Field::Watch)?;
        check(self.lever.is_none_or(is_lever), Field::Lever)
    }
}
