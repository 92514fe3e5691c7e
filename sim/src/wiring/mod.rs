//! Between plant and core: sensors, converters, frames, switches, valve electronics; and the faults in them and in the hydraulics.
//!
//! Neither the plant nor the core knows of this layer. A fault is a row of the scenario; here is what it does to a signal, or which
//! of the plant's own faults it is.

mod electronics;
mod hands;
pub(crate) mod relays;
pub(crate) mod sensor;
mod watchdog;

use bellcrank_core::inputs::{HandFrame, Station};
use bellcrank_core::machine::{AxisId, PerAxis};
use bellcrank_core::units::{Duration, Instant, Volts};
use bellcrank_core::{Inputs, Outputs};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::plant::{self, Faults, Plant, SpoolFault};
use crate::scenario::{FaultKind, Scenario};
use hands::Hands;
use relays::Coils;
use sensor::Sensors;
use watchdog::Watchdog;

/// Time between two frames of a hand control, s: by wire, and by radio.
pub(crate) const SEAT_FRAME_S: f64 = 0.010;
pub(crate) const REMOTE_FRAME_S: f64 = 0.020;

/// What feeds the controller, V.
const CONTROL_V: f64 = 24.0;
/// A safety output tests itself this often, and opens for this long, s (common practice, no source).
const TEST_EVERY_S: f64 = 0.101;
const TEST_PULSE_S: f64 = 0.001;

/// The wiring of one rehearsal.
pub struct Wiring<'s> {
    scenario: &'s Scenario,
    rng: ChaCha8Rng,
    sensors: Sensors,
    seat: Line,
    remote: Line,
    /// Which frames get lost, apart from all other noise.
    losses: ChaCha8Rng,
    coils: Coils,
    watchdog: Watchdog,
    /// What the hands do, and whether the reset button is pressed, where that is not in the scenario.
    held: Option<(HandFrame, bool)>,
}

/// The way from one station to the core: it carries a frame every so often.
struct Line {
    every: f64,
    /// When a frame was sent last, s.
    sent: Option<f64>,
    /// The newest that came through, and when it was made, s.
    frame: HandFrame,
    made: Option<f64>,
}

impl<'s> Wiring<'s> {
    /// Wiring whose noise is that of `seed`.
    pub fn new(scenario: &'s Scenario, seed: u64) -> Self {
        let mut losses = ChaCha8Rng::seed_from_u64(seed);
        losses.set_stream(2);
        Self {
            scenario,
            losses,
            rng: ChaCha8Rng::seed_from_u64(seed),
            sensors: Sensors::new(&scenario.machine, seed),
            seat: Line::new(SEAT_FRAME_S),
            remote: Line::new(REMOTE_FRAME_S),
            coils: Coils::default(),
            watchdog: Watchdog::new(scenario.machine.control.watchdog),
            held: None,
        }
    }

    /// What the core reads at time `t`, s.
    pub fn read(&mut self, t: f64, plant: &Plant) -> Inputs {
        let broken: Vec<FaultKind> = self.scenario.active(t).collect();
        let (frame, reset) = self.held.unwrap_or_else(|| {
            let hands = Hands::at(self.scenario, t);
            (hands.frame(self.scenario), hands.reset)
        });
        // The station that is not in charge lies at rest, but is heard.
        let at_rest = HandFrame {
            stop_clear: true,
            mode: frame.mode,
            ..HandFrame::default()
        };
        for (station, line) in [(Station::Seat, &mut self.seat), (Station::Remote, &mut self.remote)] {
            let lost = broken.iter().any(|fault| match fault {
                FaultKind::LinkLost { station: lost } => *lost == station,
                FaultKind::LinkPoor { station: poor, share } if *poor == station => {
                    line.due(t) && self.losses.random_bool(*share)
                }
                _ => false,
            });
            let frame = if station == self.scenario.station {
                frame
            } else {
                at_rest
            };
            let stop_clear = !broken.contains(&FaultKind::HandStop { station });
            line.pass(t, HandFrame { stop_clear, ..frame }, lost);
        }
        let mut sensors = PerAxis::default();
        for (index, axis) in self.scenario.machine.axes.iter().enumerate() {
            if let Some(id) = AxisId::new(index) {
                let stroke = plant.axis(index).stroke;
                let read = self.sensors.read(index, axis, stroke, t, &broken, &mut self.rng);
                sensors.set(id, read);
            }
        }
        Inputs {
            now: instant(t),
            sensors,
            stop_chain: [0, 1].map(|channel| self.stop_channel(channel, t, &broken)),
            relays: self.coils.contacts(),
            supply: volts(self.supply(t)),
            reset,
            commissioning: false,
            selector: self.scenario.station,
            seat: self.seat.frame_at(t),
            remote: self.remote.frame_at(t),
        }
    }

