//! All that one tick commands.

use crate::cause::Cause;
use crate::inputs::Relays;
use crate::machine::{AxisId, Channel, PerAxis};
use crate::supervise::{Blame, State};
use crate::units::{Amps, Duty, Volts};

/// The outputs of one tick. Without current every path is the safe one: valves centred, dump open, engine stopped.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Outputs {
    /// What goes to each valve.
    pub valves: PerAxis<ValveSignal>,
    /// What each relay is told.
    pub relays: Relays,
    /// Changes with every tick that went through every stage in order: feeds the external watchdog, which may have a window.
    pub alive: bool,
    /// For lamps and displays.
    pub status: Status,
}

/// What goes to one valve, of the kind that its channel is.
#[derive(Debug, Clone, Copy, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum ValveSignal {
    /// To electronics that read a pulse width.
    Duty(Duty),
    /// To two coils. One of them is always without current.
    Currents {
        /// The coil that extends.
        out: Amps,
        /// The coil that retracts.
        inward: Amps,
    },
    /// To electronics that read a voltage.
    Voltage(Volts),
}

impl Default for ValveSignal {
    /// No signal at all, to a valve that there is not.
    fn default() -> Self {
        Self::Duty(Duty::default())
    }
}

impl ValveSignal {
    /// The signal at which the valve of a channel is closed: the neutral duty, no current in either coil, 0 V.
    pub fn stay(channel: &Channel) -> Self {
        match channel {
            Channel::Pwm(pwm) => Self::Duty(pwm.stay()),
            Channel::Coils(_) => Self::Currents {
                out: Amps::default(),
                inward: Amps::default(),
            },
            Channel::Voltage(_) => Self::Voltage(Volts::default()),
        }
    }

    /// It as one number, for records: the duty; the extending coil's current less the retracting one's, A; the voltage, V.
    pub fn number(self) -> f32 {
        match self {
            Self::Duty(duty) => duty.share(),
            Self::Currents { out, inward } => out.amps() - inward.amps(),
            Self::Voltage(volts) => volts.volts(),
        }
    }
}

/// What the operator is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Status {
    /// State of the interlock.
    pub state: State,
    /// Why it stands still, if something is latched.
    pub cause: Option<Cause>,
    /// The axis concerned, if it is one.
    pub axis: Option<AxisId>,
    /// What was latched when the controller last lost its power, until it is enabled again.
    pub before: Option<Blame>,
}
