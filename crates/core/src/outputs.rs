//! All that one tick commands.

use crate::cause::Cause;
use crate::machine::{AxisId, PerAxis};
use crate::supervise::State;
use crate::units::Duty;

/// The outputs of one tick. Without current every path is the safe one: valves centred, dump open, engine stopped.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Outputs {
    /// PWM duty of each valve channel.
    pub duties: PerAxis<Duty>,
    /// Power to the valves' electronics.
    pub valve_power: bool,
    /// Current to the dump valve: with it the valve is closed and the supply can build pressure.
    pub dump_closed: bool,
    /// The engine may run.
    pub engine_run: bool,
    /// Changes with every tick: feeds the external watchdog.
    pub alive: bool,
    /// For lamps and displays.
    pub status: Status,
}

/// What the operator is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status {
    /// State of the interlock.
    pub state: State,
    /// Why it stands still, if something is latched.
    pub cause: Option<Cause>,
    /// The axis concerned, if it is one.
    pub axis: Option<AxisId>,
}
