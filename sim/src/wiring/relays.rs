//! The three relays: coils that are told, and contacts that follow after a moment, if they do.
//!
//! What a relay switches, and the feedback contact that says where it is, hang on the same armature: they move together.

use bellcrank_core::inputs::Relays;

use crate::scenario::{FaultKind, Relay};

/// From current in the coil to closed contacts, and from no current to open ones, s: small industrial relays (common practice, no source).
const PULL_IN_S: f64 = 0.015;
pub(crate) const DROP_OUT_S: f64 = 0.010;

/// One relay.
#[derive(Debug, Clone, Copy, Default)]
struct Coil {
    told: bool,
    since: f64,
    pulled_in: bool,
}

/// All of them.
#[derive(Debug, Clone, Default)]
pub struct Coils([Coil; 3]);

impl Coils {
    /// What each is told at time `t`, s, with the faults that are on: gives where the contacts are.
    pub fn step(&mut self, t: f64, told: Relays, faults: &[FaultKind]) -> Relays {
        let told = [told.valve_power, told.dump_closed, told.engine_run];
        for ((coil, told), relay) in self.0.iter_mut().zip(told).zip(Relay::ALL) {
            if faults.contains(&FaultKind::RelayWelded { relay }) {
                coil.pulled_in = true;
            } else {
                coil.step(t, told && !faults.contains(&FaultKind::RelayDead { relay }));
            }
        }
        self.contacts()
    }

    /// Where the contacts are: true is pulled in.
    pub fn contacts(&self) -> Relays {
        let [valve_power, dump_closed, engine_run] = self.0.map(|coil| coil.pulled_in);
        Relays {
            valve_power,
            dump_closed,
            engine_run,
        }
    }
}

impl Coil {
    fn step(&mut self, t: f64, told: bool) {
        if told != self.told {
            (self.told, self.since) = (told, t);
        }
        let takes = if told { PULL_IN_S } else { DROP_OUT_S };
        if t - self.since > takes - 1e-9 {
            self.pulled_in = told;
        }
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

    fn contacts(coils: &mut Coils, t: f64, told: Relays, faults: &[FaultKind]) -> [bool; 3] {
        let found = coils.step(t, told, faults);
        [found.valve_power, found.dump_closed, found.engine_run]
    }

    #[test]
    fn contacts_follow_after_a_moment() {
        let mut coils = Coils::default();
        assert_eq!(contacts(&mut coils, 1.0, ON, &[]), [false; 3]);
        assert_eq!(contacts(&mut coils, 1.014, ON, &[]), [false; 3]);
        assert_eq!(contacts(&mut coils, 1.015, ON, &[]), [true; 3]);
        assert_eq!(contacts(&mut coils, 2.0, Relays::default(), &[]), [true; 3]);
        assert_eq!(contacts(&mut coils, 2.010, Relays::default(), &[]), [false; 3]);
    }

    #[test]
    fn a_welded_one_stays_and_a_dead_one_lets_go() {
        let mut coils = Coils::default();
        contacts(&mut coils, 0.0, ON, &[]);
        contacts(&mut coils, 0.1, ON, &[]);
        let faults = [
            FaultKind::RelayWelded { relay: Relay::Dump },
            FaultKind::RelayDead { relay: Relay::Engine },
        ];
        contacts(&mut coils, 0.2, ON, &faults);
        assert_eq!(contacts(&mut coils, 0.3, ON, &faults), [true, true, false]);
        contacts(&mut coils, 0.4, Relays::default(), &faults);
        assert_eq!(
            contacts(&mut coils, 0.5, Relays::default(), &faults),
            [false, true, false]
        );
    }
}
