//! The drive alone, on ideal axes: what its module states, and the textbook's figures for loops like it.

use bellcrank_core::drive::Drive;
use bellcrank_core::last_tick::AxisDriven;
use bellcrank_core::machine::{AxisId, Dither, EachWay, Machine, PerAxis, Pwm, Tracking};
use bellcrank_core::plan::Rates;
use bellcrank_core::sense::{AxisPosture, Levels, Posture};
use bellcrank_core::stamp::Stamp;
use bellcrank_core::supervise::{Action, Permit};
use bellcrank_core::units::{Duration, Instant};
use proptest::prelude::*;

use crate::check;

/// Full rate of the bench's axes, rad/s.
const FULL: f32 = 0.5;

/// A rate at which a small swing turns nothing round, rad/s.
const SLOW: f32 = 0.02;

/// One axis under the drive: what it does with a command is the test's affair.
struct Bench {
    machine: Machine,
    drive: Drive,
    dt_us: u32,
    now: AxisPosture,
}

/// What came out of one tick.
#[derive(Debug, Clone, Copy)]
struct Out {
    axis: AxisDriven,
    duty: f32,
    bad: bool,
}

impl Bench {
    /// The bench's slew, driven like this: a gain and nothing else but what `adapt` makes of it.
    fn new(dt_us: u32, adapt: impl Fn(&mut Tracking)) -> Self {
        Self::with_dither(dt_us, None, adapt)
    }

    fn with_dither(dt_us: u32, dither: Option<Dither>, adapt: impl Fn(&mut Tracking)) -> Self {
        let mut parts = check::parts();
        parts.timing.tick = Duration::from_ticks(dt_us);
        parts.timing.tick_early = Duration::from_ticks(0);
        parts.timing.tick_late = Duration::from_ticks(4 * dt_us);
        let axis = &mut parts.axes[0];
        axis.tracking = Tracking {
            gain: 0.0,
            integral_time: 0.0,
            ramp_up: 1e6,
            ramp_down: 1e6,
            ..axis.tracking
        };
        axis.dither = dither;
        adapt(&mut axis.tracking);
        Self {
            machine: Machine::new(parts).unwrap(),
            drive: Drive::default(),
            dt_us,
            now: AxisPosture {
                ratio: 1.0,
                known: true,
                stroke: 1.0,
                ..AxisPosture::default()
            },
        }
    }

    fn dt(&self) -> f32 {
        self.dt_us as f32 * 1e-6
    }

    fn tick(&mut self, action: Action, rate: f32, correction: f32) -> Out {
        let mut posture = Posture {
            now: Instant::from_ticks(0),
            dt: Duration::from_ticks(self.dt_us),
            untimely: None,
            stamp: Stamp::sensed(1),
            axes: PerAxis::default(),
            arms: [].into_iter().collect(),
            switches: Levels {
                seat_enable: true,
                ..Levels::default()
            },
        };
        posture.axes.set(axis(), self.now);
        let permit = permit(&self.machine, action);
        let mut rates = Rates::default();
        rates.axes.set(axis(), rate);
        rates.corrections.set(axis(), correction);
        let driven = self.drive.step(&self.machine, &posture, &permit, &rates);
        Out {
            axis: driven.axes.get(axis()),
            duty: driven.valves.get(axis()).number(),
            bad: driven.bad_signal,
        }
    }

    /// Begins to drive at a steady rate from zero, and is a little off at once.
    fn nudge(&mut self, asked: f32) {
        self.now.stroke = 0.0;
        self.tick(Action::Drive, asked, 0.0);
        self.now.stroke += asked * self.dt() + 2e-5;
    }

    /// Drives for this long at a steady rate, after which the axis moves as `plant` makes of each commanded rate; gives the lag of each
    /// tick.
    fn follow(&mut self, seconds: f32, asked: f32, mut plant: impl FnMut(f32, f32) -> f32) -> Vec<f32> {
        let dt = self.dt();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let ticks = (seconds / dt).round() as usize;
        (0..ticks)
            .map(|_| {
                let out = self.tick(Action::Drive, asked, 0.0);
                self.now.rate = plant(FULL * out.axis.command, dt);
                self.now.stroke += self.now.rate * dt;
                out.axis.lag
            })
            .collect()
    }
}

fn permit(machine: &Machine, action: Action) -> Permit {
    Permit {
        action,
        ..check::permit(machine)
    }
}

fn axis() -> AxisId {
    AxisId::new(0).unwrap()
}

