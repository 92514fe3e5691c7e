//! The control core as a process on an industrial controller: 24 V contacts, 0-10 V terminals, Linux.
//!
//! The loop is that of `bellcrank-hal`, on a board whose terminals stand in two images ([`Terminals`]): bytes of a process image, or
//! registers of a Modbus TCP server. A file says which signal stands where ([`mapping`]). The process is `bellcrank-linux`:
//!
//! ```text
//! bellcrank-linux MAPPING.toml --check      reads the mapping and moves nothing
//! bellcrank-linux MAPPING.toml --show       live readings, nothing written: for wiring up with nothing powered
//! bellcrank-linux MAPPING.toml              runs the machine
//! bellcrank plant --io MAPPING.toml         the simulated machine at the other end of the same terminals
//! ```
//!
//! Nothing in this crate makes a machine safe or certifies it. A competent person does that, under the local rules, with the machine's own
//! risk assessment. A computer with Linux and a bus is one channel without any proof of its reliability: the stop chain acts on valve power,
//! dump valve and engine without it, and so does the watchdog of the terminals. First motion is at low flow, one axis, nobody in reach.
//!
//! # What fails, and what then
//!
//! The table of `bellcrank-hal` holds here, too. What this board adds:
//!
//! | what fails | noticed | what then |
//! |---|---|---|
//! | the terminals no longer answer: killed, frozen, unplugged | `life_ms` after the newest that they answered | a stop; the terminals' own watchdog has taken all power by itself |
//! | the image holds garbage | at once: its count is none that was sent | it is not used; after `life_ms` a stop |
//! | a Modbus answer is late, of another request, or none | at once | a new connection; after `life_ms` a stop |
//! | this process is killed, frozen, or its loop stands still | by the terminals, after `watchdog_ms` | they put out zeros: valves without signal, dump open, engine stopped |
//! | the loop feeds the core's watchdog no longer | by the terminals, after `watchdog_ms`; by systemd, after `WatchdogSec` | the same; the process is started again, into the self-test, and waits for a reset |
//! | the process is started again | its record tells | nothing is ready before a reset, unless the last run ended idle |
//! | a pad is unplugged | at once | its station is not heard: a stop where it is in charge |
//!
//! In each case the machine goes on only after somebody has pressed reset with the levers at rest, and enabled it anew.
//!
//! What a mapping cannot give: couplers whose outputs stay what they were when the bus falls silent must be set up to zero, in their own
//! settings; `watchdog_ms` says for how long, and must be true. A request that was on its way when a coupler hung may still be carried out
//! by it when it comes to: it then has what it says for `watchdog_ms` at the most. Modbus TCP proves nobody's identity: it belongs on a
//! wire of its own.
//!
//! # From a laptop to a machine
//!
//! 1. Copy one of the mappings in `io/`, put in where your signals stand, and `--check` it until nothing is missing.
//! 2. Run it against `bellcrank plant --io` with the same file, and break what you can.
//! 3. With the engine stopped, the pressure let off and valve power off: `--show`. Press each button, move each lever, and compare each voltage
//!    with a meter. The stop chain must act on valve power, dump valve and engine with this computer switched off.
//! 4. Set up the watchdog of the terminals to put out zeros, measure how long it takes, and write that into `watchdog_ms`.
//! 5. With relays but without oil: run it, pull the bus, kill the process, and see each relay let go in the time that the mapping says.
//! 6. First motion: low flow, one axis, nobody in reach.
//!
//! # Times
//!
//! From a signal at a terminal to the core's answer at a terminal: two ticks with a process image; with Modbus two `every_ms` and the time of the
//! answers on top. A machine file for such a controller has `tick_late_ms`, `stale_ms` and `frame_late_ms` that bear that. `SCHED_FIFO`
//! and locked memory are asked for, and it is said where they are refused. The jitter is counted and printed (at the end, on `SIGUSR1`,
//! in the status file): on a kernel that is not made for it (`PREEMPT_RT`) the longest is what counts, and it comes once in hours.
//!
//! Measured with `bellcrank-linux yard-digger-image --for-s 60` against `bellcrank plant --io yard-digger-image` in a virtual machine of two cores, as
//! root, while compilers kept ten processes running: turns of 2 ms began late by 38 µs (median), 96 µs (99 of 100), 1.4 ms (999 of 1,000) and 18 ms
//! at the most, which is a tick too late for that machine, and a stop; a turn took 11 µs (median). The same without real-time scheduling: late by 14 ms
//! in one turn of 100, and stopped at once. Such a host is none to run a machine on; this has been tried on no industrial controller, with no
//! coupler, and with no pad.

pub mod bus;
pub mod clerk;
pub mod cli;
pub mod jitter;
pub mod mapping;
pub mod notify;
pub mod pace;
pub mod pads;
pub mod record;

mod board;
mod life;
mod show;

pub use board::Terminals;
pub use life::Life;
