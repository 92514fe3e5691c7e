//! Sensing alone: calibration, plausibility, and the stated delay of the rate.

use bellcrank_core::Machine;
use bellcrank_core::cause::Cause;
use bellcrank_core::machine::AxisId;
use bellcrank_core::sense::{AxisPosture, RATE_DELAY_S, Sense};
use bellcrank_core::units::{Instant, Volts};

use crate::check::{Bench, TICK_US, parts};

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

    fn read(&mut self, volts: Option<f32>) -> AxisPosture {
        let id = AxisId::new(0).unwrap();
        self.ticks += 1;
        let mut inputs = Bench::new(self.machine).inputs;
        inputs.now = Instant::from_ticks(self.ticks * u64::from(TICK_US));
        inputs.sensors.set(id, volts.and_then(|volts| Volts::new(volts).ok()));
        self.sense.step(self.machine, &inputs).axes.get(id)
    }
}

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

fn volts(stroke: f32) -> f32 {
    0.5 + 3.0 * stroke
}

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

/// The stated delay, to 10 %: a steady change of rate is seen that much later.
#[test]
fn the_rate_lags_by_what_is_stated() {
    let (machine, acceleration) = (machine(), 0.2);
    let mut reader = Reader::new(&machine);
    let (mut t, mut rate) = (0.0, 0.0);
    for tick in 0..900_u16 {
        t = f32::from(tick) * TICK_US as f32 * 1e-6;
        rate = reader.read(Some(volts(0.5 * acceleration * t * t))).rate;
    }
    let lag = t - rate / acceleration;
    assert!(
        (lag / RATE_DELAY_S - 1.0).abs() < 0.1,
        "{lag} s, stated {RATE_DELAY_S} s"
    );
}