/// How much the swing of the lag grows from the first to the last quarter.
fn growth(lags: &[f32]) -> f32 {
    let swing = |lags: &[f32]| {
        let ends = lags
            .iter()
            .fold((f32::MAX, f32::MIN), |(low, high), lag| (low.min(*lag), high.max(*lag)));
        ends.1 - ends.0
    };
    let quarter = lags.len() / 4;
    swing(&lags[3 * quarter..]) / swing(&lags[..quarter])
}

fn action() -> impl Strategy<Value = Action> {
    prop_oneof![
        8 => Just(Action::Drive),
        1 => Just(Action::RampDown),
        1 => Just(Action::Cut)
    ]
}

/// Any rate a guard may let through, and what none should.
fn rate() -> impl Strategy<Value = f32> {
    prop_oneof![
        4 => -1.0_f32..1.0,
        2 => Just(0.0_f32),
        1 => prop_oneof![Just(f32::NAN), Just(f32::INFINITY), Just(-1e30_f32), Just(1e-30_f32)]
    ]
}

proptest! {
    /// What the drive's module states of any input.
    #[test]
    fn the_band_and_the_ramps_are_kept_whatever_comes(
        ticks in prop::collection::vec((action(), rate(), -0.2_f32..0.2, -0.1_f32..3.1, any::<bool>()), 1..200),
        jerk in prop_oneof![Just(0.0_f32), Just(40.0_f32)],
        dither in prop_oneof![Just(None), Just(Some(Dither { amplitude: 0.05, frequency: 125.0 }))],
    ) {
        let (up, down, stop) = (5.0, 8.0, 10.0);
        let mut bench = Bench::with_dither(2_000, dither, |tracking| {
            *tracking = Tracking { gain: 6.0, smooth: 0.05, integral_time: 0.5, lead: 0.05, fill: EachWay { out: 0.01, inward: 0.02 },
                run_on: EachWay { out: 0.02, inward: -0.01 },
                ramp_up: up, ramp_down: down, stop_ramp: stop, jerk, ..*tracking };
        });
        let Pwm { low, high, neutral, .. } = check::PWM;
        let mut last = 0.0_f32;
        for (action, rate, correction, stroke, known) in ticks {
            (bench.now.stroke, bench.now.known) = (stroke, known);
            let out = bench.tick(action, rate, correction);
            let command = out.axis.command;
            prop_assert!(out.duty >= low - 1e-6 && out.duty <= high + 1e-6, "{out:?}");
            if command.is_nan() {
                // What is no number is no command: neutral, and told to supervision, which cuts.
                prop_assert!(out.bad && out.duty == neutral);
                break;
            }
            let most = match action {
                Action::Drive => f32::max(up, down),
                Action::RampDown => stop,
                Action::Cut => { prop_assert_eq!(command, 0.0); f32::INFINITY }
            };
            prop_assert!((command - last).abs() <= most * bench.dt() + 1e-6, "{last} to {command}");
            // Feedback may stop an axis, never turn it: with the other sign of what is asked, or with none, a command only falls.
            if command * rate <= 0.0 && jerk == 0.0 {
                prop_assert!(command.abs() <= last.abs(), "{last} to {command} at {rate}");
            }
            last = command;
        }
    }
}

/// PV-88. Source: arithmetic; that a stop is not put off by the ramp is common practice, no source.
#[test]
fn a_ramp_takes_its_time_and_a_cut_takes_none() {
    let mut bench = Bench::new(10_000, |tracking| {
        (tracking.ramp_up, tracking.ramp_down, tracking.stop_ramp) = (1.0 / 0.3, 1.0 / 0.2, 1.0 / 0.1);
    });
    for step in 1..=30 {
        let out = bench.tick(Action::Drive, FULL, 0.0);
        let wanted = 0.033333 * step as f32;
        assert!((out.axis.command - wanted).abs() < 1e-4, "{step}: {}", out.axis.command);
    }
    assert_eq!(bench.tick(Action::Drive, FULL, 0.0).axis.command, 1.0);
    let down = bench.tick(Action::Drive, 0.0, 0.0).axis.command;
    assert!((down - 0.95).abs() < 1e-6, "{down}");
    let stopping = bench.tick(Action::RampDown, FULL, 0.0).axis.command;
    assert!((stopping - 0.85).abs() < 1e-6, "{stopping}");
    let out = bench.tick(Action::Cut, FULL, 0.0);
    assert_eq!((out.axis.command, out.duty), (0.0, check::PWM.neutral));
}

