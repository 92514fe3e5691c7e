//! The other end of the terminals: the simulated machine in real time, wired to a process image or behind a Modbus TCP server, for the
//! process that has the core (`bellcrank-linux`). Both read the same mapping; what is an input there is an output here.
//!
//! The terminals have a watchdog as couplers have ([`Coupler`]): outputs that are no longer refreshed are zero. It stands in the place of the
//! machine file's own external watchdog, whose window no bus keeps.

mod coupler;
mod hands;
mod image;
mod mirror;
mod server;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use bellcrank_core::Machine;
use bellcrank_core::inputs::Relays;
use bellcrank_linux::mapping::{Mapping, Terminals};

use crate::live::{self, Live};
use crate::run::RunError;
use crate::scenario::Scenario;

pub use coupler::Coupler;
pub use hands::Hands;
pub use image::ImageFile;
pub use server::Server;

/// The simulation stood still, and what it missed is not made up for, where it is so far behind.
const BEHIND: Duration = Duration::from_millis(250);
/// An arm that has been below the speed that counts as motion for so long is at rest, s.
const REST_S: f64 = 0.1;

/// A way to the terminals, from their side.
pub trait End {
    /// Shows an image to whoever reads.
    ///
    /// # Errors
    /// It cannot be shown.
    fn show(&mut self, inputs: &[u8]) -> std::io::Result<()>;

    /// Puts what was written last into `outputs`. A number that changes with everything that counts as a refresh.
    ///
    /// # Errors
    /// It cannot be looked at.
    fn told(&mut self, outputs: &mut [u8]) -> std::io::Result<u64>;
}

/// Why the plant at the terminals came to an end.
#[derive(Debug, thiserror::Error, miette::Diagnostic)]
pub enum PlantError {
    /// It cannot be simulated.
    #[error(transparent)]
    Run(#[from] RunError),
    /// The terminals cannot be had.
    #[error("the terminals cannot be served by {place}")]
    End {
        /// The file or the address.
        place: String,
        /// Why not.
        #[source]
        why: std::io::Error,
    },
}

/// The machine at the terminals.
pub struct Plant<'s> {
    mapping: &'s Mapping,
    live: Live<'s>,
    end: Box<dyn End>,
    coupler: Coupler,
    hands: Hands,
    inputs: Vec<u8>,
    outputs: Vec<u8>,
    told: Relays,
    moving: bool,
    still_for: f64,
}

/// Opens the way to the terminals of a mapping.
///
/// # Errors
/// The file cannot be made, or nothing can listen at the address.
pub fn end(mapping: &Mapping) -> Result<Box<dyn End>, PlantError> {
    let failed = |place: String| |why| PlantError::End { place, why };
    match &mapping.terminals {
        Terminals::Image { file, .. } => {
            let image = ImageFile::open(mapping).map_err(failed(file.display().to_string()))?;
            Ok(Box::new(image))
        }
        Terminals::Modbus(places) => {
            let server = Server::start(places).map_err(failed(places.address.to_string()))?;
            Ok(Box::new(server))
        }
    }
}

impl<'s> Plant<'s> {
    /// Stands as the scenario begins, without anybody at the other end. `machine` is what the scenario's description is for the core.
    ///
    /// # Errors
    /// The machine cannot be simulated.
    pub fn new(
        mapping: &'s Mapping,
        scenario: &'s Scenario,
        machine: &'s Machine,
        end: Box<dyn End>,
        hands: Hands,
    ) -> Result<Self, PlantError> {
        Ok(Self {
            mapping,
            live: Live::new(scenario, machine, 1)?,
            end,
            coupler: Coupler::new(mapping.watchdog.as_secs_f64()),
            hands,
            inputs: vec![0; mapping.input_bytes],
            outputs: vec![0; mapping.output_bytes],
            told: Relays::default(),
            moving: false,
            still_for: 0.0,
        })
    }

