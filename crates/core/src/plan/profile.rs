//! Jerk-limited motion: a whole move from rest to rest in closed form, and a ramp that follows wishes as they come.
//!
//! [`Profile`] is the double-S of seven pieces: jerk, no jerk, jerk back; cruise; the same mirrored (Biagiotti and Melchiorri,
//! *Trajectory Planning for Automatic Machines and Robots*, 2008, section 3.4). A move of length `h` takes `h/v + v/a + a/j` where
//! speed and acceleration are both reached.
//!
//! [`Ramp`] takes a velocity of several rows towards what is asked: along one straight line, with limited acceleration and jerk, and
//! without going past. From rest to full speed it takes `time`.

use crate::math;

/// Linear velocity (m/s) in the first three rows, the rates of turning (rad/s) in the other three.
pub type Twist = [f32; 6];

/// What a move may reach: m/s, m/s², m/s³, each above zero.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Limits {
    /// m/s.
    pub speed: f32,
    /// m/s².
    pub acceleration: f32,
    /// m/s³.
    pub jerk: f32,
}

/// A share of full speed per second, for a ramp that takes a second from rest to full speed.
const STEEPEST: f32 = 4.0 / 3.0;
/// The same, per second squared: a quarter of the ramp is spent on getting to the steepest, another on getting back.
const SHARPEST: f32 = 16.0 / 3.0;

/// A share of full speed that is none: dividing by it stays finite.
const SMALLEST: f32 = 1e-9;

impl Limits {
    /// The limits of a move at `speed`, whose axes go from rest to `full` speed in `time`, as a [`Ramp`] does.
    pub fn of_ramp(speed: f32, full: f32, time: f32) -> Self {
        Self {
            speed,
            acceleration: STEEPEST * full / time,
            jerk: SHARPEST * full / (time * time),
        }
    }
}

/// Where a move is at some time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Moment {
    /// Way behind it, m.
    pub way: f32,
    /// m/s.
    pub speed: f32,
    /// m/s².
    pub acceleration: f32,
}

/// A move from rest to rest.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Profile {
    length: f32,
    jerk: f32,
    /// Time for which the jerk lasts, s.
    jerked: f32,
    /// Time from rest to the greatest speed, s.
    rise: f32,
    /// Time at the greatest speed, s.
    cruise: f32,
}

impl Profile {
    /// The fastest move of `length` (m, from 0 up) within the limits.
    pub fn new(length: f32, limits: Limits) -> Self {
        let Limits {
            speed: v,
            acceleration: a,
            jerk: j,
        } = limits;
        let (jerked, rise) = if v * j >= a * a {
            (a / j, a / j + v / a)
        } else {
            let jerked = math::sqrt(v / j);
            (jerked, 2.0 * jerked)
        };
        let cruise = length / v - rise;
        let (jerked, rise) = if cruise >= 0.0 {
            (jerked, rise)
        } else if length * j * j >= 2.0 * a * a * a {
            // Too short for the speed.
            let half = 0.5 * a / j;
            (a / j, half + math::sqrt(half * half + length / a))
        } else {
            // Too short for the acceleration.
            let jerked = cube_root(0.5 * length / j);
            (jerked, 2.0 * jerked)
        };
        Self {
            length,
            jerk: j,
            jerked,
            rise,
            cruise: math::max(cruise, 0.0),
        }
    }

    /// How long it takes, s.
    pub fn duration(&self) -> f32 {
        2.0 * self.rise + self.cruise
    }

    /// Where it is `t` after its start, s.
    pub fn at(&self, t: f32) -> Moment {
        let left = self.duration() - t;
        if left <= 0.0 {
            Moment {
                way: self.length,
                ..Moment::default()
            }
        } else if t < self.rise {
            self.rising(t)
        } else if left < self.rise {
            let mirrored = self.rising(left);
            Moment {
                way: self.length - mirrored.way,
                speed: mirrored.speed,
                acceleration: -mirrored.acceleration,
            }
        } else {
            let top = self.rising(self.rise);
            Moment {
                way: top.way + top.speed * (t - self.rise),
                ..top
            }
        }
    }

