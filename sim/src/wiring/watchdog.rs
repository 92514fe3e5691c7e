//! The external window watchdog: it takes the current of every relay when it is fed too soon or too late, until the power is cycled.
//!
//! It is fed by each change of the core's `alive`. It begins with the first; the time until then is the board's, which starts without current.

use bellcrank_core::inputs::Relays;

/// A watchdog with a window.
#[derive(Debug, Clone)]
pub struct Watchdog {
    /// Soonest and latest, s. None where the machine has none.
    window: Option<(f64, f64)>,
    /// The level that it last saw, and when it was fed last, s.
    level: bool,
    fed: Option<f64>,
    tripped: bool,
}

impl Watchdog {
    /// With the window of a machine file.
    pub fn new(window: Option<(f64, f64)>) -> Self {
        Self {
            window,
            level: false,
            fed: None,
            tripped: false,
        }
    }

    /// Sees the level of `alive` at time `t`, s.
    pub fn look(&mut self, t: f64, alive: bool) {
        let Some((early, late)) = self.window else { return };
        let since = self.fed.map(|fed| t - fed);
        let edge = alive != self.level;
        let soon = edge && since.is_some_and(|since| since < early - 1e-9);
        self.tripped |= soon || since.is_some_and(|since| since > late + 1e-9);
        if edge {
            (self.level, self.fed) = (alive, Some(t));
        }
    }

    /// What reaches the relays of what they are told.
    pub fn lets(&self, told: Relays) -> Relays {
        if self.tripped { Relays::default() } else { told }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ON: Relays = Relays {
        valve_power: true,
        dump_closed: true,
        engine_run: true,
    };

    /// Fed at these times, ms, and looked at after the last.
    fn passes(fed: &[f64], looked_at: f64) -> bool {
        let mut watchdog = Watchdog::new(Some((0.001, 0.012)));
        let mut alive = false;
        for t in fed {
            alive = !alive;
            watchdog.look(1e-3 * t, alive);
        }
        watchdog.look(1e-3 * looked_at, alive);
        watchdog.lets(ON) == ON
    }

    #[test]
    fn it_is_fed_inside_its_window_or_trips_for_good() {
        assert!(passes(&[2.0, 4.0, 6.0, 18.0], 20.0));
        assert!(!passes(&[2.0, 4.0, 4.5, 6.0, 8.0], 10.0), "too soon, once");
        assert!(!passes(&[2.0, 4.0, 17.0, 19.0], 21.0), "too late, once");
        assert!(!passes(&[2.0, 4.0], 17.0), "no more");
        assert!(passes(&[], 100.0), "not yet begun");
    }

    #[test]
    fn a_machine_without_one_is_not_watched() {
        let mut watchdog = Watchdog::new(None);
        watchdog.look(0.0, true);
        watchdog.look(9.0, false);
        assert_eq!(watchdog.lets(ON), ON);
    }
}