    /// Goes on in real time until `over` is set or `length` is through; `tell` gets a line for everything that changes, with the time that
    /// the machine has gone through, s.
    ///
    /// # Errors
    /// The plant could not be integrated, or the terminals are gone.
    pub fn run(
        &mut self,
        over: &Arc<AtomicBool>,
        length: Option<Duration>,
        mut tell: impl FnMut(f64, &str),
    ) -> Result<(), PlantError> {
        let begin = Instant::now();
        let tick = Duration::from_secs_f64(self.live.period());
        let mut due = begin;
        while !over.load(Ordering::Acquire) && length.is_none_or(|length| begin.elapsed() < length) {
            let now = Instant::now();
            if now < due {
                std::thread::sleep(due - now);
                continue;
            }
            if now - due > BEHIND {
                tell(
                    self.live.time(),
                    &format!("the simulation stood still for {} ms", (now - due).as_millis()),
                );
                due = now;
            }
            self.step((now - begin).as_secs_f64(), &mut tell)?;
            due += tick;
        }
        // Nobody is to take what this machine was for what another is.
        self.inputs.fill(0);
        let _ = self.end.show(&self.inputs);
        Ok(())
    }

    /// One tick of the machine, at time `now` of the terminals, s.
    fn step(&mut self, now: f64, tell: &mut impl FnMut(f64, &str)) -> Result<(), PlantError> {
        let t = self.live.time();
        let failed = |why| PlantError::End {
            place: self.mapping.name.clone(),
            why,
        };
        let number = self.end.told(&mut self.outputs).map_err(failed)?;
        let outputs = mirror::outputs(self.mapping, &self.outputs);
        // With a count of its own, what is written again without counting on is no refresh.
        let number = self
            .mapping
            .life
            .map_or(number, |life| life.told.bits(&self.outputs).into());
        let off = !outputs.relays.valve_power && !outputs.relays.dump_closed;
        let looked = self.coupler.look(now, number, off);
        if let Some(silent) = looked.bites {
            let silent = 1e3 * silent;
            tell(
                t,
                &format!("watchdog: outputs not refreshed for {silent:.0} ms: all off, dump open, engine stopped"),
            );
        }
        if looked.lets_go {
            tell(t, "watchdog: outputs refreshed, and told off first");
        }
        self.live.outputs = if self.coupler.bites() {
            live::no_current()
        } else {
            outputs
        };
        let told = self.live.outputs.relays;
        if told != self.told {
            tell(t, &format!("told: {}", relay_words(told)));
            self.told = told;
        }
        self.live.go()?;
        let t = self.live.time();
        if let Some(frame) = self.hands.at(t, tell) {
            self.live.wiring.hold(frame.frame, frame.reset);
        }
        let mut inputs = self.live.read(t);
        if self.hands.stop_pressed() {
            inputs.stop_chain = [false; 2];
        }
        mirror::inputs(self.mapping, self.live.machine(), &inputs, &mut self.inputs);
        if let (Some(life), true) = (self.mapping.life, looked.refreshed) {
            life.echo.put_bits(&mut self.inputs, life.told.bits(&self.outputs));
        }
        self.end.show(&self.inputs).map_err(failed)?;
        self.watch(tell);
        Ok(())
    }

    /// Tells when something begins to move, and when all is at rest.
    fn watch(&mut self, tell: &mut impl FnMut(f64, &str)) {
        let t = self.live.time();
        let moves = |(id, axis): (bellcrank_core::machine::AxisId, &bellcrank_core::machine::Axis)| {
            self.live.plant.axis(id.index()).stroke_rate.abs() > f64::from(axis.watch.still_rate)
        };
        let moving = self.live.machine().axes().any(moves);
        self.still_for = if moving {
            0.0
        } else {
            self.still_for + self.live.period()
        };
        if moving && !self.moving {
            tell(t, "the arm moves");
            self.moving = true;
        } else if self.moving && self.still_for >= REST_S {
            let strokes = self.mapping.axes.iter().enumerate();
            let strokes: Vec<String> = strokes
                .map(|(index, axis)| format!("{} {:.3}", axis.name, self.live.plant.axis(index).stroke))
                .collect();
            tell(t - REST_S, &format!("the arm is at rest: {}", strokes.join(", ")));
            self.moving = false;
        }
    }
}

fn relay_words(relays: Relays) -> String {
    let word = |name: &str, on| format!("{name} {}", if on { "on" } else { "off" });
    [
        word("valve power", relays.valve_power),
        word("dump", relays.dump_closed),
        word("engine", relays.engine_run),
    ]
    .join(", ")
}
