//! Between plant and core: sensors, converters, frames, switches, valve electronics; and the faults in them.
//!
//! Neither the plant nor the core knows of this layer. A fault is a row of the scenario; here is what it does to a signal.

mod hands;
mod sensor;

use bellcrank_core::inputs::{HandFrame, Station};
use bellcrank_core::machine::{AxisId, PerAxis};
use bellcrank_core::units::{Duration, Instant};
use bellcrank_core::{Inputs, Outputs};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::plant::{self, Plant, SpoolFault};
use crate::scenario::{FaultKind, Scenario};
use hands::Hands;
use sensor::Sensors;

/// Time between two frames of a hand control, in ticks of the core: 10 ms by wire, 20 ms by radio at a tick of 2 ms.
const SEAT_FRAME_S: f64 = 0.010;
const REMOTE_FRAME_S: f64 = 0.020;

/// The wiring of one rehearsal.
pub struct Wiring<'s> {
    scenario: &'s Scenario,
    rng: ChaCha8Rng,
    sensors: Sensors,
    seat: Line,
    remote: Line,
}

/// The newest frame that came through from one station.
#[derive(Default)]
struct Line {
    frame: HandFrame,
    made: Option<f64>,
}

impl<'s> Wiring<'s> {
    /// Wiring whose noise is that of `seed`.
    pub fn new(scenario: &'s Scenario, seed: u64) -> Self {
        Self {
            scenario,
            rng: ChaCha8Rng::seed_from_u64(seed),
            sensors: Sensors::new(&scenario.machine),
            seat: Line::default(),
            remote: Line::default(),
        }
    }

    /// What the core reads at time `t`, s.
    pub fn read(&mut self, t: f64, plant: &Plant) -> Inputs {
        let hands = Hands::at(self.scenario, t, self.active(t));
        let frame = hands.frame(self.scenario);
        let silent = |station| self.active(t).any(|kind| kind == FaultKind::LinkLost { station });
        // The station that is not in charge lies at rest, but is heard.
        let at_rest = HandFrame { stop_clear: true, mode: frame.mode, ..HandFrame::default() };
        for (station, every) in [(Station::Seat, SEAT_FRAME_S), (Station::Remote, REMOTE_FRAME_S)] {
            let there = station == Station::Seat || self.scenario.machine.stations.remote.is_some();
            let lost = silent(station);
            let frame = if station == self.scenario.station { frame } else { at_rest };
            let line = match station {
                Station::Seat => &mut self.seat,
                Station::Remote => &mut self.remote,
            };
            if there && !lost && line.made.is_none_or(|made| t - made > every - 1e-9) {
                *line = Line { frame, made: Some(t) };
            }
        }
        let pressed = self.active(t).any(|kind| kind == FaultKind::StopButton);
        let channel_open = |channel| self.active(t).any(|kind| kind == FaultKind::StopChannelOpen { channel });
        let stop_chain = [!pressed && !channel_open(0), !pressed && !channel_open(1)];
        let broken: Vec<FaultKind> = self.active(t).collect();
        let mut sensors = PerAxis::default();
        for (index, axis) in self.scenario.machine.axes.iter().enumerate() {
            if let Some(id) = AxisId::new(index) {
                let stroke = plant.axis(index).stroke;
                sensors.set(id, self.sensors.read(index, axis, stroke, &broken, &mut self.rng));
            }
        }
        Inputs {
            now: instant(t),
            sensors,
            stop_chain,
            reset: hands.reset,
            selector: self.scenario.station,
            seat: self.seat.frame_at(t),
            remote: self.remote.frame_at(t),
        }
    }

    /// What the core's outputs do to the plant from time `t` on.
    pub fn write(&self, t: f64, outputs: &Outputs, plant: &mut Plant) -> plant::Inputs {
        let mut inputs = plant::Inputs {
            valve_power: outputs.valve_power,
            dump_current: outputs.dump_closed,
            engine: outputs.engine_run && !self.active(t).any(|kind| kind == FaultKind::EngineStall),
            ..plant::Inputs::default()
        };
        for (index, axis) in self.scenario.machine.axes.iter().enumerate() {
            let Some(id) = AxisId::new(index) else { continue };
            let duty = f64::from(outputs.duties.get(id).share());
            let (low, high) = axis.channel.band;
            let reach = if duty < axis.channel.neutral { axis.channel.neutral - low } else { high - axis.channel.neutral };
            let toward = ((duty - axis.channel.neutral) / reach).clamp(-1.0, 1.0);
            inputs.spool[index] = if axis.channel.reversed { -toward } else { toward };
        }
        let faults = plant.faults();
        for spool in &mut faults.spool {
            *spool = SpoolFault::None;
        }
        for kind in self.active(t) {
            match kind {
                FaultKind::ValveStuck { axis } => faults.spool[axis] = SpoolFault::Frozen,
                FaultKind::ValveStuckOpen { axis, opening } => faults.spool[axis] = SpoolFault::Forced(opening),
                FaultKind::ValveDead { axis } => inputs.spool[axis] = 0.0,
                _ => {}
            }
        }
        inputs
    }

    /// The faults that are on at time `t`.
    fn active(&self, t: f64) -> impl Iterator<Item = FaultKind> + use<'s> {
        let on = move |fault: &&crate::scenario::Fault| {
            t >= fault.at && fault.lasts.is_none_or(|lasts| t < fault.at + lasts)
        };
        self.scenario.faults.iter().filter(on).map(|fault| fault.kind)
    }
}

impl Line {
    fn frame_at(&self, t: f64) -> HandFrame {
        HandFrame { age: self.made.map(|made| duration(t - made)), ..self.frame }
    }
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
