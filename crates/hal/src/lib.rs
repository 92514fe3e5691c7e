//! Bellcrank on a board: the pieces with which the control core is put on a microcontroller, and the loop that joins them.
//!
//! The core takes one [`Inputs`](bellcrank_core::Inputs) and gives one [`Outputs`](bellcrank_core::Outputs) a tick; it knows no pin.
//! Here stand the adapters from the traits of `embedded-hal` 1.0 and `embedded-io` to these two, a board that is put together from them
//! ([`Wired`]), and [`Cycle::turn`]: read, tick, write, feed the watchdog. What any microcontroller's own crate gives by those traits
//! can be put in.
//!
//! Like the core, this crate reads no clock, allocates nothing, has no `unsafe`, and has no panic of its own. A turn is bounded: so
//! many transfers, so many bytes ([`BYTES_A_TURN`]), and no waiting. How long a transfer takes, and that it ends, is the bus driver's
//! affair; one that hangs starves the watchdog.
//!
//! Nothing in this crate makes a machine safe or certifies it. A competent person does that, under the local rules, with the machine's
//! own risk assessment. First motion is at low flow, one axis, nobody in reach.
//!
//! # A port in ten steps
//!
//! Before them: `bellcrank pack MACHINE.toml --out machine.img` prints all that a board must have for this machine, and makes the image that
//! `bellcrank_core::machine::image::read` (feature `image`) takes on the board (as a file for the flash, or, with `--rust`, as a constant).
//!
//! 1. **Relays first.** Wire valve power, dump valve and engine so that each is off without current, and so that their drivers are off
//!    while the processor is in reset: by resistors, not by software. The external watchdog takes the current of all three by itself.
//!    Put a [`PinRelay`] at each, and a [`PinContact`] at each feedback contact, closed while its relay has pulled in.
//! 2. **The stop chain.** Both channels to pins of their own, closed while all is well, each with a resistor that makes a broken wire
//!    an open contact. No debouncing, no logic: the core does that. The chain itself acts on the relays without the processor, too.
//! 3. **The panel.** The reset button, the selector if there is a wireless station, the key if the machine is slower in commissioning.
//! 4. **Valves.** One output an axis, in the order of the axes in the machine file: [`PwmValve`], [`CoilPair`] or, with your own
//!    [`Dac`], [`DacValve`]. Set the frequency where you set up the timer. Look at each with a scope before a valve hangs on it.
//! 5. **Voltages.** Describe your converter by a [`Converter`] out of its data sheet, put it on [`SpiBus`] or [`I2cBus`], and say in
//!    [`Taps`] which channel is which sensor; the control voltage has a tap of its own. For the processor's own converter, have
//!    [`Analogue`]. A converter that reads levers too is two [`Sampler`]s with some of its channels each, on a bus that is shared (the
//!    crate `embedded-hal-bus` has such). Compare each channel with a voltmeter.
//! 6. **Hands.** [`LinkHands`] on a serial port for a hand control that proves who it is, [`WiredHands`] for levers with
//!    potentiometers. A serial port wants a buffer in the driver for all that comes in a tick. A
//!    [`MachineEnd`](bellcrank_link::MachineEnd) wants a pairing key, brought over a cable, and a boot number that never comes twice under
//!    it: a true random source, or a count of starts that is kept.
//! 7. **The watchdog.** [`PinWatchdog`], or your own [`Watchdog`], with a window around the tick. A watchdog inside the processor is no
//!    substitute for one outside that acts on the relays.
//! 8. **Join them** into a [`Wired`], give it to [`Cycle::new`] with the machine and what was kept over the power, and mind what it
//!    says: a [`Misfit`] names what the machine wants and the board has not.
//! 9. **Turn.** From a hardware timer, every `tick_ms`, call [`Cycle::turn`] with the time in microseconds since the start. Keep
//!    [`Turn::record`] where it outlives the power (it changes with every change of state: a memory that wears out is the wrong one).
//!    Show [`Turn::troubles`] and the status to whoever looks for faults.
//! 10. **Break it.** Pull each wire, and short it to its neighbours, with the hydraulics off: for each, the table below says what must
//!     happen. Then the same with one axis at low flow and nobody in reach.
//!
//! Before the tenth step, and again after each change of compiler or board, the port can be tried out with nothing wired to it: serve by
//! the feature `exchange` on any serial line (`exchange::serve` in a firmware of its own), and run
//! `bellcrank port-check MACHINE --serial DEVICE`. It feeds the board 20,000 ticks of that machine and says in which tick and field the first bit
//! differs, whether a turn takes more than half of the tick, and whether everything is switched off when the frames cease.
//!
//! # What fails, and what then
//!
//! Whatever fails, less moves. Each row is held by a test (`cycle/tests.rs`, `cycle/tests/failures.rs`, `board/tests.rs`, and those beside
//! each piece), but for the two that only the watchdog can notice: no turn, and a transfer that hangs.
//!
//! | what fails | counts as | what the core makes of it |
//! |---|---|---|
//! | a stop channel cannot be read | open | a stop at once; later that the channels differ |
//! | the reset button cannot be read | not pressed | no reset |
//! | the selector cannot be read | nobody is heard | the station in charge is lost: a stop |
//! | the key cannot be read | turned to commissioning | another authority: ends the motion, then slow |
//! | a feedback contact cannot be read | the opposite of what its relay was told | that relay is a fault after `relay_ms` |
//! | a converter does not answer, or gives garbage | no new reading: the last one ages | a sensor too old, after `stale_ms` |
//! | the control voltage is not read for longer than its reading may be old | not there | the supply is a fault after `debounce_ms` |
//! | a channel was never read | no reading | a sensor below its band |
//! | a lever outside of its band | no frame from its station | the station is lost |
//! | a lever's converter fails | an older frame | the station is lost after `frame_late_ms` |
//! | a wired enabling switch cannot be read | let go | ends the motion |
//! | a wired stop button cannot be read | pressed | a stop |
//! | bytes from a hand control are lost, changed, late, or forged | an older frame | the station is lost after `frame_late_ms` |
//! | the serial port cannot be read | an older frame | the station is lost after `frame_late_ms` |
//! | the serial port cannot be written | the hand control hears nothing and gives up, after [`QUIET`](bellcrank_link::QUIET) | the station is lost `frame_late_ms` later |
//! | a valve's output cannot be written, or its signal is of another kind | that output off, all relays off in the same turn | told a stop button: a stop, until a reset |
//! | a relay's output cannot be written | the other relays and all valves off, the watchdog starves | told a stop button: a stop, until a reset |
//! | the watchdog cannot be fed | not fed | nothing: it bites |
//! | a turn comes too late or too soon | the time that it is | a fault |
//! | the core leaves out a stage | `alive` does not turn over, so not fed | no power; the watchdog bites |
//! | no turn comes | not fed | nothing: the watchdog bites |
//! | a transfer hangs | not fed | nothing: the watchdog bites |
//! | the board has not all that the machine wants | [`Cycle::new`] refuses it, everything off | never starts |
//!
//! After an output that failed the status names the stop button of a hand control, since that is what the core was told; what really
//! failed stands in [`Turn::troubles`].
//!
//! What no software here can do: a driver that says it has done what it has not (a shorted transistor, a pin that was set up wrongly)
//! is found by the feedback contacts and by what the axes do, not by this crate; and a valve that sticks open is stopped by the dump
//! valve and the engine alone.
//!
//! # A made-up board
//!
//! One axis driven by a duty, a 12-bit converter on SPI, levers at the seat. `Chip` stands for what the microcontroller's own crate
//! gives.
//!
//! ```
//! use bellcrank_core::Machine;
//! use bellcrank_core::machine::{AxisId, PerAxis};
//! use bellcrank_core::units::{Duration, Instant, Volts};
//! use bellcrank_hal::{
//!     Coding, Converter, Cycle, Fixed, Input, LeverInput, Panel, PinContact, PinRelay, PinWatchdog, PwmValve, RelayPath,
//!     RelayPaths, Sampler, SpiBus, Tap, Taps, Turn, Wired, WiredHands,
//! };
//! use embedded_hal::digital::{InputPin, OutputPin, PinState::High};
//! use embedded_hal::pwm::SetDutyCycle;
//! use embedded_hal::spi::SpiDevice;
//!
//! /// The microcontroller, its pins set up and named.
//! struct Chip<I, O, P, S> {
//!     stop: [I; 2],
//!     reset: I,
//!     enable: I,
//!     feedback: [I; 3],
//!     relays: [O; 3],
//!     watchdog: O,
//!     slew: P,
//!     adc: S,
//!     lever_adc: S,
//! }
//!
//! fn run<I: InputPin, O: OutputPin, P: SetDutyCycle, S: SpiDevice>(
//!     machine: &Machine,
//!     chip: Chip<I, O, P, S>,
//!     mut next_tick: impl FnMut() -> Option<u64>,
//!     mut show: impl FnMut(&Turn),
//! ) -> Result<(), Box<dyn core::error::Error>> {
//!     // Two channels: the command asks for one, and the answer of three bytes has its result in the last 12 bits, under a 0.
//!     let zero = Fixed { mask: 0x1000, value: 0 };
//!     let sensor = Input { command: &[0x06, 0x00], scale: 2.0, fixed: zero };
//!     let supply = Input { command: &[0x06, 0x40], scale: 11.0, fixed: zero };
//!     let data = Converter {
//!         inputs: &[sensor, supply],
//!         fetch: &[],
//!         answer: 3,
//!         bits: 12,
//!         below: 0,
//!         coding: Coding::Straight,
//!         reference: Volts::new(5.0)?,
//!         conversion: Duration::from_ticks(0),
//!     };
//!     let mut adc = Sampler::new(SpiBus::new(chip.adc), data)?;
//!     let mut lever_adc = Sampler::new(SpiBus::new(chip.lever_adc), data)?;
//!     let tap = |channel| Tap { converter: 0, channel };
//!
//!     let volts = Volts::new;
//!     let levers = [LeverInput {
//!         channel: 0,
//!         fault_low: volts(0.2)?,
//!         low: volts(0.5)?,
//!         centre: volts(2.5)?,
//!         high: volts(4.5)?,
//!         fault_high: volts(4.8)?,
//!     }];
//!     let mut enable = PinContact::new(chip.enable, High);
//!     let mut seat = WiredHands::new(&mut lever_adc, &levers, &mut enable, None).ok_or("levers that do not rise")?;
//!
//!     let [mut stop, mut other_stop] = chip.stop.map(|pin| PinContact::new(pin, High));
//!     let mut reset = PinContact::new(chip.reset, High);
//!     let [mut power, mut dump, mut engine] = chip.relays.map(|pin| PinRelay::new(pin, High));
//!     let [mut power_is, mut dump_is, mut engine_is] = chip.feedback.map(|pin| PinContact::new(pin, High));
//!     let mut slew = PwmValve::new(chip.slew);
//!     let mut watchdog = PinWatchdog::new(chip.watchdog, (Duration::from_ticks(500), Duration::from_ticks(12_000)));
//!
//!     let mut sensors = PerAxis::default();
//!     let first = AxisId::new(0).ok_or("there is a first axis")?;
//!     sensors.set(first, Taps { signal: Some(tap(0)), ..Taps::default() });
//!     let mut board = Wired::new(
//!         Panel { stop_chain: [&mut stop, &mut other_stop], reset: &mut reset, remote_selected: None, working: None },
//!         &mut seat,
//!         RelayPaths {
//!             valve_power: RelayPath { relay: &mut power, feedback: Some(&mut power_is) },
//!             dump: RelayPath { relay: &mut dump, feedback: Some(&mut dump_is) },
//!             engine: RelayPath { relay: &mut engine, feedback: Some(&mut engine_is) },
//!         },
//!         &mut watchdog,
//!     );
//!     board.sensors = sensors;
//!     board.supply = Some((tap(1), Duration::from_ticks(10_000)));
//!     board.converters.push(&mut adc).ok();
//!     board.valves.push(&mut slew).ok();
//!
//!     let mut cycle = Cycle::new(machine, board, None)?;
//!     while let Some(micros) = next_tick() {
//!         show(&cycle.turn(Instant::from_ticks(micros)));
//!     }
//!     Ok(())
//! }
//! ```

