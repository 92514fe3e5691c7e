//! How well a tip keeps to where it should be, by truth: the plant's own tip against an ideal one.
//!
//! The ideal tip begins where the plant's tip is when the levers begin to lead it, and goes on at the velocity that they ask for after
//! planning's ramp, summed up tick by tick. Nothing pulls it back: unlike the point that planning itself keeps
//! ([`bellcrank_core::last_tick::LastTick`]'s `tips`, on a leash), it shows the whole error, what the sensors do not see and what the
//! guard or an actuator at its fastest held back included. When the levers have been let go it stays where it stopped, and the tip should
//! too: that counts for another [`SETTLE_S`], so that what is still missing and what swings are not left out.
//!
//! The error has two figures: across, to the nearest place on the path, and whole, to the ideal tip. The second over the greatest
//! speed is ρ, s: so many seconds late is the tip at worst. It is a figure by which hydraulic manipulators are compared (Mattila,
//! Koivumäki, Caldwell, Semini, IEEE/ASME Trans. Mechatronics 2017; *from memory*).
//! The greatest speed is the tip's own, and a tip that swings is at times much faster than it was asked to be: the same error over the
//! greatest speed at which it was led stands beside it.

use bellcrank_core::supervise::State;
use nalgebra::Vector3;
use schemars::JsonSchema;
use serde::Serialize;

use crate::scenario::Scenario;
use crate::trace::{Sample, Trace};

/// For how long after the point has stopped the tip is still looked at, s.
pub const SETTLE_S: f64 = 0.5;

/// How far around the point, in samples, the nearest place on the path is looked for.
const NEAR: usize = 50;

/// How well a tip was led.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Tracking {
    /// Name of the arm.
    pub arm: String,
    /// Root mean square of the error across the path, m.
    pub path_rms_m: f64,
    /// Largest error across the path, m.
    pub path_largest_m: f64,
    /// Largest distance from where the tip should have been at the time, along the path included, m.
    pub position_largest_m: f64,
    /// Greatest speed of the tip meanwhile, m/s.
    pub fastest_m_s: f64,
    /// Greatest speed at which it was led, m/s.
    pub led_m_s: f64,
    /// Largest position error over greatest speed of the tip, s.
    pub rho_s: f64,
    /// Largest position error over the greatest speed at which the tip was led, s: no swing flatters it.
    pub rho_led_s: f64,
}

impl Tracking {
    /// The figures in one line.
    pub fn line(&self) -> String {
        format!(
            "{}: off its path {:.1} mm at most, {:.1} mm rms; from where it should be {:.1} mm at most, led at up to {:.0} mm/s and \
             at up to {:.0} mm/s itself: ρ {:.3} s",
            self.arm,
            1e3 * self.path_largest_m,
            1e3 * self.path_rms_m,
            1e3 * self.position_largest_m,
            1e3 * self.led_m_s,
            1e3 * self.fastest_m_s,
            self.rho_s,
        )
    }
}

/// The figures of each arm whose tip was led, up to the first fault.
pub fn tracking(scenario: &Scenario, trace: &Trace) -> Vec<Tracking> {
    let until = scenario.first_fault().unwrap_or(f64::INFINITY);
    let healthy: Vec<&Sample> = trace.samples.iter().take_while(|sample| sample.t < until).collect();
    let arms = scenario.machine.arms.iter().enumerate();
    arms.filter_map(|(arm, description)| measure(&description.name, &follow(&healthy, arm)))
        .collect()
}

/// The figures over the moments of one arm; none where there are none, or where the tip never moved.
fn measure(arm: &str, moments: &[Moment]) -> Option<Tracking> {
    let path: Vec<Vector3<f64>> = moments.iter().map(|at| at.ideal).collect();
    let near = |i: usize| &path[i.saturating_sub(NEAR)..path.len().min(i + NEAR + 1)];
    let across: Vec<f64> = moments
        .iter()
        .enumerate()
        .map(|(i, at)| to_path(at.tip, near(i)))
        .collect();
    let fastest = moments.iter().map(|at| at.speed).fold(0.0, f64::max);
    let position = moments.iter().map(|at| (at.tip - at.ideal).norm()).fold(0.0, f64::max);
    let ahead = moments.iter().zip(moments.iter().skip(1));
    let led = ahead.map(|(one, next)| (next.ideal - one.ideal).norm() / (next.t - one.t));
    let led = led.fold(0.0, f64::max);
    (fastest > 0.0 && led > 0.0).then(|| Tracking {
        arm: arm.to_string(),
        path_rms_m: (across.iter().map(|e| e * e).sum::<f64>() / across.len() as f64).sqrt(),
        path_largest_m: across.into_iter().fold(0.0, f64::max),
        position_largest_m: position,
        fastest_m_s: fastest,
        led_m_s: led,
        rho_s: position / fastest,
        rho_led_s: position / led,
    })
}

