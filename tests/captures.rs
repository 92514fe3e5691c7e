//! Captures of a duty signal as an instrument exports them, made up with known duty, jitter and disturbances: what tests and benches of
//! `bellcrank scope` read.

use std::io::{self, BufWriter, Write};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// A signal and how it is sampled.
#[derive(Debug, Clone)]
pub struct Signal {
    /// Frequency, Hz.
    pub hz: f64,
    /// Duty over time: corners (s, duty), straight between them; the last ends the capture.
    pub duty: Vec<(f64, f64)>,
    /// Standard deviation of the duty from period to period.
    pub jitter: f64,
    /// Low and high level, V.
    pub levels: (f64, f64),
    /// Standard deviation of the noise, V.
    pub noise: f64,
    /// Samples a second.
    pub sample_hz: f64,
    /// When the level is turned over: from, s, and for how long, s.
    pub flipped: Vec<(f64, f64)>,
    /// Periods that are left out: the signal stays low.
    pub missing: Vec<u64>,
    /// Seed of jitter and noise.
    pub seed: u64,
}

impl Signal {
    /// A steady duty for so many seconds: 0.2 and 4.7 V, a little noise, 1000 samples to a period of 100 Hz.
    pub fn steady(duty: f64, seconds: f64) -> Signal {
        Signal {
            hz: 100.0,
            duty: vec![(0.0, duty), (seconds, duty)],
            jitter: 0.0,
            levels: (0.2, 4.7),
            noise: 0.02,
            sample_hz: 1e5,
            flipped: Vec::new(),
            missing: Vec::new(),
            seed: 1,
        }
    }

    /// How long it is, s.
    pub fn seconds(&self) -> f64 {
        self.duty.last().map_or(0.0, |corner| corner.0)
    }

    /// The samples: time, s, and voltage.
    pub fn samples(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        // The first edge is nowhere in particular between two samples.
        let phase: f64 = random.random();
        let (mut period, mut duty) = (u64::MAX, 0.0);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = (self.seconds() * self.sample_hz) as u64;
        (0..count).map(move |number| {
            let time = number as f64 / self.sample_hz;
            let turns = time * self.hz + phase;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let now = turns as u64;
            if now != period {
                let jitter: f64 = StandardNormal.sample(&mut random);
                (period, duty) = (now, self.duty_at(time) + self.jitter * jitter);
            }
            let high = turns - (now as f64) < duty && !self.missing.contains(&now);
            let flipped = self
                .flipped
                .iter()
                .any(|(from, lasts)| (*from..from + lasts).contains(&time));
            let noise: f64 = StandardNormal.sample(&mut random);
            let level = if high == flipped { self.levels.0 } else { self.levels.1 };
            (time, level + self.noise * noise)
        })
    }

    fn duty_at(&self, time: f64) -> f64 {
        let pair = self.duty.windows(2).find(|pair| pair[1].0 > time);
        pair.map_or(0.0, |pair| {
            let share = (time - pair[0].0) / (pair[1].0 - pair[0].0);
            pair[0].1 + share * (pair[1].1 - pair[0].1)
        })
    }

    /// The lines of its export, a heading first.
    pub fn lines(&self) -> Vec<String> {
        let rows = self.samples().map(|(time, volt)| row(time, volt));
        std::iter::once("Time (s),Lever (V)".to_owned()).chain(rows).collect()
    }

    /// Its export.
    pub fn csv(&self) -> String {
        self.lines().join("\n") + "\n"
    }

    /// Writes an export of at least so many bytes: the samples over and over, time going on.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn write(&self, to: impl Write, bytes: usize) -> io::Result<()> {
        let mut to = BufWriter::new(to);
        let samples: Vec<_> = self.samples().collect();
        let mut written = 0;
        for again in 0.. {
            for (time, volt) in &samples {
                let row = row(f64::from(again) * self.seconds() + time, *volt);
                written += row.len() + 1;
                writeln!(to, "{row}")?;
            }
            if written >= bytes {
                break;
            }
        }
        to.flush()
    }
}

fn row(time: f64, volt: f64) -> String {
    format!("{time:.7},{volt:.4}")
}
