//! Sensing alone: calibration, plausibility, age, second sensors; and what is stated of the filter.

#![allow(
    clippy::cast_possible_truncation,
    reason = "narrowing to what the core is given is what is tested"
)]

use bellcrank_core::Machine;
use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::SensorInput;
use bellcrank_core::machine::{AxisId, Calibration, Signal, Twin};
use bellcrank_core::sense::{AxisPosture, FILTER_TIME_S, Sense};
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Duration, Instant, Ohms, Volts};
use proptest::prelude::*;

use crate::check::{Bench, EXCITATION, TICK_US, parts, parts_with_twin, permit};

/// Reads axis 0 of the bench's machine, on which 0.5 to 9.5 V are 0 to 3 rad, tick after tick.
struct Reader<'m> {
    machine: &'m Machine,
    sense: Sense,
    ticks: u64,
}

impl<'m> Reader<'m> {
    fn new(machine: &'m Machine) -> Self {
        Self {
            machine,
            sense: Sense::default(),
            ticks: 0,
        }
    }

    fn read(&mut self, reading: Option<f32>) -> AxisPosture {
        self.take(reading.and_then(|volts| Volts::new(volts).ok()).into())
    }

    fn take(&mut self, input: SensorInput) -> AxisPosture {
        let id = AxisId::new(0).unwrap();
        self.ticks += 1;
        let mut inputs = Bench::new(self.machine).inputs;
        inputs.now = Instant::from_ticks(self.ticks * u64::from(TICK_US));
        inputs.sensors.set(id, input);
        self.sense.step(self.machine, &inputs).axes.get(id)
    }
}

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

/// The bench's machine with another sensor on its first axis.
fn machine_with(sensor: Calibration) -> Machine {
    let mut parts = parts();
    parts.axes[0].sensor = sensor;
    Machine::new(parts).unwrap()
}

fn volts(stroke: f32) -> f32 {
    0.5 + 3.0 * stroke
}

fn of(volts: f32) -> Option<Volts> {
    Volts::new(volts).ok()
}

fn micros(micros: u32) -> Duration {
    Duration::from_ticks(micros)
}

// ---- calibration ------------------------------------------------------------------------------------------------------------------

#[test]
fn two_points_make_a_line() {
    for (reading, stroke) in [(0.5, 0.0), (5.0, 1.5), (9.5, 3.0), (0.3, -0.2 / 3.0)] {
        let found = Reader::new(&machine()).read(Some(reading));
        assert!(
            found.known && (found.stroke - stroke).abs() < 1e-6,
            "{reading} V: {found:?}"
        );
    }
}

proptest! {
    /// The stated error, 1e-6 of the span, against the lines in f64; and monotone as its points are.
    #[test]
    fn a_table_goes_straight_from_point_to_point(
        steps in prop::collection::vec((0.1_f32..1.0, 0.05_f32..0.4), 1..15),
        share in 0.0_f32..1.0,
        falls: bool,
    ) {
        let (mut points, mut at) = (vec![(0.5_f32, 0.0_f32)], (0.5, 0.0));
        for (signal, stroke) in steps {
            at = (at.0 + signal, at.1 + if falls { -stroke } else { stroke });
            points.push(at);
        }
        let span = f64::from(at.1.abs());
        let machine = machine_with(Calibration {
            signal: Signal::Voltage,
            points: points.iter().copied().collect(),
            fault: (0.1, 100.0),
        });
        let stroke = |reading: f32| Reader::new(&machine).read(Some(reading)).stroke;
        let reading = 0.3 + share * (at.0 - 0.3);
        let wide = |(v, s): (f32, f32)| (f64::from(v), f64::from(s));
        let pair = points.windows(2).find(|pair| reading <= pair[1].0).unwrap_or(&points[points.len() - 2..]);
        let ((v0, s0), (v1, s1)) = (wide(pair[0]), wide(pair[1]));
        let wanted = s0 + (s1 - s0) * (f64::from(reading) - v0) / (v1 - v0);
        // A narrow step is steep: what f32 makes of the difference of two voltages is not the span's fault.
        let rounding = 1.2e-7 * f64::from(reading) * ((s1 - s0) / (v1 - v0)).abs();
        prop_assert!((f64::from(stroke(reading)) - wanted).abs() <= 1e-6 * span + rounding);
        let further = stroke(reading + 0.01);
        prop_assert!((further > stroke(reading)) != falls);
    }
}