#![no_std]
#![forbid(unsafe_code)]
#![deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]
#![deny(
    clippy::arithmetic_side_effects,
    reason = "an integer that overflows panics in a debug build"
)]
#![cfg_attr(
    test,
    allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)
)]
#![cfg_attr(test, allow(clippy::arithmetic_side_effects))]

#[cfg(test)]
extern crate std;

// What goes wrong, then the pieces, then what joins them.
mod trouble;

mod contact;
mod relay;

mod valve;

mod coils;
mod dac;
mod pwm;

mod analogue;
mod buses;
mod converter;

mod hands;
mod levers;
mod watchdog;

mod board;
mod cycle;

#[cfg(feature = "exchange")]
pub mod exchange;

#[cfg(test)]
mod bench;

pub use analogue::{Analogue, CHANNELS_MAX, Reading};
pub use board::{Board, CONVERTERS_MAX, Panel, RelayPath, RelayPaths, Tap, Taps, Wired};
pub use buses::{I2cBus, SpiBus};
pub use coils::CoilPair;
pub use contact::{Contact, PinContact};
pub use converter::{ANSWER_MAX, Bus, Coding, Converter, Fixed, Input, Sampler, Unusable};
pub use cycle::{Cycle, Turn};
pub use dac::{Dac, DacValve};
pub use hands::{BYTES_A_TURN, Hands, LinkHands};
pub use levers::{LeverInput, WiredHands};
pub use pwm::PwmValve;
pub use relay::{PinRelay, Relay};
pub use trouble::{Fault, Misfit, Path, Place, TROUBLES_MAX, Trouble, Troubles};
pub use valve::ValveOut;
pub use watchdog::{PinWatchdog, Watchdog};
