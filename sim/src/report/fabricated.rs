//! For tests: a two-armed machine, and traces of it that no plant has made. Their names try the escaping.

use std::f64::consts::FRAC_PI_2;
use std::sync::Arc;

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{Mode, Station};
use bellcrank_core::supervise::{State, What};
use bellcrank_machine::description as d;
use nalgebra::{Rotation3, Vector3};

use crate::findings::{Findings, judge};
use crate::scenario::{Act, Expect, Fault, FaultKind, Hand, Scenario};
use crate::trace::{ArmSample, AxisSample, Extremes, Noticed, Sample, Trace};

/// When the valve sticks, s.
const FAULT: f64 = 4.0;

/// The left boom's valve sticks open; the setter is stopped.
pub fn stuck_valve() -> Scenario {
    Scenario {
        name: "stuck <open> & \"valve\"".into(),
        source: "walls/stuck.toml".into(),
        about: "The left boom's valve <sticks> open & the arm goes on towards the seat.".into(),
        machine: Arc::new(machine()),
        machine_file: String::new(),
        length: 8.0,
        station: Station::Seat,
        mode: Mode::Joint,
        start: vec![0.0; 6],
        slope: [0.0; 2],
        oil: None,
        payloads: Vec::new(),
        hands: vec![
            Hand {
                at: 0.5,
                act: Act::Enable(true),
            },
            Hand {
                at: 1.0,
                act: Act::Lever { axis: 1, share: 0.4 },
            },
        ],
        faults: vec![Fault {
            at: FAULT,
            lasts: None,
            kind: FaultKind::ValveStuckOpen { axis: 1, opening: 0.6 },
        }],
        hostile: None,
        expect: Expect {
            cause: Some("motion not asked for".into()),
            axis: Some(1),
            noticed: Some(0.2),
            stopped: Some(0.3),
            ..Expect::default()
        },
    }
}

/// Nothing goes wrong: the left tip is moved along a line.
pub fn straight_lift() -> Scenario {
    Scenario {
        name: "straight-lift".into(),
        about: "The left tip is lifted along a line.".into(),
        mode: Mode::Tip,
        hands: vec![
            Hand {
                at: 0.5,
                act: Act::Enable(true),
            },
            Hand {
                at: 1.0,
                act: Act::Tip {
                    arm: 0,
                    velocity: [0.0, 0.0, 0.25],
                    turning: [0.0; 3],
                },
            },
            Hand {
                at: 6.0,
                act: Act::Neutral,
            },
        ],
        faults: Vec::new(),
        expect: Expect::default(),
        ..stuck_valve()
    }
}

/// A trace of either.
pub fn trace(scenario: &Scenario) -> Trace {
    let faulty = scenario.first_fault().is_some();
    let mut samples: Vec<Sample> = Vec::new();
    for tick in 0_u32..=800 {
        let t = 0.01 * f64::from(tick);
        let mut sample = sample(scenario, t, faulty);
        for (arm, before) in sample
            .arms
            .iter_mut()
            .zip(samples.last().map_or(&[][..], |before| &before.arms))
        {
            arm.tip_speed = (arm.tip() - before.tip()).norm() / 0.01;
        }
        samples.push(sample);
    }
    let mut events = [(0.1, State::Standby), (0.2, State::Ready), (0.5, State::Enabled)]
        .map(|(t, state)| Noticed {
            t,
            what: What::State(state),
            axis: None,
        })
        .to_vec();
    if faulty {
        events.push(Noticed {
            t: FAULT + 0.08,
            what: What::Cause(Cause::MotionUnasked),
            axis: Some(1),
        });
        events.push(Noticed {
            t: FAULT + 0.08,
            what: What::State(State::Fault),
            axis: None,
        });
    }
    Trace {
        samples,
        interval: 0.01,
        events,
        extremes: Extremes::default(),
        digest: 0x0123_4567_89ab_cdef,
    }
}

/// Scenario, trace and findings of both.
pub fn rehearsals() -> Vec<(Scenario, Trace, Findings)> {
    [straight_lift(), stuck_valve()]
        .map(|scenario| {
            let trace = trace(&scenario);
            let findings = judge(&scenario, 7, &trace);
            (scenario, trace, findings)
        })
        .to_vec()
}

