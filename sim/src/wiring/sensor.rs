//! Length and angle sensors: stroke to volts, noise, converter; and what a broken wire makes of it.

use bellcrank_core::units::Volts;
use bellcrank_machine::description::{Axis, Description};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::scenario::FaultKind;

/// The sensors of a machine.
pub struct Sensors {
    /// Per axis: the reading it stuck at.
    stuck: Vec<Option<f64>>,
}

impl Sensors {
    /// Sensors in good order.
    pub fn new(machine: &Description) -> Self {
        Self {
            stuck: vec![None; machine.axes.len()],
        }
    }

    /// The converter's reading of axis number `index` at a stroke, m or rad.
    pub fn read(
        &mut self,
        index: usize,
        axis: &Axis,
        stroke: f64,
        faults: &[FaultKind],
        rng: &mut ChaCha8Rng,
    ) -> Option<Volts> {
        let sensor = &axis.sensor;
        let [(v0, s0), (v1, s1)] = sensor.points;
        // Drawn whether or not it is used, so that a fault does not shift the noise of everything after it.
        let noise: f64 = StandardNormal.sample(rng);
        let clean = v0 + (v1 - v0) * (stroke - s0) / (s1 - s0) + sensor.noise * noise;
        let stuck = faults.contains(&FaultKind::SensorStuck { axis: index });
        let volts = if faults.contains(&FaultKind::SensorOpen { axis: index }) {
            0.0
        } else if faults.contains(&FaultKind::SensorShort { axis: index }) {
            sensor.converter_volts
        } else if stuck {
            *self.stuck[index].get_or_insert(clean)
        } else {
            clean
        };
        if !stuck {
            self.stuck[index] = None;
        }
        let steps = f64::from(2_u32.pow(sensor.converter_bits)) - 1.0;
        let code = (volts.clamp(0.0, sensor.converter_volts) / sensor.converter_volts * steps).round();
        #[allow(
            clippy::cast_possible_truncation,
            reason = "a reading, narrowed to what the core is given"
        )]
        Volts::new((code / steps * sensor.converter_volts) as f32).ok()
    }
}
