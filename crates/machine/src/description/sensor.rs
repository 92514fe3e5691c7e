//! Length and angle sensors, as they are and as they are believed to be.

/// A length or angle sensor on an analogue input.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// What it tells its stroke by.
    pub signal: Signal,
    /// The calibration points, two or more: (signal, stroke). The signal rises, the stroke rises or falls all the way.
    pub points: Vec<(f64, f64)>,
    /// From the first signal down and from the second up the sensor or its wiring is broken.
    pub fault: (f64, f64),
    /// Span of the converter, V.
    pub converter_volts: f64,
    /// Resolution of the converter, bits.
    pub converter_bits: u32,
    /// RMS noise at the converter, V.
    pub noise: f64,
    /// Time from one reading to the next, s. 0: there is a new one every tick.
    pub every: f64,
}

/// What a sensor tells its stroke by, and the unit of its signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Signal {
    /// A voltage of its own, V.
    Voltage,
    /// A share of the voltage that feeds it, which is read by a converter like its own.
    Ratiometric {
        /// That voltage when all is well, V.
        excitation: f64,
        /// Outside it the supply of the sensor is broken, V.
        band: (f64, f64),
    },
    /// A current, A, read over a shunt.
    Current {
        /// The shunt, ohm.
        shunt: f64,
    },
}

/// A second sensor on the same axis, fed like the first, that only confirms it.
#[derive(Debug, Clone, PartialEq)]
pub struct Twin {
    /// The sensor.
    pub sensor: Sensor,
    /// Furthest that the two may lie apart, m (rad for a motor).
    pub limit: f64,
    /// How long they must lie further apart to count, s.
    pub confirm: f64,
}

impl Sensor {
    /// The signal at a stroke: on the straight lines through the calibration points.
    ///
    /// # Panics
    /// If there are fewer than two points; a sensor that was read from a file has them.
    pub fn signal_at(&self, stroke: f64) -> f64 {
        let rises = self.points[1].1 > self.points[0].1;
        let ends_beyond = |pair: &&[(f64, f64)]| (pair[1].1 >= stroke) == rises || pair[1].1 == stroke;
        let last = self.points.len() - 2;
        let pair = self.points.windows(2).find(ends_beyond).unwrap_or(&self.points[last..]);
        let ((v0, s0), (v1, s1)) = (pair[0], pair[1]);
        v0 + (v1 - v0) * (stroke - s0) / (s1 - s0)
    }

    /// What stands at the converter for a signal, V, while `excitation`, V, feeds the sensor.
    pub fn volts(&self, signal: f64, excitation: f64) -> f64 {
        match self.signal {
            Signal::Voltage => signal,
            Signal::Ratiometric { .. } => signal * excitation,
            Signal::Current { shunt } => signal * shunt,
        }
    }

    /// The voltage that feeds the sensor when all is well, V. 0 where nobody has to know.
    pub fn excitation(&self) -> f64 {
        match self.signal {
            Signal::Ratiometric { excitation, .. } => excitation,
            Signal::Voltage | Signal::Current { .. } => 0.0,
        }
    }

    /// One step of the converter, V: the span over one less than the number of codes.
    pub fn step_volts(&self) -> f64 {
        self.converter_volts / (f64::from(2_u32.pow(self.converter_bits)) - 1.0)
    }

    /// The greatest stroke that one step of the converter stands for, m (rad for a motor).
    pub fn step_stroke(&self) -> f64 {
        let per_signal = |pair: &[(f64, f64)]| ((pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0)).abs();
        let steepest = self.points.windows(2).map(per_signal).fold(0.0, f64::max);
        steepest * self.step_volts() / self.volts(1.0, self.excitation())
    }
}