/// Source: PV-48, x = span Vw / Vs of wiper and supply: a sagging supply does not move a ratiometric reading.
#[test]
fn a_share_of_the_supply_does_not_sag_with_it() {
    let machine = machine_with(Calibration {
        signal: Signal::Ratiometric { excitation: (4.5, 5.5) },
        points: [(0.0, 0.0), (1.0, 1.5)].into_iter().collect(),
        fault: (-0.05, 1.05),
    });
    let read = |wiper, supply| {
        Reader::new(&machine).take(SensorInput {
            excitation: supply,
            ..of(wiper).into()
        })
    };
    for (wiper, supply) in [(2.5, 5.0), (2.375, 4.75)] {
        assert!((read(wiper, of(supply)).stroke - 0.750).abs() < 1e-6);
    }
    for supply in [of(4.4), of(5.6), of(0.0), None] {
        assert!(!read(2.375, supply).known, "{supply:?}");
    }
}

/// Source: PV-45, linear scaling of 4-20 mA over 1500 mm; PV-44, the faults of NAMUR NE 43 (2003). Over 250 ohm.
#[test]
fn a_current_loop_scales_and_fails_as_published() {
    let machine = machine_with(Calibration {
        signal: Signal::Current {
            shunt: Ohms::new(250.0).unwrap(),
        },
        points: [(0.004, 0.0), (0.020, 1.5)].into_iter().collect(),
        fault: (0.0036, 0.021),
    });
    let read = |milliamps: f32| Reader::new(&machine).read(Some(milliamps * 0.25));
    for (milliamps, mm) in [
        (4.0, 0.0),
        (12.0, 750.0),
        (20.0, 1500.0),
        (3.8, -18.75),
        (20.5, 1546.875),
    ] {
        let stroke = read(milliamps).stroke;
        assert!((stroke * 1e3 - mm).abs() < 2e-3, "{milliamps} mA: {stroke} m");
    }
    for (milliamps, cause) in [
        (0.0, Cause::SensorLow),
        (3.599, Cause::SensorLow),
        (21.001, Cause::SensorHigh),
        (40.0, Cause::SensorHigh),
    ] {
        let mut reader = Reader::new(&machine);
        let mut now = reader.read(Some(3.0));
        for _ in 0..5 {
            now = reader.read(Some(milliamps * 0.25));
        }
        assert_eq!(now.fault, Some(cause), "{milliamps} mA");
    }
}

#[test]
fn a_calibration_that_cannot_be_read_is_no_machine() {
    let good = parts().axes[0].sensor.clone();
    let refused = |spoil: fn(&mut Calibration)| {
        let (mut parts, mut sensor) = (parts(), good.clone());
        spoil(&mut sensor);
        parts.axes[0].twin = Some(Twin {
            sensor: sensor.clone(),
            limit: 0.1,
            confirm: micros(10_000),
        });
        let as_twin = Machine::new(parts.clone()).is_err();
        parts.axes[0].twin = None;
        parts.axes[0].sensor = sensor;
        as_twin && Machine::new(parts).is_err()
    };
    assert!(!refused(|_| {}));
    assert!(refused(|sensor| sensor.points.truncate(1)));
    assert!(refused(|sensor| sensor.points[1].1 = f32::NAN));
    assert!(refused(|sensor| sensor.points[1].1 = 0.0));
    assert!(refused(|sensor| sensor.points.push((9.6, 2.0)).unwrap()));
    assert!(refused(|sensor| sensor.points.push((9.5, 4.0)).unwrap()));
    assert!(refused(|sensor| sensor.fault.0 = 0.5));
    assert!(refused(
        |sensor| sensor.signal = Signal::Current { shunt: Ohms::default() }
    ));
    assert!(refused(
        |sensor| sensor.signal = Signal::Ratiometric { excitation: (0.0, 5.0) }
    ));
}

// ---- plausibility -----------------------------------------------------------------------------------------------------------------

#[test]
fn a_bad_reading_is_bridged_until_it_is_confirmed_and_then_is_not_believed() {
    for (reading, cause) in [
        (Some(0.1), Cause::SensorLow),
        (None, Cause::SensorLow),
        (Some(9.9), Cause::SensorHigh),
        (Some(volts(2.0)), Cause::SensorJump),
    ] {
        let machine = machine();
        let mut reader = Reader::new(&machine);
        reader.read(Some(volts(1.4)));
        for _ in 0..4 {
            let now = reader.read(reading);
            assert!(
                now.known && now.fault.is_none() && (now.stroke - 1.4).abs() < 1e-6,
                "{now:?}"
            );
        }
        let now = reader.read(reading);
        assert_eq!((now.known, now.fault), (false, Some(cause)));
    }
}