/// A rounded ramp: its slope builds up by the jerk, and is nearly gone where the command arrives; it never goes beyond.
#[test]
fn a_rounded_ramp_builds_up_and_lands() {
    let (slope, jerk) = (4.0, 40.0);
    let mut bench = Bench::new(2_000, |tracking| {
        (tracking.ramp_up, tracking.ramp_down, tracking.jerk) = (slope, slope, jerk);
    });
    let (mut last, mut last_slope, mut ticks) = (0.0, 0.0, 0);
    while last < 1.0 {
        let command = bench.tick(Action::Drive, FULL, 0.0).axis.command;
        let now = (command - last) / bench.dt();
        assert!(now >= 0.0 && now <= slope * 1.001 && command <= 1.0, "{command}");
        // Landing on the command takes off what is left of the slope.
        assert!(
            (now - last_slope).abs() <= 2.0 * jerk * bench.dt() * 1.01,
            "{last_slope} to {now}"
        );
        (last, last_slope, ticks) = (command, now, ticks + 1);
    }
    // Ramp and rounding: 1/4 s and 4/40 s.
    let took = ticks as f32 * bench.dt();
    assert!((took - 0.35).abs() < 0.02, "{took}");
}

/// PV-43. Source: `e = v / K`, any control text. The feed-forward is taken away from the loop by an axis that is half as fast as believed.
#[test]
fn a_gain_alone_lags_by_speed_over_gain() {
    let mut bench = Bench::new(1_000, |tracking| tracking.gain = 10.0);
    let lags = bench.follow(3.0, 0.25, |rate, _| 0.5 * rate);
    let lag = lags[lags.len() - 1];
    assert!((lag - 0.025).abs() < 1e-4, "{lag}");
}

/// PV-42. Source: `K < 2 ζ ω` for an integrator behind a second-order actuator (Routh; Merritt, *Hydraulic Control Systems*, chapter 8).
#[test]
fn a_swinging_load_limits_the_gain() {
    let grows = |gain: f32| {
        let mut bench = Bench::new(100, |tracking| tracking.gain = gain);
        let (zeta, omega) = (0.1, 60.0);
        let (mut rate, mut slope) = (SLOW, 0.0);
        bench.nudge(SLOW);
        let lags = bench.follow(6.0, SLOW, |wanted, dt| {
            slope += (omega * omega * (wanted - rate) - 2.0 * zeta * omega * slope) * dt;
            rate += slope * dt;
            rate
        });
        growth(&lags)
    };
    assert!(grows(11.0) < 0.7, "{}", grows(11.0));
    assert!(grows(13.0) > 1.3, "{}", grows(13.0));
}

/// The smoothing of the lag lets the gain be higher on such a load.
#[test]
fn a_smoothed_lag_allows_more_gain_where_the_valve_is_late() {
    let grows = |smooth: f32| {
        let mut bench = Bench::new(1_000, |tracking| (tracking.gain, tracking.smooth) = (8.0, smooth));
        let (zeta, omega, late) = (0.1, 28.0, 30);
        let (mut rate, mut slope, mut coming) = (SLOW, 0.0, vec![SLOW; late]);
        bench.nudge(SLOW);
        let lags = bench.follow(6.0, SLOW, |wanted, dt| {
            coming.push(wanted);
            slope += (omega * omega * (coming.remove(0) - rate) - 2.0 * zeta * omega * slope) * dt;
            rate += slope * dt;
            rate
        });
        growth(&lags)
    };
    assert!(grows(0.0) > 1.3, "{}", grows(0.0));
    assert!(grows(0.08) < 0.7, "{}", grows(0.08));
}

/// PV-86. Source: `K < π / (2 T)` for an integrator behind a dead time T (Nyquist), here 31.4 1/s; `K dt < 2` for one that is sampled, < 1
/// with a sample of delay (roots of `z² - z + K dt`).
#[test]
fn dead_time_limits_the_gain() {
    let grows = |gain: f32, dt_us: u32, late: usize, seconds: f32| {
        let mut bench = Bench::new(dt_us, |tracking| tracking.gain = gain);
        let mut coming = vec![SLOW; late];
        bench.nudge(SLOW);
        let lags = bench.follow(seconds, SLOW, |wanted, _| {
            coming.push(wanted);
            coming.remove(0)
        });
        growth(&lags)
    };
    assert!(grows(30.0, 100, 500, 4.0) < 0.8, "{}", grows(30.0, 100, 500, 4.0));
    assert!(grows(33.0, 100, 500, 4.0) > 1.2, "{}", grows(33.0, 100, 500, 4.0));
    for (late, limit) in [(0, 2.0), (1, 1.0)] {
        let [below, above] = [0.95, 1.05].map(|share| grows(share * limit / 0.01, 10_000, late, 0.6));
        assert!(below < 0.8, "{late}: {below}");
        assert!(above > 1.2, "{late}: {above}");
    }
}