    /// On the way from rest to the greatest speed.
    fn rising(&self, t: f32) -> Moment {
        let (j, jerked) = (self.jerk, self.jerked);
        let steepest = j * jerked;
        let top = steepest * (self.rise - jerked);
        let steady = t - jerked;
        let left = math::max(self.rise - t, 0.0);
        if steady < 0.0 {
            Moment {
                way: j * t * t * t / 6.0,
                speed: 0.5 * j * t * t,
                acceleration: j * t,
            }
        } else if left > jerked {
            Moment {
                way: steepest * (jerked * jerked / 6.0 + 0.5 * jerked * steady + 0.5 * steady * steady),
                speed: steepest * (0.5 * jerked + steady),
                acceleration: steepest,
            }
        } else {
            Moment {
                way: top * (0.5 * self.rise - left) + j * left * left * left / 6.0,
                speed: top - 0.5 * j * left * left,
                acceleration: j * left,
            }
        }
    }
}

/// A velocity on its way to another.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ramp {
    /// As it is now.
    pub rate: Twist,
    /// How fast it changes, 1/s.
    pub change: Twist,
}

impl Ramp {
    /// Nothing moves, and nothing is about to.
    pub fn at_rest(&self) -> bool {
        *self == Self::default()
    }

    /// One tick of `dt` towards `asked`. `full` is full speed in each row; to that and back takes `time`, s.
    pub fn step(&mut self, asked: &Twist, full: &Twist, time: f32, dt: f32) {
        let (steepest, sharpest) = (STEEPEST / time, SHARPEST / (time * time));
        let gap = zip(asked, &self.rate, |to, from| to - from);
        let size = math::max(largest_share(&gap, full), SMALLEST);
        // Within a tick of it and all but level: it lands exactly, so that zero is zero.
        let step = sharpest * dt;
        if size <= step * dt && largest_share(&self.change, full) <= 2.0 * step {
            *self = Self {
                rate: *asked,
                change: [0.0; 6],
            };
            return;
        }
        // From this change `c` it can level out with the sharpest bend, a step less each tick, just where the asked velocity is: what it
        // covers till then is c²/2j and half a tick's.
        let level = math::sqrt(0.25 * step * step + 2.0 * sharpest * size) - 0.5 * step;
        let bend = math::min(steepest, level);
        let wanted = gap.map(|gap| gap * (bend / size));
        let turn = zip(&wanted, &self.change, |to, from| to - from);
        let part = math::min(1.0, step / math::max(largest_share(&turn, full), step));
        self.change = zip(&self.change, &turn, |change, turn| change + part * turn);
        self.rate = zip(&self.rate, &self.change, |rate, change| rate + dt * change);
    }
}

/// The largest row, as a share of full speed in that row.
fn largest_share(rows: &Twist, full: &Twist) -> f32 {
    let shares = rows.iter().zip(full).map(|(row, full)| math::abs(*row) / full);
    shares.fold(0.0, math::max)
}

/// Row by row.
pub fn zip(a: &Twist, b: &Twist, f: impl Fn(f32, f32) -> f32) -> Twist {
    let mut rows = *a;
    for (row, b) in rows.iter_mut().zip(b) {
        *row = f(*row, *b);
    }
    rows
}

/// Cube root of a number from 0 up: a guess from its exponent, then Newton's rule, to rounding.
fn cube_root(x: f32) -> f32 {
    if x <= 0.0 {
        return 0.0;
    }
    // A third of the exponent: within 6 % of the root, and each step squares that.
    let mut root = f32::from_bits((x.to_bits() / 3).saturating_add(0x2a51_4067));
    for _ in 0..3 {
        root -= (root - x / (root * root)) / 3.0;
    }
    root
}

