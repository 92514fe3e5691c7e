//! From the signal to the spool: delay, hysteresis, stiction, dynamics.
//!
//! What the electronics and the friction of the spool do to the *demand* is a matter of steps, not of differential
//! equations, so it is done where the demand changes:
//!
//! - delay: the demand of some time ago;
//! - hysteresis: a play of that width between demand and spool (the play operator);
//! - stiction: the spool does not follow until the demand has moved by that much from where it last went.
//!
//! Then the spool follows as a second-order system, no faster than its slew limit: `dw/dt = 2 ζ W (clamp(W (demand -
//! z) / 2ζ, ± slew) - w)`, which without the limit is `W² (demand - z) - 2 ζ W w`.

use std::collections::VecDeque;

use bellcrank_machine::description::{Answer, Valve};

/// How a spool follows its demand.
#[derive(Debug, Clone, PartialEq)]
pub struct Spool {
    /// Natural angular frequency and damping ratio of a sound one, and its slew limit.
    sound: (f64, f64, f64),
    /// Square of the natural angular frequency, and twice the decay rate.
    square: f64,
    decay: f64,
    slew: f64,
}

impl Spool {
    /// That of a valve.
    pub fn new(valve: &Valve) -> Spool {
        let mut spool = Spool {
            sound: (
                std::f64::consts::TAU * valve.spool_hz,
                valve.spool_zeta,
                valve.answer.slew,
            ),
            square: 0.0,
            decay: 0.0,
            slew: 0.0,
        };
        spool.hamper(1.0);
        spool
    }

    /// Leaves it this share of its quickness.
    pub fn hamper(&mut self, quickness: f64) {
        let (frequency, zeta, slew) = self.sound;
        let frequency = quickness * frequency;
        self.square = frequency * frequency;
        self.decay = 2.0 * zeta * frequency;
        self.slew = quickness * slew;
    }

    /// Acceleration of the spool.
    #[inline]
    pub fn acceleration(&self, demand: f64, spool: f64, rate: f64) -> f64 {
        let pull = self.square * (demand - spool);
        let most = self.slew * self.decay;
        if pull.abs() > most {
            most.copysign(pull) - self.decay * rate
        } else {
            pull - self.decay * rate
        }
    }

    /// Slopes of the acceleration over position and rate, turned positive.
    pub fn slopes(&self, demand: f64, spool: f64) -> (f64, f64) {
        let limited = (self.square * (demand - spool)).abs() > self.slew * self.decay;
        (if limited { 0.0 } else { self.square }, self.decay)
    }
}

/// What lies between the signal and what the spool is told to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    answer: Answer,
    /// Demands on their way, with when they arrive.
    coming: VecDeque<(f64, f64)>,
    arrived: f64,
    played: f64,
    told: f64,
}

impl Path {
    /// With everything at neutral.
    pub fn new(answer: &Answer) -> Path {
        Path {
            answer: answer.clone(),
            coming: VecDeque::new(),
            arrived: 0.0,
            played: 0.0,
            told: 0.0,
        }
    }

    /// The demand that the signal gives at a time, s, and from then on; what the spool is told.
    ///
    /// Signals come tick by tick: one that arrives between two ticks counts from the next.
    pub fn demand(&mut self, time: f64, signal: f64) -> f64 {
        if self.answer.delay > 0.0 {
            self.coming.push_back((time + self.answer.delay, signal));
            // Times are sums of ticks: one that is due must not wait a tick for the rounding of its sum.
            while self.coming.front().is_some_and(|(due, _)| *due <= time + 1e-9) {
                self.arrived = self.coming.pop_front().map_or(self.arrived, |(_, demand)| demand);
            }
        } else {
            self.arrived = signal;
        }
        if !self.arrived.is_finite() {
            return self.arrived;
        }
        let half = 0.5 * self.answer.hysteresis;
        self.played = self.played.clamp(self.arrived - half, self.arrived + half);
        if (self.played - self.told).abs() > self.answer.stiction {
            self.told = self.played;
        }
        self.told
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(answer: &Answer, signals: &[f64]) -> Vec<f64> {
        let mut path = Path::new(answer);
        let each = signals.iter().enumerate();
        each.map(|(tick, signal)| path.demand(tick as f64 * 0.002, *signal))
            .collect()
    }

    #[test]
    fn a_delay_is_kept_to_the_tick() {
        let answer = Answer {
            delay: 0.004,
            ..Answer::default()
        };
        assert_eq!(told(&answer, &[0.1, 0.2, 0.3, 0.3, 0.0]), [0.0, 0.0, 0.1, 0.2, 0.3]);
    }

    #[test]
    fn hysteresis_lags_by_half_its_width_both_ways() {
        let answer = Answer {
            hysteresis: 0.1,
            ..Answer::default()
        };
        let up_and_down = told(&answer, &[0.5, 1.0, 0.95, 0.5]);
        for (got, want) in up_and_down.iter().zip([0.45, 0.95, 0.95, 0.55]) {
            assert!((got - want).abs() < 1e-12, "{up_and_down:?}");
        }
    }

    #[test]
    fn a_stuck_spool_waits_for_enough() {
        let answer = Answer {
            stiction: 0.05,
            ..Answer::default()
        };
        assert_eq!(
            told(&answer, &[0.04, 0.06, 0.09, 0.02, 0.0]),
            [0.0, 0.06, 0.06, 0.06, 0.0]
        );
    }
}
