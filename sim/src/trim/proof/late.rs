//! How late the machine is, by truth: largest position error over largest speed, ρ, of single axes and of the tip.
//!
//! Before and after are asked for the very same moves, led as smoothly as a tip is. Many an untrimmed machine is stopped by its own watches in the
//! middle of a move, since its axes do not go as its file believes: what came before the stop would then be all that is judged, and a machine that
//! is stopped early would have a small error. So before, its watches are wide and it goes on. After, they are as the file has them, and a machine
//! that is stopped is infinitely late.

use bellcrank_core::inputs::Mode;
use bellcrank_core::supervise::State;
use bellcrank_machine::description::Description;

use crate::run::{RunError, rehearse, rehearse_sampled};
use crate::scenario::{Act, Hand, Load, Scenario};
use crate::trace::Trace;
use crate::tracking::tracking;
use crate::trim::stand::{by_one_lever, deflection, scenario, wide};

/// Speed of the tip, m/s, how far it goes, m, and the load, kg.
const TIP_M_S: f64 = 0.25;
const TIP_M: f64 = 0.8;
const LOAD_KG: f64 = 120.0;
/// Share of full rate at which a single axis is led, how long it takes to get there, how long it stays, and how long it is looked at after, s.
const SHARE: f64 = 0.25;
const RISE_S: f64 = 0.3;
const STAY_S: f64 = 0.9;
const AFTER_S: f64 = 0.5;
/// Between two moves, s, and between two samples and two places of the lever.
const PAUSE_S: f64 = 1.5;
const SAMPLE_S: f64 = 0.01;

/// The machine as it is when its valves are not yet known: nothing stops it for what they do.
pub fn unwatched(machine: &Description) -> Description {
    let mut machine = machine.clone();
    for axis in &mut machine.axes {
        axis.watch = wide(axis);
    }
    machine
}

/// The larger ρ of two straight moves of the loaded tip, s, and the larger over the speed at which it was led in place of its own: an untrimmed tip
/// is at times nearly twice as fast as it was asked to be, and that makes its ρ smaller, not better.
///
/// # Errors
/// The machine cannot be simulated.
pub fn tip(machine: &Description, seed: u64) -> Result<[f64; 2], RunError> {
    let mut worst = [0.0_f64; 2];
    for (scenario, trace) in led(machine, seed)? {
        let found = tracking(&scenario, &trace).into_iter().next().filter(|_| runs(&trace));
        let rho = found.map_or([f64::INFINITY; 2], |found| [found.rho_s, found.rho_led_s]);
        worst = [worst[0].max(rho[0]), worst[1].max(rho[1])];
    }
    Ok(worst)
}

/// It was not stopped.
fn runs(trace: &Trace) -> bool {
    trace.samples.last().is_some_and(|last| last.state == State::Enabled)
}

/// Two straight moves of the loaded tip, up and slanting to the left.
///
/// # Errors
/// The machine cannot be simulated.
pub fn led(machine: &Description, seed: u64) -> Result<Vec<(Scenario, Trace)>, RunError> {
    let one = |velocity: [f64; 3]| {
        let start = [0.0_f64, -20.0, 80.0, 30.0].map(f64::to_radians);
        let mut scenario = scenario(machine.clone(), &start, Mode::Tip, Vec::new());
        scenario.payloads = vec![Load {
            arm: 0,
            mass: LOAD_KG,
            from: 0.0,
            until: None,
        }];
        let end = 1.5 + TIP_M / TIP_M_S;
        let tip = Act::Tip {
            arm: 0,
            velocity,
            turning: [0.0; 3],
        };
        scenario.hands = [(0.4, Act::Enable(true)), (1.5, tip), (end, Act::Neutral)]
            .map(|(at, act)| Hand { at, act })
            .to_vec();
        scenario.length = end + 1.5;
        let trace = rehearse(&scenario, seed)?;
        Ok((scenario, trace))
    };
    [[0.0, 0.0, TIP_M_S], [0.0, 0.8 * TIP_M_S, 0.6 * TIP_M_S]]
        .into_iter()
        .map(one)
        .collect()
}

/// The larger ρ of one axis led out and back at a quarter of these full rates, m/s or rad/s, s. The tip goes in a circle about its joint, so that
/// its error and its speed are those of the axis, times the same arm. It goes out and back once before: a simulation begins with little pressure
/// behind its load-holding valves, and a machine that has moved keeps what it had there.
///
/// # Errors
/// The machine cannot be simulated.
pub fn axis(machine: &Description, axis: usize, start: &[f64], full: [f64; 2], seed: u64) -> Result<f64, RunError> {
    let machine = by_one_lever(machine, axis);
    let believed = machine.axes[axis].drive.full_rate;
    let mut scenario = scenario(machine, start, Mode::Joint, Vec::new());
    let span = 2.0 * RISE_S + STAY_S;
    let moves: [(f64, f64, f64); 4] = std::array::from_fn(|number| {
        let (rate, full) = [(full[0], believed.0), (-full[1], believed.1)][number % 2];
        (1.5 + (span + PAUSE_S) * number as f64, SHARE * rate, full)
    });
    // What is asked for at a time since a move began, as a share of its rate, and where it should be by then, s.
    let asked = |t: f64| (t / RISE_S).min((span - t) / RISE_S).clamp(0.0, 1.0);
    let ideal = |t: f64| {
        let t = t.clamp(0.0, span);
        let (up, down) = (t.min(RISE_S), (t - RISE_S - STAY_S).max(0.0));
        up * up / (2.0 * RISE_S) + (t - RISE_S).clamp(0.0, STAY_S) + down - down * down / (2.0 * RISE_S)
    };
    scenario.hands = vec![Hand {
        at: 0.4,
        act: Act::Enable(true),
    }];
    for (from, rate, full) in moves {
        let places = (0_u32..).map(|place| SAMPLE_S * f64::from(place));
        for t in places.take_while(|t| *t <= span + 1e-9) {
            let share = asked(t) * rate / full;
            let act = if share == 0.0 {
                Act::Neutral
            } else {
                Act::Lever {
                    axis,
                    share: deflection(share),
                }
            };
            scenario.hands.push(Hand { at: from + t, act });
        }
    }
    scenario.length = moves[3].0 + span + PAUSE_S;
    let trace = rehearse_sampled(&scenario, seed, SAMPLE_S)?;
    if !runs(&trace) {
        return Ok(f64::INFINITY);
    }
    let rho = |(from, rate, _): (f64, f64, f64)| {
        let during = || {
            let within = from - 1e-6..from + span + AFTER_S;
            trace.samples.iter().filter(move |sample| within.contains(&sample.t))
        };
        let start = during().next().map_or(f64::NAN, |sample| sample.axes[axis].stroke);
        let error = |t: f64, stroke: f64| (start + rate * ideal(t - from) - stroke).abs();
        let error = during().map(|sample| error(sample.t, sample.axes[axis].stroke));
        let fastest = during().map(|sample| sample.axes[axis].rate.abs()).fold(0.0, f64::max);
        error.fold(0.0, f64::max) / fastest
    };
    Ok(moves[2..].iter().map(|one| rho(*one)).fold(0.0, f64::max))
}