/// Each new way of failing is noticed after the time that the machine has for it, and stops it.
#[test]
fn what_fails_is_named_within_its_time() {
    type Break = fn(&mut Bench);
    let machine = Machine::new(parts_with_twin()).unwrap();
    let cases: [(Break, Cause, u32); 5] = [
        (|b| b.broken.excitation = Some((0, 4.4)), Cause::Excitation, 10),
        (|b| b.broken.excitation = Some((0, 0.0)), Cause::Excitation, 10),
        (|b| b.broken.stale = Some(0), Cause::SensorStale, 50),
        (
            |b| b.broken.twin = Some((0, Some(volts(1.5) + 0.3))),
            Cause::SensorsDiffer,
            40,
        ),
        (|b| b.broken.twin = Some((0, Some(0.0))), Cause::TwinLost, 10),
    ];
    for (spoil, cause, ms) in cases {
        let mut bench = Bench::enabled(&machine);
        spoil(&mut bench);
        bench.run(ms - 2);
        assert_eq!(
            (bench.state(), bench.cause()),
            (State::Enabled, None),
            "{cause} too early"
        );
        bench.run(4);
        assert_eq!(bench.cause(), Some((cause, Some(0))));
        bench.run(500);
        assert_eq!(bench.state(), State::Fault, "{cause}");
        assert!(bench.dead());
    }
}

#[test]
fn sensors_that_differ_are_both_doubted_and_a_lost_twin_leaves_the_first_in_charge() {
    let machine = Machine::new(parts_with_twin()).unwrap();
    let after = |twin: f32| {
        let mut reader = Reader::new(&machine);
        let mut now = AxisPosture::default();
        for _ in 0..50 {
            now = reader.take(SensorInput {
                twin: of(twin),
                excitation: of(EXCITATION),
                ..of(volts(1.4)).into()
            });
        }
        (now.fault, now.known, now.stroke)
    };
    let (fault, known, stroke) = after(volts(1.44));
    assert_eq!((fault, known), (None, true));
    assert!((stroke - 1.4).abs() < 1e-6, "the first is used: {stroke}");
    assert_eq!(after(volts(1.46)).0, Some(Cause::SensorsDiffer));
    assert!(!after(volts(1.46)).1);
    assert_eq!((after(9.9).0, after(9.9).1), (Some(Cause::TwinLost), true));
}

// ---- age --------------------------------------------------------------------------------------------------------------------------

/// The stated guarantee: however late readings come in, the true stroke is within `spread` of the one that is given, for an axis that
/// goes at its fastest all the time.
#[test]
fn the_true_stroke_is_within_the_spread() {
    let machine = machine();
    let axis = machine.axes().next().unwrap().1;
    let (dt, fastest) = (TICK_US as f32 * 1e-6, axis.fastest());
    let mut reader = Reader::new(&machine);
    let mut widest = 0.0_f32;
    let (mut due, mut gaps, mut read_at) = (3, [7, 4, 6, 3, 5].into_iter().cycle(), 0);
    for tick in 0..400_u32 {
        // A bus that brings something every 6 to 14 ms, 4 ms old.
        if tick == due {
            read_at = tick - 2;
            due = tick + gaps.next().unwrap();
        }
        let stroke = |tick: u32| 0.2 + fastest * tick as f32 * dt;
        let now = reader.take(SensorInput {
            age: micros((tick - read_at) * TICK_US),
            ..of(volts(stroke(read_at))).into()
        });
        assert_eq!(now.fault, None);
        // The filter starts at rest and settles on the steady rate.
        if tick > 150 {
            let off = (stroke(tick) - now.stroke).abs();
            assert!(off <= now.spread + 1e-4, "{off} rad off, spread {}", now.spread);
            assert!((now.rate - fastest).abs() < 0.02 * fastest, "{} rad/s", now.rate);
        }
        widest = widest.max(now.spread);
    }
    assert!(widest > 7.9 * fastest * dt, "{widest}");
}

