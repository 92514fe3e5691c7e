//! Axes that do what their valves are told, after a short while, and sensors that tell it with a little noise.

use bellcrank_core::Machine;
use bellcrank_core::inputs::SensorInput;
use bellcrank_core::machine::{Axis, AxisId, Calibration, Channel, PerAxis, Signal};
use bellcrank_core::outputs::{Outputs, ValveSignal};
use bellcrank_core::units::{Volts, seconds};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How much of the way to the asked rate an axis goes in a tick.
const FOLLOWS: f32 = 0.125;
/// Noise of a sensor, as a share of its span, to either side.
const NOISE: f32 = 5e-5;

/// All axes of a machine.
pub struct Axes<'m> {
    machine: &'m Machine,
    strokes: PerAxis<f32>,
    rates: PerAxis<f32>,
    noise: ChaCha8Rng,
}

impl<'m> Axes<'m> {
    /// At rest: the joints of the arms from base to tip where `pose` says, all else three quarters out.
    pub fn new(machine: &'m Machine, pose: &[&[f32]]) -> Self {
        let mut strokes = PerAxis::default();
        for (id, axis) in machine.axes() {
            strokes.set(id, 0.25 * axis.stroke.0 + 0.75 * axis.stroke.1);
        }
        for (arm, angles) in machine.arms().iter().zip(pose) {
            for (joint, angle) in arm.joints.iter().zip(*angles) {
                let stroke = machine
                    .axis(joint.axis)
                    .and_then(|axis| axis.linkage.stroke(*angle).ok());
                strokes.set(joint.axis, stroke.unwrap_or(strokes.get(joint.axis)));
            }
        }
        Self {
            machine,
            strokes,
            rates: PerAxis::default(),
            noise: ChaCha8Rng::seed_from_u64(1),
        }
    }

    /// What the sensors say; that of one axis nothing, if its wire is open.
    pub fn read(&mut self, open_wire: Option<AxisId>) -> PerAxis<SensorInput> {
        let mut sensors = PerAxis::default();
        for (id, axis) in self.machine.axes() {
            let stroke = self.strokes.get(id);
            let excitation = match axis.sensor.signal {
                Signal::Ratiometric { excitation } => Some(0.5 * (excitation.0 + excitation.1)),
                Signal::Voltage | Signal::Current { .. } => None,
            };
            let mut volts = |sensor: &Calibration| {
                // One of 65,536 steps from -1 to 1.
                let step = f32::from(self.noise.random::<i16>()) / 32_768.0;
                let told = signal(sensor, stroke + step * NOISE * sensor.span());
                let volts = match sensor.signal {
                    Signal::Voltage => told,
                    Signal::Ratiometric { .. } => told * excitation.unwrap_or(0.0),
                    Signal::Current { shunt } => told * shunt.ohms(),
                };
                Volts::new(volts).ok()
            };
            let (read, twin) = (
                volts(&axis.sensor),
                axis.twin.as_ref().and_then(|twin| volts(&twin.sensor)),
            );
            let open = open_wire == Some(id);
            sensors.set(
                id,
                SensorInput {
                    signal: if open { Volts::new(0.0).ok() } else { read },
                    twin,
                    excitation: excitation.and_then(|volts| Volts::new(volts).ok()),
                    ..SensorInput::default()
                },
            );
        }
        sensors
    }

    /// They go on by one tick.
    pub fn go(&mut self, outputs: &Outputs) {
        let dt = seconds(self.machine.timing().tick);
        let driven = outputs.relays.valve_power && outputs.relays.dump_closed && outputs.relays.engine_run;
        for (id, axis) in self.machine.axes() {
            let asked = if driven {
                axis.valve.rate(opening(axis, outputs.valves.get(id)))
            } else {
                0.0
            };
            let rate = self.rates.get(id);
            let rate = rate + FOLLOWS * (asked - rate);
            let stroke = self.strokes.get(id) + rate * dt;
            let (least, greatest) = axis.stroke;
            let held = if stroke < least {
                least
            } else if stroke > greatest {
                greatest
            } else {
                stroke
            };
            self.rates.set(id, rate);
            self.strokes.set(id, held);
        }
    }
}

/// The signal that means a stroke.
fn signal(sensor: &Calibration, stroke: f32) -> f32 {
    let points = &sensor.points;
    let rises = points[points.len() - 1].1 > points[0].1;
    // The first segment that reaches so far, or the last.
    let mut segments = points.iter().zip(&points[1..]).peekable();
    while let Some((low, high)) = segments.next() {
        let reaches = if rises { stroke <= high.1 } else { stroke >= high.1 };
        if reaches || segments.peek().is_none() {
            return low.0 + (high.0 - low.0) * (stroke - low.1) / (high.1 - low.1);
        }
    }
    points[0].0
}

/// How far a valve opens that is told this.
fn opening(axis: &Axis, told: ValveSignal) -> f32 {
    let turned = |share: f32, reversed: bool| if reversed { -share } else { share };
    match (&axis.channel, told) {
        (Channel::Pwm(pwm), ValveSignal::Duty(duty)) => {
            let from_neutral = duty.share() - pwm.neutral;
            let full = if from_neutral < 0.0 {
                pwm.neutral - pwm.low
            } else {
                pwm.high - pwm.neutral
            };
            // Without a signal at all, electronics close the valve.
            if duty.share() < pwm.low {
                0.0
            } else {
                turned(from_neutral / full, pwm.reversed)
            }
        }
        (Channel::Coils(coils), ValveSignal::Currents { out, inward }) => {
            out.amps() / coils.full.out - inward.amps() / coils.full.inward
        }
        (Channel::Voltage(voltage), ValveSignal::Voltage(volts)) => {
            turned(volts.volts() / voltage.full, voltage.reversed)
        }
        // Never: the core tells each valve what its channel takes.
        _ => 0.0,
    }
}