/// A moment at which a tip has a place to be.
#[derive(Debug, Clone, Copy)]
struct Moment {
    /// When, s.
    t: f64,
    /// Where it should be, m.
    ideal: Vector3<f64>,
    /// Where it is, m.
    tip: Vector3<f64>,
    /// How fast it is, m/s.
    speed: f64,
}

/// Every moment at which the tip of an arm has a place to be: while it is led, and [`SETTLE_S`] after, as long as the machine drives.
fn follow(samples: &[&Sample], arm: usize) -> Vec<Moment> {
    let mut last: Option<(f64, Vector3<f64>)> = None;
    let drives = samples.iter().filter(|sample| sample.state == State::Enabled);
    drives
        .filter_map(|sample| {
            let here = &sample.arms[arm];
            last = here.ideal.map(|ideal| (sample.t, ideal)).or(last);
            let (led_at, ideal) = last?;
            (sample.t - led_at <= SETTLE_S).then(|| Moment {
                t: sample.t,
                ideal,
                tip: here.tip(),
                speed: here.tip_speed,
            })
        })
        .collect()
}

/// Distance of a point from a path of short straight pieces.
fn to_path(point: Vector3<f64>, path: &[Vector3<f64>]) -> f64 {
    let to_piece = |ends: &[Vector3<f64>]| {
        let (from, piece) = (ends[0], ends[1] - ends[0]);
        let square = piece.norm_squared();
        let share = if square > 0.0 {
            ((point - from).dot(&piece) / square).clamp(0.0, 1.0)
        } else {
            0.0
        };
        (point - from - share * piece).norm()
    };
    let first = path.first().map_or(f64::INFINITY, |first| (point - first).norm());
    path.windows(2).map(to_piece).fold(first, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn across_is_to_the_nearest_place_and_not_to_the_nearest_corner() {
        let path = [Vector3::zeros(), Vector3::x(), Vector3::new(1.0, 1.0, 0.0)];
        assert!((to_path(Vector3::new(0.5, 0.2, 0.0), &path) - 0.2).abs() < 1e-12);
        assert!((to_path(Vector3::new(0.8, 0.5, 0.0), &path) - 0.2).abs() < 1e-12);
        assert!((to_path(Vector3::new(-0.3, 0.4, 0.0), &path) - 0.5).abs() < 1e-12);
    }

    /// A tip that runs along x a tenth of a second late and 3 mm to the side: worked by hand.
    #[test]
    fn a_late_tip_beside_its_path_has_the_figures_of_its_making() {
        let (speed, late, beside) = (0.2, 0.1, 0.003);
        let moments: Vec<Moment> = (0..200)
            .map(|i| 0.01 * f64::from(i))
            .map(|t| Moment {
                t,
                ideal: Vector3::new(speed * t, 0.0, 0.0),
                tip: Vector3::new(speed * (t - late).max(0.0), beside, 0.0),
                speed: if t < late { 0.0 } else { speed },
            })
            .collect();
        let found = measure("arm", &moments).unwrap();
        assert!((found.path_rms_m - beside).abs() < 1e-12);
        assert!((found.path_largest_m - beside).abs() < 1e-12);
        assert!((found.position_largest_m - f64::hypot(speed * late, beside)).abs() < 1e-12);
        assert!((found.rho_s - found.position_largest_m / speed).abs() < 1e-12);
        assert!((found.led_m_s - speed).abs() < 1e-12 && (found.rho_led_s - found.rho_s).abs() < 1e-12);
    }

    #[test]
    fn a_tip_that_nothing_leads_has_no_figures() {
        assert_eq!(measure("arm", &[]), None);
    }
}
