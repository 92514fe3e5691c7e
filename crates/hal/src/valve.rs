//! What a valve is told by, whatever its kind: the face that [`PwmValve`](crate::PwmValve), [`CoilPair`](crate::CoilPair) and
//! [`DacValve`](crate::DacValve) have in common.

use bellcrank_core::machine::Channel;
use bellcrank_core::outputs::ValveSignal;

use crate::trouble::Fault;

/// The output to one valve.
pub trait ValveOut {
    /// Puts a signal on the terminals.
    ///
    /// # Errors
    /// The signal may not be there: the output was not to be reached, or the signal is of another kind than the output. It has then been
    /// tried to switch it off, and the board takes the current of every relay.
    fn set(&mut self, signal: ValveSignal) -> Result<(), Fault>;

    /// Takes the signal away: no pulses, no current, or, of a voltage, the one at which the valve is closed.
    ///
    /// # Errors
    /// It may still be there.
    fn off(&mut self) -> Result<(), Fault>;

    /// It is of the kind that the machine's channel is, and reaches as far.
    fn takes(&self, channel: &Channel) -> bool;
}

/// The outcome of a signal that could not be given: the output is off, as far as that goes.
pub(crate) fn off_for<V: ValveOut + ?Sized>(valve: &mut V, fault: Fault) -> Result<(), Fault> {
    valve.off()?;
    Err(fault)
}
