//! The relays watched: does each feedback contact follow what its relay is told?
//!
//! Trigger: the contact is not where the relay was told to be, without a break, for the machine's `relay` time, which is the detection
//! time too. Scope: the machine. Category 0: a relay that does not let go leaves its path open, and the other two must end the motion.
//! It clears once the contact follows again.

use crate::cause::Cause;
use crate::inputs::Relays;
use crate::units::{Duration, Held};

/// For how long each relay has not been where it was told to be.
#[derive(Debug, Clone, Copy, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RelayWatch {
    valve_power: Held,
    dump_closed: Held,
    engine_run: Held,
}

impl RelayWatch {
    /// One tick: what the relays were told in the last, what their contacts say now, and in which time they must follow.
    pub fn step(&mut self, told: Relays, says: Relays, time: Duration, dt: Duration) -> [Option<Cause>; 3] {
        [
            (
                &mut self.valve_power,
                told.valve_power != says.valve_power,
                Cause::PowerRelay,
            ),
            (
                &mut self.dump_closed,
                told.dump_closed != says.dump_closed,
                Cause::DumpRelay,
            ),
            (
                &mut self.engine_run,
                told.engine_run != says.engine_run,
                Cause::EngineRelay,
            ),
        ]
        .map(|(held, differs, cause)| held.reaches(time, differs, dt).then_some(cause))
    }
}
