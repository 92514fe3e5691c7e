//! The mapping: which signal of the machine stands where at the terminals, as one TOML file says it.
//!
//! Terminals are two images, one that is read and one that is written: bytes of a file or a character device, or registers and coils of a
//! Modbus server. [`read`] checks the file against the machine: whatever the machine wants and the file lacks is one message, as is a place
//! that is taken twice or lies outside of its image. Both ends read the same file: `bellcrank-linux` and `bellcrank plant --io`.
//!
//! Zeros are safe. An image of zeros that is written has every relay off and every valve without a signal; a scale with which that is not so
//! is refused, because terminals that lose their controller put out zeros. In one that is read every contact is open.

mod claims;
mod file;
mod frame;
mod place;
mod stations;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use bellcrank_core::Machine;
use bellcrank_core::machine::{Axis, AxisId};
use bellcrank_machine::document::BuiltIn;

pub use file::{machine_of, read};
pub use place::{Analogue, Bit, Format, Order, Word};
pub use stations::{Button, PadAxis, PadLever, PadPlaces, StationPlaces, WiredLever, WiredPlaces};

/// The mappings that come with the software, for each built-in machine: name and text. Their terminals are made up.
pub const BUILTIN: [BuiltIn; 4] = [
    ("yard-digger-image", include_str!("../../io/yard-digger-image.toml")),
    ("yard-digger-modbus", include_str!("../../io/yard-digger-modbus.toml")),
    ("servo-digger-image", include_str!("../../io/servo-digger-image.toml")),
    (
        "drystone-setter-image",
        include_str!("../../io/drystone-setter-image.toml"),
    ),
];

/// What the mapping is for: the core's machine, and what its axes are called.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'m> {
    /// The machine.
    pub machine: &'m Machine,
    /// The names of its axes, in their order.
    pub names: &'m [String],
}

/// Where everything stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Mapping {
    /// What it is called.
    pub name: String,
    /// The machine that it was written for, by the name of a built-in one or of a file.
    pub machine: String,
    /// How the images come and go.
    pub terminals: Terminals,
    /// Length of the image that is read, bytes.
    pub input_bytes: usize,
    /// Length of the image that is written, bytes.
    pub output_bytes: usize,
    /// Counters that show that the other end lives. None: with Modbus an answer shows it.
    pub life: Option<LifePlaces>,
    /// Longest without a sign of life.
    pub life_within: Duration,
    /// The terminals put out zeros by themselves when nothing has been written for so long.
    pub watchdog: Duration,
    /// Both channels of the stop chain: set is closed, which is healthy.
    pub stop_chain: [Bit; 2],
    /// The reset button: set while it is pressed.
    pub reset: Bit,
    /// Set while the selector points at the wireless station.
    pub remote_selected: Option<Bit>,
    /// Set while the key is turned to work.
    pub working: Option<Bit>,
    /// The control voltage.
    pub supply: Option<Analogue>,
    /// Valve power, dump valve, engine.
    pub relays: [RelayPlaces; 3],
    /// The axes, in the machine's order.
    pub axes: Vec<AxisPlaces>,
    /// The station at the seat.
    pub seat: StationPlaces,
    /// The wireless station.
    pub remote: Option<StationPlaces>,
}

/// How the images come and go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Terminals {
    /// Bytes of a file or a character device.
    Image {
        /// Which.
        file: PathBuf,
        /// Where in it the image begins that is read, bytes.
        inputs_at: u64,
        /// Where the one begins that is written, bytes.
        outputs_at: u64,
    },
    /// A Modbus TCP server.
    Modbus(ModbusPlaces),
}

/// What a Modbus server has. The image that is read is the input registers, high byte first, and then the discrete inputs, eight in a byte;
/// the one that is written is the holding registers and then the coils.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModbusPlaces {
    /// Where it listens.
    pub address: SocketAddr,
    /// Its unit number.
    pub unit: u8,
    /// Input registers (function 4).
    pub input_registers: Span,
    /// Discrete inputs (function 2).
    pub discretes: Span,
    /// Holding registers (function 16).
    pub holding_registers: Span,
    /// Coils (function 15).
    pub coils: Span,
    /// Time from one exchange to the next.
    pub every: Duration,
    /// An answer that takes longer is none, and ends the connection.
    pub answer: Duration,
}

/// So many addresses from the first on. None is a count of 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Span {
    /// The first, as it goes over the wire: from 0.
    pub first: u16,
    /// How many.
    pub count: u16,
}

/// A counter in each direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LifePlaces {
    /// Counts up whenever the watchdog is fed.
    pub told: Word,
    /// The other end repeats here the newest that it has seen.
    pub echo: Word,
}

/// A relay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RelayPlaces {
    /// Set: it gets current.
    pub told: Bit,
    /// Its feedback contact: set while it has pulled in.
    pub contact: Option<Bit>,
}

/// The terminals of an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisPlaces {
    /// What the axis is called.
    pub name: String,
    /// The sensor that it is driven by, V.
    pub sensor: Analogue,
    /// The one that confirms it, V.
    pub twin: Option<Analogue>,
    /// What feeds them, V.
    pub excitation: Option<Analogue>,
    /// Its valve.
    pub valve: ValvePlaces,
}

/// The terminals of a valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ValvePlaces {
    /// A duty, as a share.
    Duty(Analogue),
    /// A voltage of either sign, V.
    Voltage(Analogue),
    /// Two currents, A: that of the coil that extends, and that of the one that retracts.
    Coils(Analogue, Analogue),
}

impl<'m> Wanted<'m> {
    /// The axes with their names.
    pub fn axes(self) -> impl Iterator<Item = (AxisId, &'m str, &'m Axis)> {
        let names = self.names.iter().map(String::as_str);
        let axes = self.machine.axes().zip(names);
        axes.map(|((id, axis), name)| (id, name, axis))
    }
}

impl Mapping {
    /// The watchdog, as a duration of the core's.
    pub fn watchdog_window(&self) -> (bellcrank_core::units::Duration, bellcrank_core::units::Duration) {
        (micros(Duration::ZERO), micros(self.watchdog))
    }

    /// The time for a sign of life, as a duration of the core's.
    pub fn life(&self) -> bellcrank_core::units::Duration {
        micros(self.life_within)
    }

    /// The stations that there are.
    pub fn stations(&self) -> impl Iterator<Item = &StationPlaces> {
        std::iter::once(&self.seat).chain(&self.remote)
    }
}

/// A time of a mapping, none of which is longer than a minute.
fn micros(duration: Duration) -> bellcrank_core::units::Duration {
    bellcrank_core::units::Duration::from_ticks(u32::try_from(duration.as_micros()).unwrap_or(u32::MAX))
}

#[cfg(test)]
mod tests;