/// A valve that is 40 ms late: given ahead by that, a smooth move is followed without a lag to speak of; not given ahead, it lags by 40 ms.
#[test]
fn a_lead_takes_out_what_the_valve_is_late() {
    let worst = |lead: f32| {
        let mut bench = Bench::new(2_000, |tracking| tracking.lead = lead);
        let (mut rate, mut worst, mut t) = (0.0_f32, 0.0_f32, 0.0_f32);
        while t < 2.0 {
            let asked = 0.15 * (1.0 - (std::f32::consts::PI * t).cos());
            let out = bench.tick(Action::Drive, asked, 0.0);
            rate += (FULL * out.axis.command - rate) * bench.dt() / 0.040;
            bench.now.stroke += rate * bench.dt();
            worst = worst.max(out.axis.lag.abs());
            t += bench.dt();
        }
        worst
    };
    // The top speed is 0.3 rad/s.
    assert!((worst(0.0) - 0.3 * 0.040).abs() < 0.001, "{}", worst(0.0));
    assert!(worst(0.040) < 0.001, "{}", worst(0.040));
}

/// Oil that has to fill the lines before the axis moves, and comes out of them when it stops, is allowed for.
#[test]
fn what_fills_the_lines_is_asked_for() {
    let oil = 0.004;
    let off = |fill: f32| {
        let mut bench = Bench::new(2_000, |tracking| {
            tracking.fill = EachWay {
                out: fill,
                inward: fill,
            }
        });
        let (mut flowed, mut goal, mut worst, mut t) = (0.0_f32, 1.0_f32, 0.0_f32, 0.0_f32);
        while t < 2.0 {
            let asked = 0.15 * (1.0 - (std::f32::consts::PI * t).cos());
            let out = bench.tick(Action::Drive, asked, 0.0);
            goal += asked * bench.dt();
            flowed += FULL * out.axis.command * bench.dt();
            // The first of it, and the last, moves nothing.
            bench.now.stroke = 1.0 + f32::max(flowed - oil, 0.0);
            worst = worst.max((goal - bench.now.stroke).abs());
            t += bench.dt();
        }
        worst
    };
    assert!(off(0.0) > 0.9 * oil, "{}", off(0.0));
    assert!(off(oil) < 0.45 * oil, "{}", off(oil));
}

/// An axis that goes on, or back, when its valve has closed comes to rest where it was led to.
#[test]
fn what_an_axis_runs_on_by_is_taken_off_before() {
    for beyond in [0.004_f32, -0.003] {
        let off = |run_on: f32| {
            let mut bench = Bench::new(2_000, |tracking| {
                tracking.run_on = EachWay {
                    out: run_on,
                    inward: -run_on,
                }
            });
            let (mut goal, mut t) = (1.0_f32, 0.0_f32);
            while t < 2.0 {
                let asked = 0.15 * (1.0 - (std::f32::consts::PI * t).cos());
                let out = bench.tick(Action::Drive, asked, 0.0);
                goal += asked * bench.dt();
                bench.now.stroke += FULL * out.axis.command * bench.dt();
                t += bench.dt();
            }
            bench.now.stroke + beyond - goal
        };
        assert!((off(0.0) - beyond).abs() < 0.1 * beyond.abs(), "{beyond}: {}", off(0.0));
        assert!(off(beyond).abs() < 0.3 * beyond.abs(), "{beyond}: {}", off(beyond));
    }
}

/// Nothing is asked, and the axis drifts: it comes back once it is off by the hold band, until it is off by half of it, and the valve rests
/// in between.
#[test]
fn a_drifting_axis_is_held_within_its_band() {
    let band = 0.01;
    let mut bench = Bench::new(2_000, |tracking| (tracking.gain, tracking.hold) = (5.0, band));
    let (mut furthest, mut openings, mut open) = (0.0_f32, 0, false);
    let start = bench.now.stroke;
    for _ in 0..20_000 {
        let out = bench.tick(Action::Drive, 0.0, 0.0);
        openings += usize::from(out.axis.opening != 0.0 && !open);
        open = out.axis.opening != 0.0;
        assert!(out.axis.command >= 0.0, "it is only brought back");
        bench.now.rate = -0.002 + FULL * out.axis.command;
        bench.now.stroke += bench.now.rate * bench.dt();
        furthest = furthest.max((bench.now.stroke - start).abs());
    }
    // In 40 s it drifts 80 mrad: half a band, again and again.
    assert!(furthest <= band * 1.01, "{furthest}");
    assert!((12..=18).contains(&openings), "{openings}");

    let mut left_alone = Bench::new(2_000, |tracking| tracking.gain = 5.0);
    for _ in 0..1000 {
        left_alone.now.stroke -= 1e-4;
        assert_eq!(left_alone.tick(Action::Drive, 0.0, 0.0).axis.opening, 0.0);
    }
}

