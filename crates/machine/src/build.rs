//! From what the file says to what the core runs on: f64 to f32, pins to triangles, times to microseconds.
//!
//! Only what the integrator believes and what the core must keep goes over; what there *is* (masses, valves, oil) stays here,
//! for the simulator.

mod guarded;

use bellcrank_core::linkage::{self, Triangle};
use bellcrank_core::machine::{
    self as core, AxisId, Calibration, EachWay, Machine, Parts, StationLimits, Tracking, ValveCurve,
};
use bellcrank_core::units::{Duration, Ohms};
use bellcrank_core::vec3::Vec3;
use nalgebra::Vector3;

use crate::description::{
    Arm, Axis, Channel, Control, Description, Drive, Feed, JointAxis, SeatPlace, Sensor, Signal, Station, Timing, Twin,
    Watch,
};
use crate::geometry::triangle::heading;
use crate::geometry::{Clevis, FourBar, Geometry, GeometryError};
use guarded::{cylinder, footing, zone};

/// Why a description is no machine. A description that was read from a file has been checked and gives one.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BuildError {
    /// More of something than the core has room for.
    #[error("more {0} than the core has room for")]
    TooMany(&'static str),
    /// A number that is none of an axis, a joint or a lever.
    #[error("{0} number {1} does not exist")]
    NoSuch(&'static str, usize),
    /// A linkage that does not close within the range of its joint.
    #[error("axis {axis:?}: {why}")]
    Linkage {
        /// Name of the axis.
        axis: String,
        /// Why it does not close.
        #[source]
        why: GeometryError,
    },
    /// The core refuses a number.
    #[error("the core refuses it: {0}")]
    Refused(core::MachineError),
}

/// Makes the core's machine.
///
/// # Errors
/// [`BuildError`]: more axes, arms, joints or zones than fit, an arm that names what is not there, a linkage that does not
/// close, or a number that the core refuses.
pub fn build(description: &Description) -> Result<Machine, BuildError> {
    Machine::new(Parts {
        axes: all("axes", core::AXES_MAX, description.axes.iter().map(axis))?,
        arms: all(
            "arms",
            core::ARMS_MAX,
            description.arms.iter().map(|a| arm(a, &description.axes)),
        )?,
        zones: all(
            "zones",
            core::ZONES_MAX,
            description.zones.iter().map(|z| zone(z, &description.arms)),
        )?,
        arm_margin: single(description.guard.arms_margin),
        footing: footing(description)?,
        commissioning_speed: description.guard.commissioning_speed.map(single),
        control_supply: description
            .control
            .supply
            .map(|(low, high)| (single(low), single(high))),
        timing: timing(&description.timing, &description.control),
        seat: station(&description.stations.seat),
        remote: description.stations.remote.as_ref().map(station),
        seat_place: seat_place(&description.seat),
        pump_flow: single(description.supply.flow),
        second_pump_flow: description
            .second_supply
            .as_ref()
            .map_or(0.0, |supply| single(supply.flow)),
    })
    .map_err(BuildError::Refused)
}

/// Collects into one of the core's lists, which has `room` for so many and no more.
fn all<T, L: FromIterator<T>>(
    what: &'static str,
    room: usize,
    items: impl Iterator<Item = Result<T, BuildError>>,
) -> Result<L, BuildError> {
    let items = items.collect::<Result<Vec<T>, BuildError>>()?;
    if items.len() > room {
        return Err(BuildError::TooMany(what));
    }
    Ok(items.into_iter().collect())
}

fn axis(axis: &Axis) -> Result<core::Axis, BuildError> {
    let failed = |why| BuildError::Linkage {
        axis: axis.name.clone(),
        why,
    };
    let geometry = Geometry::of(axis).map_err(failed)?;
    let ends = [axis.joint.range.0, axis.joint.range.1].map(|angle| geometry.stroke(angle));
    let (a, b) = (ends[0].map_err(failed)?, ends[1].map_err(failed)?);
    let within = |stroke: f64| single(stroke.clamp(0.0, axis.actuator.travel));
    Ok(core::Axis {
        linkage: linkage(&geometry),
        stroke: (within(a.min(b)), within(a.max(b))),
        sensor: calibration(&axis.sensor)?,
        twin: axis.twin.as_ref().map(twin).transpose()?,
        valve: valve(&axis.drive)?,
        area: each_way((axis.actuator.area_a, axis.actuator.area_b)),
        channel: channel(&axis.channel),
        tracking: tracking(&axis.drive),
        dither: axis.drive.dither.map(|(amplitude, frequency)| core::Dither {
            amplitude: single(amplitude),
            frequency: single(frequency),
        }),
        watch: watch(&axis.watch),
        lever: axis.lever.map(lever).transpose()?,
        second_pump: axis.feed == Feed::Second,
    })
}

fn calibration(sensor: &Sensor) -> Result<Calibration, BuildError> {
    let points = sensor.points.iter().map(|point| Ok(pair(*point)));
    Ok(Calibration {
        signal: match sensor.signal {
            Signal::Voltage => core::Signal::Voltage,
            Signal::Ratiometric { band, .. } => core::Signal::Ratiometric { excitation: pair(band) },
            // What is no resistance is none, and refused by the core.
            Signal::Current { shunt } => core::Signal::Current {
                shunt: Ohms::new(single(shunt)).unwrap_or_default(),
            },
        },
        points: all("calibration points", core::POINTS_MAX, points)?,
        fault: pair(sensor.fault),
    })
}

fn twin(twin: &Twin) -> Result<core::Twin, BuildError> {
    Ok(core::Twin {
        sensor: calibration(&twin.sensor)?,
        limit: single(twin.limit),
        confirm: micros(twin.confirm),
    })
}

fn linkage(geometry: &Geometry) -> linkage::Linkage {
    match geometry {
        Geometry::Clevis(Clevis {
            barrel,
            rod,
            closed,
            folded,
            side,
        }) => linkage::Linkage::Clevis(Triangle {
            a: single(barrel.norm()),
            b: single(rod.norm()),
            closed: single(*closed),
            zero: single(*folded),
            sense: single(*side),
        }),
        Geometry::FourBar(bars) => linkage::Linkage::FourBar(four_bar(bars)),
        Geometry::Direct { zero } => linkage::Linkage::Direct { zero: single(*zero) },
    }
}

fn four_bar(bars: &FourBar) -> linkage::FourBar {
    let arm = bars.barrel - bars.pivot;
    linkage::FourBar {
        cylinder: Triangle {
            a: single(arm.norm()),
            b: single(bars.rocker_rod),
            closed: single(bars.closed),
            // The core's triangle gives the direction of the coupler's pin, not that of the rod's.
            zero: single(heading(arm) + bars.rocker_angle),
            sense: single(bars.rod_side),
        },
        pivot: [single(bars.pivot.x), single(bars.pivot.y)],
        rocker: single(bars.rocker_coupler),
        coupler: single(bars.coupler),
        child: single(bars.child.norm()),
        child_zero: single(heading(bars.child)),
        child_side: single(bars.child_side),
        rocker_side: single(bars.rocker_side),
    }
}

fn arm(arm: &Arm, axes: &[Axis]) -> Result<core::Arm, BuildError> {
    let joint = |&index: &usize| joint(index, axes.get(index).ok_or(BuildError::NoSuch("axis", index))?);
    Ok(core::Arm {
        base: vec3(arm.base),
        joints: all("joints in an arm", core::JOINTS_MAX, arm.axes.iter().map(joint))?,
        pitch_joint: u8::try_from(arm.pitch_joint).map_err(|_| BuildError::NoSuch("joint", arm.pitch_joint))?,
        grip: arm.grip.as_ref().map(joint).transpose()?,
        tip_speed: single(arm.tip_speed),
        pitch_rate: single(arm.pitch_rate),
        tip_ramp: single(arm.tip_ramp),
        payload: single(arm.payload),
        levers: all(
            "levers of a tip",
            core::TIP_LEVERS_MAX,
            arm.levers.iter().map(|&number| lever(number)),
        )?,
    })
}

fn joint(index: usize, axis: &Axis) -> Result<core::Joint, BuildError> {
    Ok(core::Joint {
        axis: axis_id(index)?,
        about: match axis.joint.axis {
            JointAxis::X => core::JointAxis::X,
            JointAxis::Y => core::JointAxis::Y,
            JointAxis::Z => core::JointAxis::Z,
        },
        link: vec3(axis.joint.link),
        radius: single(axis.joint.radius),
        mass: single(axis.joint.mass),
        centre: vec3(axis.joint.centre),
        cylinder: cylinder(axis).map_err(|why| BuildError::Linkage {
            axis: axis.name.clone(),
            why,
        })?,
    })
}

fn timing(timing: &Timing, control: &Control) -> core::Timing {
    core::Timing {
        tick: micros(timing.tick),
        tick_late: micros(timing.tick_late),
        tick_early: micros(timing.tick_early),
        stop_pulse: micros(control.stop_pulse),
        relay: control.relay.map(micros),
        stop_discrepancy: micros(timing.stop_discrepancy),
        debounce: micros(timing.debounce),
        stop_budget: micros(timing.stop_budget),
        reaction: micros(timing.reaction),
    }
}

fn station(station: &Station) -> StationLimits {
    StationLimits {
        frame_late: micros(station.frame_late),
        required: station.required,
        speed_cap: single(station.speed_cap),
        dead_zone: single(station.dead_zone),
        tip_speed: station.tip_speed.map(single),
        expo: single(station.expo),
        slow_share: single(station.slow_share),
    }
}

fn seat_place(seat: &SeatPlace) -> core::SeatPlace {
    core::SeatPlace {
        position: vec3(seat.position),
        yaw: single(seat.yaw),
    }
}

fn channel(channel: &Channel) -> core::Channel {
    match *channel {
        Channel::Pwm {
            neutral,
            band,
            reversed,
        } => core::Channel::Pwm(core::Pwm {
            neutral: single(neutral),
            low: single(band.0),
            high: single(band.1),
            reversed,
        }),
        Channel::Coils { full } => core::Channel::Coils(core::Coils { full: each_way(full) }),
        Channel::Voltage { full, reversed } => core::Channel::Voltage(core::Voltage {
            full: single(full),
            reversed,
        }),
    }
}

fn valve(drive: &Drive) -> Result<ValveCurve, BuildError> {
    let [out, inward] = drive.curve.each_ref().map(|points| {
        let points = points.iter().map(|point| Ok(pair(*point)));
        all("points in a valve curve", core::CURVE_POINTS_MAX, points)
    });
    Ok(ValveCurve {
        deadband: each_way(drive.deadband),
        full_rate: each_way(drive.full_rate),
        out: out?,
        inward: inward?,
    })
}

fn tracking(drive: &Drive) -> Tracking {
    Tracking {
        gain: single(drive.gain),
        smooth: single(drive.smooth),
        damp: single(drive.damp),
        integral_time: single(drive.integral_time),
        lead: single(drive.lead),
        fill: each_way(drive.fill),
        run_on: each_way(drive.run_on),
        hold: single(drive.hold),
        ramp_up: single(1.0 / drive.ramp_up),
        ramp_down: single(1.0 / drive.ramp_down),
        stop_ramp: single(1.0 / drive.stop_ramp),
        jerk: if drive.ramp_round > 0.0 {
            single(1.0 / (drive.ramp_up * drive.ramp_round))
        } else {
            0.0
        },
        braking: single(drive.braking),
    }
}

fn watch(watch: &Watch) -> core::Watch {
    core::Watch {
        jump_rate: single(watch.jump_rate),
        sensor_confirm: micros(watch.sensor_confirm),
        stale: micros(watch.stale),
        still_rate: single(watch.still_rate),
        opening_doubt: single(watch.opening_doubt),
        rate_least: single(watch.rate_share.0),
        rate_most: single(watch.rate_share.1),
        give: single(watch.give),
        settle: micros(watch.settle),
        unasked: micros(watch.unasked),
        no_motion: micros(watch.no_motion),
        wrong_way: micros(watch.wrong_way),
        following: single(watch.following),
    }
}

fn axis_id(index: usize) -> Result<AxisId, BuildError> {
    AxisId::new(index).ok_or(BuildError::NoSuch("axis", index))
}

fn lever(index: usize) -> Result<u8, BuildError> {
    u8::try_from(index).map_err(|_| BuildError::NoSuch("lever", index))
}

fn each_way((out, inward): (f64, f64)) -> EachWay {
    EachWay {
        out: single(out),
        inward: single(inward),
    }
}

fn vec3(v: Vector3<f64>) -> Vec3 {
    [single(v.x), single(v.y), single(v.z)]
}

fn pair((a, b): (f64, f64)) -> (f32, f32) {
    (single(a), single(b))
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "the core computes in f32; what overflows is infinite and refused there"
)]
fn single(x: f64) -> f32 {
    x as f32
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast ends at 0 and at 71 minutes"
)]
fn micros(seconds: f64) -> Duration {
    Duration::from_ticks((seconds * 1e6).round() as u32)
}

#[cfg(test)]
mod tests;