fn machine() -> d::Description {
    let station = d::Station {
        required: false,
        frame_late: 0.2,
        speed_cap: 1.0,
        dead_zone: 0.05,
        tip_speed: None,
        expo: 0.0,
        slow_share: 1.0,
    };
    d::Description {
        name: "wall <setter>".into(),
        control: d::Control::default(),
        timing: d::Timing {
            tick_early: 0.0,
            tick: 0.002,
            tick_late: 0.01,
            stop_discrepancy: 0.5,
            debounce: 0.02,
            stop_budget: 0.5,
            reaction: 0.05,
        },
        seat: d::SeatPlace::default(),
        stations: d::Stations {
            seat: station,
            remote: None,
        },
        engine: None,
        second_supply: None,
        supply: d::Supply {
            control: d::PumpControl::Pressure,
            leak: 0.0,
            flow: 1e-3,
            pressure: 180e5,
            control_band: 10e5,
            response: 0.05,
            relief: 210e5,
            relief_band: 20e5,
            dump_flow: 2e-3,
            dump_drop: 5e5,
            dump_time: 0.05,
            tank: 0.0,
            volume: 1e-3,
        },
        oil: d::Oil::textbook(870.0, 1.2e9),
        carrier: None,
        axes: ["left", "right"].iter().flat_map(|side| axes(side)).collect(),
        arms: vec![arm("left", 0.5, 0), arm("right", -0.5, 3)],
        zones: vec![d::Zone {
            name: "seat & <driver>".into(),
            shape: d::Shape::Box {
                min: Vector3::new(-0.5, -0.4, 0.5),
                max: Vector3::new(0.4, 0.4, 2.1),
            },
            on: None,
            spares: Vec::new(),
            margin: 0.1,
        }],
        guard: d::Guard {
            arms_margin: 0.1,
            commissioning_speed: None,
        },
    }
}

fn arm(name: &str, y: f64, first: usize) -> d::Arm {
    d::Arm {
        name: name.into(),
        base: Vector3::new(0.7, y, 0.9),
        on: None,
        axes: (first..first + 3).collect(),
        grip: None,
        pitch_joint: 2,
        tip_speed: 0.25,
        pitch_rate: 0.5,
        tip_ramp: 0.3,
        payload: 0.0,
        levers: vec![0, 1, 2, 3],
    }
}

fn axes(side: &str) -> [d::Axis; 3] {
    let clevis = || d::Linkage::Clevis {
        barrel_pin: Vector3::new(0.2, 0.0, -0.3),
        rod_pin: Vector3::new(0.6, 0.0, 0.1),
        closed: 0.6,
    };
    [
        axis(
            format!("{side} slew"),
            d::JointAxis::Z,
            Vector3::new(0.0, 0.0, 0.2),
            d::Linkage::Direct { zero: -1.5 },
        ),
        axis(
            format!("{side} boom"),
            d::JointAxis::Y,
            Vector3::new(1.2, 0.0, 0.0),
            clevis(),
        ),
        axis(
            format!("{side} stick"),
            d::JointAxis::Y,
            Vector3::new(1.0, 0.0, 0.0),
            clevis(),
        ),
    ]
}

fn axis(name: String, axis: d::JointAxis, link: Vector3<f64>, linkage: d::Linkage) -> d::Axis {
    d::Axis {
        name,
        joint: d::Joint {
            axis,
            link,
            mass: 40.0,
            centre: 0.5 * link,
            radius: 0.07,
            range: (-1.5, 1.5),
        },
        linkage,
        actuator: d::Actuator {
            kind: d::ActuatorKind::Cylinder { bore: 0.05, rod: 0.03 },
            area_a: 1.96e-3,
            area_b: 1.26e-3,
            travel: 0.4,
            dead_a: 1e-4,
            dead_b: 1e-4,
            swell: [0.0; 2],
            leak: 0.0,
            viscous: 500.0,
            coulomb: 200.0,
            coulomb_speed: 0.01,
            breakaway: 200.0,
            breakaway_speed: 0.01,
            cushion: 0.02,
        },
        valve: d::Valve {
            rated_flow: 5e-4,
            rated_drop: 5e5,
            blend: 1e5,
            overlap_out: 0.1,
            overlap_in: 0.1,
            notches: d::Notches::default(),
            spool_hz: 10.0,
            spool_zeta: 0.8,
            answer: d::Answer::default(),
            check_flow: 1e-3,
            check_drop: 2e5,
            port_relief: None,
            load_check: true,
        },
        holding: None,
        feed: d::Feed::First,
        sensor: d::Sensor {
            signal: d::Signal::Voltage,
            points: vec![(0.5, 0.0), (4.5, 0.4)],
            fault: (0.25, 4.75),
            converter_volts: 5.0,
            converter_bits: 12,
            noise: 1e-3,
            every: 0.0,
        },
        twin: None,
        channel: d::Channel::Pwm {
            neutral: 0.5,
            band: (0.25, 0.75),
            reversed: false,
        },
        drive: d::Drive {
            deadband: (0.1, 0.1),
            full_rate: (0.1, 0.1),
            curve: [Vec::new(), Vec::new()],
            ramp_up: 0.3,
            ramp_down: 0.2,
            stop_ramp: 0.2,
            ramp_round: 0.0,
            gain: 2.0,
            smooth: 0.0,
            damp: 0.0,
            integral_time: 0.0,
            lead: 0.0,
            fill: (0.0, 0.0),
            run_on: (0.0, 0.0),
            hold: 0.0,
            dither: None,
            braking: 0.5,
        },
        watch: d::Watch {
            jump_rate: 1.0,
            sensor_confirm: 0.02,
            stale: 0.05,
            still_rate: 0.01,
            opening_doubt: 0.03,
            rate_share: (0.1, 2.0),
            give: 0.005,
            settle: 0.3,
            unasked: 0.1,
            no_motion: 0.5,
            wrong_way: 0.1,
            following: 0.05,
        },
        lever: None,
    }
}