/// Around nothing the valve keeps still: noise does not open it, and where an axis comes to rest it closes once.
#[test]
fn there_is_no_chatter_at_zero() {
    let mut bench = Bench::new(2_000, |tracking| tracking.gain = 6.0);
    for tick in 0..1000 {
        let noise = 0.0055 * FULL * if tick % 3 == 0 { -1.0 } else { 0.5 };
        assert_eq!(bench.tick(Action::Drive, noise, 0.0).axis.opening, 0.0, "{tick}");
    }
    let mut bench = Bench::new(2_000, |tracking| tracking.gain = 6.0);
    let mut changes = 0;
    let mut open = false;
    for tick in 0..1000 {
        let asked = 0.2 * (1.0 - tick as f32 / 1000.0);
        let noise = 2e-5 * if tick % 2 == 0 { 1.0 } else { -1.0 };
        let out = bench.tick(Action::Drive, asked, 0.0);
        assert!(out.axis.opening >= 0.0, "against the hand");
        changes += usize::from((out.axis.opening > 0.0) != open);
        open = out.axis.opening > 0.0;
        bench.now.stroke += FULL * out.axis.command * bench.dt() + noise;
    }
    assert_eq!(changes, 2, "opened and closed");
}

/// What brings a tip back to its line moves the goal, and is neither led ahead nor a wish that feedback may be turned by.
#[test]
fn a_correction_is_no_wish_of_the_hands() {
    let command = |rate: f32, correction: f32| {
        let mut bench = Bench::new(2_000, |tracking| tracking.lead = 0.1);
        bench.tick(Action::Drive, rate, correction).axis.command * FULL
    };
    // The first tick of a step: led, it is given ahead by more than itself; as a correction it only counts through the lag.
    assert!(command(0.01, 0.0) > 0.05);
    assert_eq!(command(0.01, 0.01), 0.0);
    // Led up, corrected down by more: it stops, and goes neither way.
    assert_eq!(command(-0.01, -0.06), 0.0);
}

/// Dither goes to and fro by its amplitude around the opening, over its period. It goes on for four of them when the valve has closed, and leaves
/// it alone then, or where it is cut.
#[test]
fn dither_shakes_an_open_valve() {
    let dither = Dither {
        amplitude: 0.02,
        frequency: 125.0,
    };
    let mut bench = Bench::with_dither(2_000, Some(dither), |_| {});
    assert_eq!(bench.tick(Action::Drive, 0.0, 0.0).duty, 0.5);
    let duties: Vec<f32> = (0..8).map(|_| bench.tick(Action::Drive, 0.25, 0.0).duty).collect();
    // Deadband 0.1, half the rate: 0.55 open, a duty of 0.5 + 0.4 * 0.55; the dither is 0.4 * 0.02.
    let signs: Vec<f32> = duties.iter().map(|duty| (duty - 0.72) / 0.008).collect();
    for (tick, sign) in signs.iter().enumerate() {
        let wanted = if (tick + 1) % 4 < 2 { 1.0 } else { -1.0 };
        assert!((sign - wanted).abs() < 1e-3, "{signs:?}");
    }
    let closing: Vec<f32> = (0..18)
        .map(|_| bench.tick(Action::Drive, 0.0, 0.0).duty - 0.5)
        .collect();
    assert!(
        closing[..16].iter().all(|off| (off.abs() - 0.008).abs() < 1e-5),
        "{closing:?}"
    );
    assert!(
        closing[..16].iter().sum::<f32>().abs() < 1e-5,
        "as long to one side as to the other"
    );
    assert_eq!(closing[16..], [0.0; 2]);
    bench.tick(Action::Drive, 0.25, 0.0);
    assert_eq!(bench.tick(Action::Cut, 0.0, 0.0).duty, 0.5);
    assert_eq!(bench.tick(Action::Drive, 0.0, 0.0).duty, 0.5);
}
