//! Length and angle sensors: stroke to signal to volts, noise, converter, the time of the reading; and what faults make of it.

use bellcrank_core::inputs::SensorInput;
use bellcrank_core::machine::{AXES_MAX, AxisId, PerAxis};
use bellcrank_core::units::Volts;
use bellcrank_machine::description::{Axis, Description, Sensor, Signal};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::duration;
use crate::scenario::FaultKind;

/// The sensors of a machine.
pub struct Sensors {
    axes: Vec<Memory>,
    /// Noise of the second sensors, apart from that of all else.
    twin_noise: ChaCha8Rng,
}

/// What is remembered of the sensors of one axis.
#[derive(Debug, Clone, Copy, Default)]
struct Memory {
    /// The voltage that the first stuck at.
    stuck: Option<f64>,
    /// The stroke from which the first counts the wrong way, m or rad.
    turned_at: Option<f64>,
    /// Since when the first slips, s.
    slips_since: Option<f64>,
    /// Since when the second drifts, s.
    drifts_since: Option<f64>,
    /// The newest reading, and when it was taken, s.
    newest: Option<(SensorInput, f64)>,
}

impl Sensors {
    /// Sensors in good order.
    pub fn new(machine: &Description, seed: u64) -> Self {
        let mut twin_noise = ChaCha8Rng::seed_from_u64(seed);
        twin_noise.set_stream(1);
        Self {
            axes: vec![Memory::default(); machine.axes.len()],
            twin_noise,
        }
    }

    /// What the board reads at time `t`, s, where each axis has a stroke, m or rad.
    pub fn read(
        &mut self,
        machine: &Description,
        stroke: impl Fn(usize) -> f64,
        t: f64,
        faults: &[FaultKind],
        noise: &mut ChaCha8Rng,
    ) -> PerAxis<SensorInput> {
        // Noise is drawn whether or not it is used, so that a fault does not shift the noise of everything after it.
        let mut volts = [0.0; AXES_MAX];
        for (index, (axis, memory)) in machine.axes.iter().zip(&mut self.axes).enumerate() {
            let stroke = stroke(index);
            let off = memory.displaced(index, &axis.sensor, stroke, t, faults);
            let (_, excitation) = fed(index, axis, faults);
            let more = more_noise(index, faults);
            volts[index] = volts_at(&axis.sensor, stroke + off, excitation, more, noise);
        }
        for fault in faults {
            if let FaultKind::SensorsSwapped { axis, with } = *fault {
                volts.swap(axis, with);
            }
        }
        let mut read = PerAxis::default();
        for (index, axis) in machine.axes.iter().enumerate() {
            if let Some(id) = AxisId::new(index) {
                read.set(id, self.converted(index, axis, stroke(index), volts[index], t, faults));
            }
        }
        read
    }

    /// What the board makes of a voltage at axis number `index`, and of a second sensor.
    fn converted(
        &mut self,
        index: usize,
        axis: &Axis,
        stroke: f64,
        volts: f64,
        t: f64,
        faults: &[FaultKind],
    ) -> SensorInput {
        let memory = &mut self.axes[index];
        let (fed, excitation) = fed(index, axis, faults);
        let signal = memory.faulty(index, &axis.sensor, volts, faults);
        let twin = axis.twin.as_ref().and_then(|twin| {
            let off = memory.drifted(index, &twin.sensor, t, faults);
            let volts = volts_at(&twin.sensor, stroke + off, excitation, 0.0, &mut self.twin_noise);
            let open = faults.contains(&FaultKind::TwinOpen { axis: index });
            converted(&twin.sensor, if open { 0.0 } else { volts })
        });
        let now = SensorInput {
            twin,
            excitation: fed.and_then(|sensor| converted(sensor, excitation)),
            ..converted(&axis.sensor, signal).into()
        };
        let silent = faults.contains(&FaultKind::SensorStale { axis: index });
        memory.deliver(now, t, &axis.sensor, silent)
    }
}

impl Memory {
    /// The voltage at the first sensor's converter, after what is broken.
    fn faulty(&mut self, axis: usize, sensor: &Sensor, clean: f64, faults: &[FaultKind]) -> f64 {
        let stuck = faults.contains(&FaultKind::SensorStuck { axis });
        if !stuck {
            self.stuck = None;
        }
        if faults.contains(&FaultKind::SensorOpen { axis }) {
            0.0
        } else if faults.contains(&FaultKind::SensorShort { axis }) {
            sensor.converter_volts
        } else if stuck {
            *self.stuck.get_or_insert(clean)
        } else {
            clean
        }
    }

    /// How far the reading of the first sensor is off what it measures, a stroke, m or rad.
    fn displaced(&mut self, index: usize, sensor: &Sensor, stroke: f64, t: f64, faults: &[FaultKind]) -> f64 {
        let jump = faults.iter().find_map(|fault| match fault {
            FaultKind::SensorJump { axis, by } if *axis == index => Some(*by),
            _ => None,
        });
        let slip = faults.iter().find_map(|fault| match fault {
            FaultKind::SensorSlip { axis, rate } if *axis == index => Some(*rate),
            _ => None,
        });
        let turned = if faults.contains(&FaultKind::SensorReversed { axis: index }) {
            -2.0 * (stroke - *self.turned_at.get_or_insert(stroke))
        } else {
            self.turned_at = None;
            0.0
        };
        jump.unwrap_or(0.0) * span(sensor) + drift(&mut self.slips_since, slip, sensor, t) + turned
    }