#[cfg(test)]
mod tests {
    use super::*;

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of ticks"
    )]
    fn ticks(seconds: f32) -> usize {
        (seconds / 1e-3) as usize + 2
    }

    const DT: f32 = 0.002;
    const FULL: Twist = [0.5, 0.5, 0.5, 0.4, 0.4, 0.4];

    fn profile(length: f32, speed: f32, acceleration: f32, jerk: f32) -> Profile {
        Profile::new(
            length,
            Limits {
                speed,
                acceleration,
                jerk,
            },
        )
    }

    /// PV-84. Source: Biagiotti and Melchiorri, section 3.4.
    #[test]
    fn durations_against_the_closed_formulas() {
        let duration = |j| profile(1.0, 0.25, 0.5, j).duration();
        assert!((duration(2.0) - 4.75).abs() < 1e-6);
        assert!((duration(0.5) - 5.414_213_6).abs() < 1e-6);
        let steepest = (0..5500)
            .map(|i| profile(1.0, 0.25, 0.5, 0.5).at(0.001 * i as f32).acceleration)
            .fold(0.0, math::max);
        assert!((steepest - 0.353_553_4).abs() < 1e-3, "{steepest}");
    }

    /// PV-83. Source: the same, chapter 3: with a jerk without limit the double-S is the trapezoid.
    #[test]
    fn with_any_jerk_it_is_the_trapezoid() {
        assert!((profile(1.0, 0.25, 0.5, 1e5).duration() - 4.5).abs() < 2e-5);
        let short = profile(0.1, 0.25, 0.5, 1e5);
        assert!((short.duration() - 0.894_427_2).abs() < 2e-5);
        assert!((short.at(0.447_213_6).speed - 0.223_606_8).abs() < 2e-5);
    }

    /// What it says of speed and acceleration is how its way changes; its limits hold; it ends where it should, at rest.
    #[test]
    fn way_speed_acceleration_and_jerk_belong_together() {
        for length in [0.001, 0.02, 0.1, 0.3, 1.0, 3.0] {
            for jerk in [0.5, 2.0, 20.0] {
                let p = profile(length, 0.25, 0.5, jerk);
                let (mut way, mut last) = (0.0_f64, p.at(0.0));
                assert_eq!(last, Moment::default());
                for i in 1..=ticks(p.duration()) {
                    let now = p.at(i as f32 * 1e-3);
                    way += 0.5e-3 * f64::from(last.speed + now.speed);
                    assert!(
                        (f64::from(now.way) - way).abs() < 2e-5,
                        "{length} {jerk}: {now:?} {way}"
                    );
                    assert!(now.speed >= -1e-6 && now.speed <= 0.25 + 1e-6);
                    assert!(now.acceleration.abs() <= 0.5 + 1e-5);
                    let change = (now.acceleration - last.acceleration).abs();
                    assert!(change <= jerk * 1e-3 + 2e-5, "{length} {jerk}: {last:?} {now:?}");
                    last = now;
                }
                assert_eq!((last.way, last.speed), (length, 0.0));
            }
        }
    }

    #[test]
    fn cube_roots() {
        for x in [1e-9_f32, 1e-3, 0.5, 1.0, 27.0, 1e6] {
            assert!((cube_root(x) / x.cbrt() - 1.0).abs() < 3e-7, "{x}");
        }
        assert_eq!(cube_root(0.0), 0.0);
    }

    /// From rest to full speed it takes its time, goes straight, not past, and with no more jerk than it says; and back.
    #[test]
    fn a_ramp_takes_its_time_and_bends_gently() {
        let time = 0.3;
        let asked = [0.5, -0.25, 0.1, 0.0, 0.2, 0.0];
        let mut ramp = Ramp::default();
        for (asked, from) in [(asked, [0.0; 6]), ([0.0; 6], asked)] {
            let mut ticks = 0;
            while ramp.rate != asked {
                let before = ramp;
                ramp.step(&asked, &FULL, time, DT);
                ticks += 1;
                let jerk = zip(&ramp.change, &before.change, |a, b| (a - b) / DT);
                assert!(
                    largest_share(&jerk, &FULL) <= 2.01 * SHARPEST / (time * time),
                    "{jerk:?}"
                );
                assert!(largest_share(&ramp.change, &FULL) <= 1.001 * STEEPEST / time);
                let part = (ramp.rate[0] - from[0]) / (asked[0] - from[0]);
                assert!((-1e-6..=1.000_001).contains(&part), "{part}");
                for (row, (from, to)) in ramp.rate.iter().zip(from.iter().zip(&asked)) {
                    assert!((row - from - part * (to - from)).abs() < 1e-5, "bent");
                }
                assert!(ticks < 200, "never there");
            }
            let took = ticks as f32 * DT;
            assert!((took - time).abs() < 0.03 * time + 2.0 * DT, "{took} s");
        }
        assert!(ramp.at_rest());
    }

    #[test]
    fn a_ramp_that_is_asked_for_something_else_in_between_gets_there() {
        let mut ramp = Ramp::default();
        for tick in 0..2000 {
            let back = if (tick / 37) % 2 == 0 { 1.0 } else { -1.0 };
            let asked = [0.5 * back, 0.3, -0.2 * back, 0.0, 0.0, 0.4 * back];
            ramp.step(&asked, &FULL, 0.3, DT);
            assert!(largest_share(&ramp.rate, &FULL) <= 1.01);
        }
        for _ in 0..300 {
            ramp.step(&[0.0; 6], &FULL, 0.3, DT);
        }
        assert!(ramp.at_rest(), "{ramp:?}");
    }
}
