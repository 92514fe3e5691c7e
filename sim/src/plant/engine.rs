//! The engine: torque under a droop governor, inertia, and a speed at which it dies.
//!
//! `J dω/dt = torque(ω) - pumps - drag`. The governor is fully open at the rated speed and below, closed at `1 + droop`
//! of it, linear between. Speeds here are relative to the rated one, so a pump's torque is its power at rated speed over
//! that speed. Below its stall speed the engine no longer fires, until it is switched off and on again; a starter then
//! brings it up. With the governor fully open the torque is the same at every speed; a real engine's falls on the way to
//! its stall speed, so a real one dies sooner.

use bellcrank_machine::description::Engine;

/// An engine and whether it fires.
#[derive(Debug, Clone, PartialEq)]
pub struct Governed {
    engine: Engine,
    firing: Firing,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Firing {
    /// Switched off, or dead.
    No,
    /// Started, and not yet above its stall speed.
    Starting,
    Yes,
}

impl Governed {
    /// Running.
    pub fn new(engine: &Engine) -> Governed {
        Governed {
            engine: engine.clone(),
            firing: Firing::Yes,
        }
    }

    /// Speed without load, relative to the rated one.
    pub fn idle(&self) -> f64 {
        1.0 + self.engine.droop * (1.0 - self.engine.drag / self.engine.torque)
    }

    /// What the ignition does at a speed: `before` and `on` are the switch at the last tick and now.
    pub fn switch(&mut self, before: bool, on: bool, speed: f64) {
        let stall = self.engine.stall / self.engine.rated;
        self.firing = match self.firing {
            _ if !on => Firing::No,
            Firing::No if !before => Firing::Starting,
            Firing::Starting if speed > 1.2 * stall => Firing::Yes,
            Firing::Yes if speed < stall => Firing::No,
            firing => firing,
        };
    }

    /// Whether it turns the pumps by itself.
    pub fn fires(&self) -> bool {
        self.firing != Firing::No
    }

    /// Slope of [`Governed::speed_rate`] over the speed, by the governor.
    pub fn speed_slope(&self, speed: f64) -> f64 {
        let e = &self.engine;
        if self.fires() && speed > 1.0 && speed < 1.0 + e.droop {
            -e.torque / (e.droop * e.inertia * e.rated)
        } else {
            0.0
        }
    }

    /// Rate of the relative speed under pumps that take so many watts at rated speed.
    pub fn speed_rate(&self, speed: f64, pumps: f64) -> f64 {
        let e = &self.engine;
        let open = ((1.0 + e.droop - speed) / e.droop).clamp(0.0, 1.0);
        let fired = if self.fires() { e.torque * open } else { 0.0 };
        // A shaft at rest is not turned backwards by its drag, nor by its pumps' check valves.
        let held = (e.drag + pumps / e.rated) * (speed / 0.02).clamp(0.0, 1.0);
        (fired - held) / (e.inertia * e.rated)
    }
}