/// The guard brakes from where the stroke may be by now: a stale reading stops an axis before the end that it might have reached.
#[test]
fn a_stale_reading_is_used_at_its_worst() {
    use bellcrank_core::guard;
    use bellcrank_core::plan::Rates;
    let machine = machine();
    let id = AxisId::new(0).unwrap();
    let end = machine.axis(id).unwrap().stroke.0;
    let given = |age_ms: u32| {
        let mut bench = Bench::new(&machine);
        bench.strokes[0] = end + 0.03;
        bench.run(100);
        bench.broken.stale = Some(0);
        bench.run(age_ms);
        let mut wanted = Rates::default();
        wanted.axes.set(id, -0.4);
        -guard::step(&machine, &bench.posture(), &permit(&machine), &wanted)
            .0
            .axes
            .get(id)
    };
    let (fresh, old, older) = (given(0), given(10), given(40));
    assert!(fresh > old && old > 0.0, "{fresh}, {old}");
    // At twice its full rate of 0.5 rad/s it is past the end within 30 ms.
    assert_eq!(older, 0.0);
}

// ---- filter -----------------------------------------------------------------------------------------------------------------------

const DT: f64 = TICK_US as f64 * 1e-6;
const TIME: f64 = FILTER_TIME_S as f64;

/// A steady rate is followed without error in stroke and in rate.
#[test]
fn a_steady_rate_is_followed() {
    let (machine, speed) = (machine(), 0.4_f32);
    let mut reader = Reader::new(&machine);
    for tick in 0..600_u16 {
        let stroke = 0.1 + speed * f32::from(tick) * DT as f32;
        let now = reader.read(Some(volts(stroke)));
        if tick > 200 {
            assert!((now.stroke - stroke).abs() < 5e-6, "{} for {stroke}", now.stroke);
            assert!((now.rate - speed).abs() < 1e-3, "{}", now.rate);
        }
    }
}

/// A steady acceleration a: the rate comes 2 T + dt / 2 late, the stroke is a T² behind.
#[test]
fn the_filter_lags_by_what_is_stated() {
    let (machine, acceleration) = (machine(), 1.5_f64);
    let mut reader = Reader::new(&machine);
    let (mut lag, mut behind, mut looks) = (0.0, 0.0, 0.0);
    for tick in 0..900_u16 {
        let t = f64::from(tick) * DT;
        let stroke = 0.5 * acceleration * t * t;
        let now = reader.read(Some(volts(stroke as f32)));
        // What f32 makes of a reading is noise: the mean of many looks.
        if tick >= 500 {
            lag += t - f64::from(now.rate) / acceleration;
            behind += stroke - f64::from(now.stroke);
            looks += 1.0;
        }
    }
    let (lag, behind) = (lag / looks, behind / looks);
    assert!((lag / (2.0 * TIME + DT / 2.0) - 1.0).abs() < 0.01, "{lag} s");
    assert!(
        (behind / (acceleration * TIME * TIME) - 1.0).abs() < 0.01,
        "{behind} rad"
    );
}

/// The stated noise gains: white noise passes a linear filter as the root of the sum of the squares of its answer to one impulse.
#[test]
fn the_filter_passes_the_noise_that_is_stated() {
    let machine = machine();
    let mut reader = Reader::new(&machine);
    let (rest, impulse) = (1.4_f32, 0.01_f32);
    for _ in 0..20 {
        reader.read(Some(volts(rest)));
    }
    let (mut stroke, mut rate) = (0.0, 0.0);
    for tick in 0..400 {
        let now = reader.read(Some(volts(if tick == 0 { rest + impulse } else { rest })));
        assert_eq!(now.fault, None);
        stroke += f64::from((now.stroke - rest) / impulse).powi(2);
        rate += f64::from(now.rate / impulse).powi(2);
    }
    let pole = TIME / (TIME + DT);
    let stroke_gain = ((1.0 - pole) * (5.0 * pole * pole + 4.0 * pole + 1.0) / (1.0 + pole).powi(3)).sqrt();
    let rate_gain = (2.0 * DT).sqrt() / (2.0 * TIME + DT).powf(1.5);
    assert!(
        (stroke.sqrt() / stroke_gain - 1.0).abs() < 0.002,
        "{} {stroke_gain}",
        stroke.sqrt()
    );
    assert!(
        (rate.sqrt() / rate_gain - 1.0).abs() < 0.002,
        "{} {rate_gain}",
        rate.sqrt()
    );
    // As the page says at 2 ms.
    assert!((stroke_gain - 0.43).abs() < 0.005 && (rate_gain - 15.0).abs() < 0.2);
}