/// The machine at a time: it moves from 1 s on, and after the fault faster, until that has been noticed and stopped.
fn sample(scenario: &Scenario, t: f64, faulty: bool) -> Sample {
    let worked = (t.min(if faulty { FAULT } else { 6.0 }) - 1.0).max(0.0);
    let after = if faulty { (t - FAULT).max(0.0) } else { 0.0 };
    let run_on = 0.25 * (1.0 - (-after / 0.12).exp());
    let boom = -0.2 - 0.12 * worked - run_on;
    let asked = if worked > 0.0 && after == 0.0 { 0.04 } else { 0.0 };
    let stick = if faulty { 1.2 } else { 1.2 + 0.1 * worked };
    let angles = [0.1 + 0.05 * worked, boom, stick, -0.4, -0.5, 1.3];
    let moving = 0.04 * f64::from(u8::from(worked > 0.0 && (faulty || t < 6.0))) + 0.6 * run_on * (-after / 0.12).exp();
    let axes = angles
        .iter()
        .enumerate()
        .map(|(index, &angle)| AxisSample {
            angle,
            stroke: 0.2 + 0.3 * angle.abs().min(0.6),
            rate: if index == 1 {
                moving + 0.002 * (40.0 * t).sin()
            } else {
                0.0
            },
            asked: if index == 1 { asked } else { 0.0 },
            lag: 0.0,
            opening: if index == 1 { 5.0 * asked } else { 0.0 },
            signal: 0.5,
            spool: if index == 1 && after > 0.0 { 0.6 } else { 5.0 * asked },
            pressure_a: 60e5 + 20e5 * moving * (9.0 * t).sin(),
            pressure_b: 20e5,
        })
        .collect();
    let arms = scenario
        .machine
        .arms
        .iter()
        .map(|arm| pose(scenario, arm, &angles))
        .collect();
    let state = match t {
        t if t < 0.1 => State::SelfTest,
        t if t < 0.2 => State::Standby,
        t if t < 0.5 => State::Ready,
        t if faulty && t >= FAULT + 0.08 => State::Fault,
        _ => State::Enabled,
    };
    let supply = if state == State::Enabled { 180e5 } else { 5e5 };
    Sample {
        t,
        state,
        axes,
        arms,
        supply,
    }
}

fn pose(scenario: &Scenario, arm: &d::Arm, angles: &[f64]) -> ArmSample {
    let mut points = vec![arm.base];
    let mut turn = Rotation3::identity();
    for &axis in &arm.axes {
        let about = match scenario.machine.axes[axis].joint.axis {
            d::JointAxis::X => Vector3::x_axis(),
            d::JointAxis::Y => Vector3::y_axis(),
            d::JointAxis::Z => Vector3::z_axis(),
        };
        turn *= Rotation3::from_axis_angle(&about, angles[axis].clamp(-FRAC_PI_2, FRAC_PI_2));
        points.push(points.last().copied().unwrap_or_default() + turn * scenario.machine.axes[axis].joint.link);
    }
    let tip = points.last().copied().unwrap_or_default();
    ArmSample {
        points,
        ideal: None,
        tip_speed: 0.0,
        clearance: Some(tip.x.min(0.5 * tip.norm()) - 0.4),
    }
}