    /// How far the second sensor has drifted, m or rad.
    fn drifted(&mut self, index: usize, sensor: &Sensor, t: f64, faults: &[FaultKind]) -> f64 {
        let rate = faults.iter().find_map(|fault| match fault {
            FaultKind::TwinDrift { axis, rate } if *axis == index => Some(*rate),
            _ => None,
        });
        drift(&mut self.drifts_since, rate, sensor, t)
    }

    /// The reading if a new one is due, else the newest that there is, as old as it is by now.
    fn deliver(&mut self, now: SensorInput, t: f64, sensor: &Sensor, silent: bool) -> SensorInput {
        // A reading that is due is not put off by the rounding of its time.
        let due = self.newest.is_none_or(|(_, at)| t - at > sensor.every - 1e-9);
        if due && !silent {
            self.newest = Some((now, t));
        }
        self.newest
            .map_or_else(SensorInput::default, |(reading, at)| SensorInput {
                age: duration(t - at),
                ..reading
            })
    }
}

/// What feeds both sensors of an axis, V: the first that has to be fed says how much, and is told with it.
fn fed<'a>(index: usize, axis: &'a Axis, faults: &[FaultKind]) -> (Option<&'a Sensor>, f64) {
    let fed = std::iter::once(&axis.sensor)
        .chain(axis.twin.iter().map(|twin| &twin.sensor))
        .find(|sensor| matches!(sensor.signal, Signal::Ratiometric { .. }));
    let sagged = faults.iter().find_map(|fault| match fault {
        FaultKind::ExcitationSag { axis, to } if *axis == index => Some(*to),
        _ => None,
    });
    (fed, fed.map_or(0.0, |sensor| sagged.unwrap_or(sensor.excitation())))
}

/// How far a sensor has drifted since it began to, at a share of its span a second, m or rad.
fn drift(since: &mut Option<f64>, rate: Option<f64>, sensor: &Sensor, t: f64) -> f64 {
    let Some(rate) = rate else {
        *since = None;
        return 0.0;
    };
    rate * span(sensor) * (t - *since.get_or_insert(t))
}

/// The part of the stroke that a sensor's calibration spans, m or rad.
pub fn span(sensor: &Sensor) -> f64 {
    let strokes = sensor.points.iter().map(|point| point.1);
    strokes.clone().fold(f64::MIN, f64::max) - strokes.fold(f64::MAX, f64::min)
}

/// Noise beyond a sensor's own, V.
fn more_noise(index: usize, faults: &[FaultKind]) -> f64 {
    let more = faults.iter().find_map(|fault| match fault {
        FaultKind::SensorNoise { axis, rms } if *axis == index => Some(*rms),
        _ => None,
    });
    more.unwrap_or(0.0)
}

/// What stands at a sensor's converter, V, with so much more noise than its own, V.
fn volts_at(sensor: &Sensor, stroke: f64, excitation: f64, more: f64, noise: &mut ChaCha8Rng) -> f64 {
    let drawn: f64 = StandardNormal.sample(noise);
    sensor.volts(sensor.signal_at(stroke), excitation) + sensor.noise.hypot(more) * drawn
}

/// What a sensor's converter makes of a voltage.
fn converted(sensor: &Sensor, volts: f64) -> Option<Volts> {
    let steps = f64::from(2_u32.pow(sensor.converter_bits)) - 1.0;
    let code = (volts.clamp(0.0, sensor.converter_volts) / sensor.converter_volts * steps).round();
    #[allow(
        clippy::cast_possible_truncation,
        reason = "a reading, narrowed to what the core is given"
    )]
    Volts::new((code / steps * sensor.converter_volts) as f32).ok()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    /// Numbers of the two lifts of the setter, whose sensors are alike.
    const LIFTS: [usize; 2] = [1, 7];

    fn setter() -> Description {
        let machine = bellcrank_machine::find("drystone setter", Path::new("")).unwrap();
        assert_eq!(LIFTS.map(|lift| &*machine.axes[lift].name), ["left lift", "right lift"]);
        machine
    }

    /// What the board reads at the two lifts, V, at strokes that are told in a row.
    fn read<const N: usize>(faults: &[FaultKind], strokes: [[f64; 2]; N]) -> [[f32; 2]; N] {
        let machine = setter();
        let mut sensors = Sensors::new(&machine, 1);
        let mut noise = ChaCha8Rng::seed_from_u64(1);
        let mut t = 0.0;
        strokes.map(|strokes| {
            t += 0.1;
            let stroke = |axis: usize| {
                LIFTS
                    .iter()
                    .position(|lift| *lift == axis)
                    .map_or(0.2, |at| strokes[at])
            };
            let read = sensors.read(&machine, stroke, t, faults, &mut noise);
            LIFTS.map(|lift| read.get(AxisId::new(lift).unwrap()).signal.unwrap().volts())
        })
    }

    #[test]
    fn of_two_that_are_swapped_each_tells_what_the_other_measures() {
        let [[left, right]] = read(&[], [[0.1, 0.3]]);
        assert!((left - right).abs() > 0.5, "{left} and {right}");
        let [axis, with] = LIFTS;
        let swapped = read(&[FaultKind::SensorsSwapped { axis, with }], [[0.1, 0.3]]);
        assert_eq!(swapped, [[right, left]]);
    }

    #[test]
    fn one_that_is_reversed_falls_as_it_should_rise() {
        let reversed = read(
            &[FaultKind::SensorReversed { axis: LIFTS[0] }],
            [[0.2, 0.2], [0.25, 0.25]],
        );
        // The same noise, at the strokes that it seems to have.
        let seeming = read(&[], [[0.2, 0.2], [0.15, 0.25]]);
        for (found, wanted) in reversed.as_flattened().iter().zip(seeming.as_flattened()) {
            assert!((found - wanted).abs() < 0.002, "{reversed:?}, wanted {seeming:?}");
        }
    }
}