    /// What the core's outputs do to the plant from time `t` on.
    pub fn write(&mut self, t: f64, outputs: &Outputs, plant: &mut Plant) -> plant::Inputs {
        self.watchdog.look(t, outputs.alive);
        let told = self.watchdog.lets(outputs.relays);
        let broken: Vec<FaultKind> = self.scenario.active(t).collect();
        let contacts = self.coils.step(t, told, &broken);
        let mut inputs = plant::Inputs {
            valve_power: contacts.valve_power,
            dump_current: contacts.dump_closed,
            engine: contacts.engine_run && !broken.contains(&FaultKind::EngineStall),
            ..plant::Inputs::default()
        };
        for (index, axis) in self.scenario.machine.axes.iter().enumerate() {
            let Some(id) = AxisId::new(index) else { continue };
            // On a faulty signal the electronics let go of the spool.
            inputs.spool[index] = electronics::demand(&axis.channel, outputs.valves.get(id)).unwrap_or(0.0);
        }
        let mut faults = Faults::default();
        for kind in broken {
            match kind {
                FaultKind::ValveStuck { axis } => faults.spool[axis] = SpoolFault::Frozen,
                FaultKind::ValveStuckOpen { axis, opening } => faults.spool[axis] = SpoolFault::Forced(opening),
                FaultKind::ValveDead { axis } => inputs.spool[axis] = 0.0,
                FaultKind::ValveReversed { axis } => inputs.spool[axis] = -inputs.spool[axis],
                FaultKind::HoseBurst { axis, side, hole } => {
                    faults.burst[axis][side] = plant::hole(hole, self.scenario.machine.oil.density);
                }
                FaultKind::PumpWorn { share } => faults.pump_scale = share,
                FaultKind::PistonLeak { axis, leak } => faults.extra_leak[axis] = leak,
                FaultKind::SpoolWeak { axis, share } => faults.demand_scale[axis] = share,
                _ => {}
            }
        }
        *plant.faults() = faults;
        inputs
    }
}

impl Wiring<'_> {
    /// Hands that see, in place of those of the scenario: what they do from now on, and whether they press the reset button.
    pub fn hold(&mut self, frame: HandFrame, reset: bool) {
        self.held = Some((frame, reset));
    }

    /// The outputs of a tick that another follows before the plant has moved.
    pub fn hasten(&mut self, t: f64, outputs: &Outputs) {
        self.watchdog.look(t, outputs.alive);
    }

    /// A channel of the stop chain is closed. What drives it opens it for a moment every so often, where the machine file says so, one channel
    /// after the other.
    fn stop_channel(&self, channel: usize, t: f64, broken: &[FaultKind]) -> bool {
        let phase = 0.5 * TEST_EVERY_S * (channel as f64 + 0.5);
        let tested = self.scenario.machine.control.stop_pulse > 0.0 && (t + phase) % TEST_EVERY_S < TEST_PULSE_S;
        let open = |fault: &FaultKind| match fault {
            FaultKind::StopButton => true,
            FaultKind::StopChannelOpen { channel: open } => *open == channel,
            _ => false,
        };
        let stuck = broken.contains(&FaultKind::StopChannelStuck { channel });
        stuck || !(tested || broken.iter().any(open))
    }

    /// What feeds the controller, V. That it works on at any voltage is the simulator's kindness.
    fn supply(&self, t: f64) -> f64 {
        let sag = self.scenario.active(t).find_map(|fault| match fault {
            FaultKind::SupplySag { to } => Some(to),
            _ => None,
        });
        sag.unwrap_or(CONTROL_V)
    }
}

impl Line {
    fn new(every: f64) -> Self {
        Self {
            every,
            sent: None,
            frame: HandFrame::default(),
            made: None,
        }
    }

    /// A frame is due at time `t`.
    fn due(&self, t: f64) -> bool {
        // A frame that is due is not put off by the rounding of its time.
        self.sent.is_none_or(|sent| t - sent > self.every - 1e-9)
    }

    /// Sends a frame, if one is due at time `t`. It may be lost on its way.
    fn pass(&mut self, t: f64, frame: HandFrame, lost: bool) {
        if self.due(t) {
            self.sent = Some(t);
            if !lost {
                (self.frame, self.made) = (frame, Some(t));
            }
        }
    }

    /// The newest frame that came through, as old as it is at time `t`.
    fn frame_at(&self, t: f64) -> HandFrame {
        HandFrame {
            age: self.made.map(|made| duration(t - made)),
            ..self.frame
        }
    }
}

#[allow(clippy::cast_possible_truncation, reason = "narrowed to what the core is given")]
fn volts(volts: f64) -> Option<Volts> {
    Volts::new(volts as f32).ok()
}

/// Seconds to the core's clock. Times are never negative and well within its range.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn instant(t: f64) -> Instant {
    Instant::from_ticks((t * 1e6).round() as u64)
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn duration(t: f64) -> Duration {
    Duration::from_ticks((t * 1e6).round() as u32)
}
