//! Between plant and core: sensors, converters, frames, switches, valve electronics; and the faults in them and in the hydraulics.
//!
//! Neither the plant nor the core knows of this layer. A fault is a row of the scenario; here is what it does to a signal, or which
//! of the plant's own faults it is.

mod electronics;
mod hands;
mod link;
pub(crate) mod relays;
pub(crate) mod sensor;
mod watchdog;

use bellcrank_core::inputs::{HandFrame, Station};
use bellcrank_core::machine::AxisId;
use bellcrank_core::units::{Duration, Instant, Volts};
use bellcrank_core::{Inputs, Outputs};
use bellcrank_machine::description;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::plant::{self, Faults, Plant, SpoolFault};
use crate::scenario::{FaultKind, Scenario};
use hands::Course;
use link::Link;
use relays::Coils;
use sensor::Sensors;
use watchdog::Watchdog;

/// Time between two frames of a hand control, s: by wire, and by radio.
pub(crate) const SEAT_FRAME_S: f64 = 0.010;
pub(crate) const REMOTE_FRAME_S: f64 = 0.020;

/// What feeds the controller, V.
const CONTROL_V: f64 = 24.0;
/// Below this the controller cannot run, V; its capacitors fall and rise towards what feeds them with this time constant, s (common
/// practice, no source: converters from 24 V lock out at 6 to 9 V).
const LOCKS_OUT_V: f64 = 8.0;
const CAPACITORS_S: f64 = 0.01;
/// A safety output tests itself this often, and opens for this long, s (common practice, no source).
const TEST_EVERY_S: f64 = 0.101;
const TEST_PULSE_S: f64 = 0.001;

/// The wiring of one rehearsal.
pub struct Wiring {
    rng: ChaCha8Rng,
    sensors: Sensors,
    seat: Link,
    remote: Link,
    coils: Coils,
    watchdog: Watchdog,
    course: Course,
    /// What the hands do, and whether the reset button is pressed, where that is not in the scenario.
    held: Option<(HandFrame, bool)>,
}

impl Wiring {
    /// Wiring of a scenario, at its start, whose noise is that of `seed`.
    pub fn new(scenario: &Scenario, seed: u64) -> Self {
        let stations = &scenario.machine.stations;
        let late = |station: &description::Station| duration(station.frame_late);
        let (seat, remote) = (&stations.seat, stations.remote.as_ref().unwrap_or(&stations.seat));
        let link = |station, every, late| Link::new(station, every, late, seed);
        Self {
            rng: ChaCha8Rng::seed_from_u64(seed),
            sensors: Sensors::new(&scenario.machine, seed),
            seat: link(Station::Seat, SEAT_FRAME_S, late(seat)),
            remote: link(Station::Remote, REMOTE_FRAME_S, late(remote)),
            coils: Coils::default(),
            watchdog: Watchdog::new(scenario.machine.control.watchdog),
            course: Course::new(scenario),
            held: None,
        }
    }

    /// What the core reads at time `t`, s. Time goes forward.
    pub fn read(&mut self, scenario: &Scenario, t: f64, plant: &Plant) -> Inputs {
        let broken: Vec<FaultKind> = scenario.active(t).collect();
        let (frame, reset) = self.held.unwrap_or_else(|| {
            let hands = self.course.at(scenario, t);
            (hands.frame(), hands.reset)
        });
        // The station that is not in charge lies at rest, but is heard.
        let at_rest = HandFrame {
            stop_clear: true,
            mode: frame.mode,
            ..HandFrame::default()
        };
        let (seat, remote) = match scenario.station {
            Station::Seat => (frame, at_rest),
            Station::Remote => (at_rest, frame),
        };
        let heard = |station, link: &mut Link, frame| {
            let stop_clear = !broken.contains(&FaultKind::HandStop { station });
            link.pass(t, &HandFrame { stop_clear, ..frame }, &broken)
        };
        let seat = heard(Station::Seat, &mut self.seat, seat);
        let remote = heard(Station::Remote, &mut self.remote, remote);
        let machine = &scenario.machine;
        let strokes = |axis: usize| plant.axis(axis).stroke;
        let sensors = self.sensors.read(machine, strokes, t, &broken, &mut self.rng);
        Inputs {
            now: instant(t),
            sensors,
            stop_chain: [0, 1].map(|channel| stop_channel(scenario, channel, t, &broken)),
            relays: self.coils.contacts(),
            supply: volts(supply(scenario, t)),
            reset,
            commissioning: false,
            selector: scenario.station,
            seat,
            remote,
        }
    }

    /// What the core's outputs do to the plant from time `t` on.
    pub fn write(&mut self, scenario: &Scenario, t: f64, outputs: &Outputs, plant: &mut Plant) -> plant::Inputs {
        if starves(scenario, t) {
            // The watchdog hangs on the same supply: it begins anew with the controller.
            self.watchdog = Watchdog::new(scenario.machine.control.watchdog);
        }
        self.watchdog.look(t, outputs.alive);
        let told = self.watchdog.lets(outputs.relays);
        let broken: Vec<FaultKind> = scenario.active(t).collect();
        let contacts = self.coils.step(t, told, &broken);
        let mut inputs = plant::Inputs {
            valve_power: contacts.valve_power,
            dump_current: contacts.dump_closed,
            engine: contacts.engine_run && !broken.contains(&FaultKind::EngineStall),
            ..plant::Inputs::default()
        };
        for (index, axis) in scenario.machine.axes.iter().enumerate() {
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
                    faults.burst[axis][side] = plant::hole(hole, scenario.machine.oil.density);
                }
                FaultKind::PumpWorn { share } => faults.pump_scale = share,
                FaultKind::PistonLeak { axis, leak } => faults.extra_leak[axis] = leak,
                FaultKind::SpoolWeak { axis, share } => faults.demand_scale[axis] = share,
                FaultKind::ValveSlow { axis, share } => faults.quickness[axis] = share,
                FaultKind::OverlapGrown { axis, by } => faults.extra_overlap[axis] = by,
                FaultKind::ValveLeaks { axis, leak } => faults.land_leak[axis] = leak,
                FaultKind::HoldingStuckOpen { axis } => faults.holding_open[axis] = true,
                FaultKind::ReliefStuckOpen { share } => faults.relief_open = share,
                FaultKind::DumpStuck => faults.dump_stuck = true,
                _ => {}
            }
        }
        *plant.faults() = faults;
        inputs
    }
}

impl Wiring {
    /// Hands that see, in place of those of the scenario: what they do from now on, and whether they press the reset button.
    pub fn hold(&mut self, frame: HandFrame, reset: bool) {
        self.held = Some((frame, reset));
    }

    /// The outputs of a tick that another follows before the plant has moved.
    pub fn hasten(&mut self, t: f64, outputs: &Outputs) {
        self.watchdog.look(t, outputs.alive);
    }
}

/// A channel of the stop chain is closed. What drives it opens it for a moment every so often, where the machine file says so, one channel
/// after the other.
fn stop_channel(scenario: &Scenario, channel: usize, t: f64, broken: &[FaultKind]) -> bool {
    let phase = 0.5 * TEST_EVERY_S * (channel as f64 + 0.5);
    let tested = scenario.machine.control.stop_pulse > 0.0 && (t + phase) % TEST_EVERY_S < TEST_PULSE_S;
    let open = |fault: &FaultKind| match fault {
        FaultKind::StopButton => true,
        FaultKind::StopChannelOpen { channel: open } => *open == channel,
        FaultKind::StopChannelBounces {
            channel: bounces,
            open,
            every,
        } => *bounces == channel && t % every < *open,
        _ => false,
    };
    let stuck = broken.contains(&FaultKind::StopChannelStuck { channel });
    stuck || !(tested || broken.iter().any(open))
}

/// What feeds the controller, V. That it works on at whatever voltage it sags to is the simulator's kindness; a break-down is none.
fn supply(scenario: &Scenario, t: f64) -> f64 {
    let sag = scenario.active(t).find_map(|fault| match fault {
        FaultKind::SupplySag { to } => Some(to),
        _ => None,
    });
    sag.unwrap_or(CONTROL_V) - broken_down(scenario, t)
}

/// The supply has broken down so far that the controller cannot run.
pub fn starves(scenario: &Scenario, t: f64) -> bool {
    CONTROL_V - broken_down(scenario, t) < LOCKS_OUT_V
}

/// By how much the supply has broken down, V: towards what it breaks down to, and back.
fn broken_down(scenario: &Scenario, t: f64) -> f64 {
    let towards = |since: f64| 1.0 - (-since.max(0.0) / CAPACITORS_S).exp();
    let down = scenario.faults.iter().map(|fault| match fault.kind {
        FaultKind::BrownOut { to } => {
            let lasts = fault.lasts.unwrap_or(f64::INFINITY);
            let gone = towards((t - fault.at).min(lasts));
            (CONTROL_V - to) * gone * (1.0 - towards(t - fault.at - lasts))
        }
        _ => 0.0,
    });
    down.fold(0.0, f64::max)
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

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::scenario;

    fn with_fault(fault: &str) -> Scenario {
        let text = format!(
            "name = \"n\"\nabout = \"a\"\nmachine = \"drystone setter\"\nlength_s = 5\nstation = \"seat\"\nmode = \"joint\"
[[start]]\narm = \"left\"\nangles_deg = [0, -20, 70, 40, 0]\n[[hand]]\nat_s = 0\nenable = true\n[[fault]]\n{fault}\n"
        );
        scenario::parse("s.toml", &text, Path::new("")).unwrap_or_else(|error| panic!("{error}"))
    }

    /// Of 1000 ms a contact that opens for 5 of every 20 is open for 250; the other channel is not its affair.
    #[test]
    fn a_contact_that_bounces_opens_again_and_again() {
        let scenario = with_fault("at_s = 0\nkind = \"stop_channel_bounces\"\nchannel = 2\nopen_ms = 5\nevery_ms = 20");
        let open = |channel: usize, faults: &[FaultKind]| {
            let at = (0..1000).map(|ms| 1e-3 * f64::from(ms) + 5e-4);
            at.filter(|t| !stop_channel(&scenario, channel, *t, faults)).count()
        };
        let faults: Vec<FaultKind> = scenario.active(1.0).collect();
        // The test pulses of a sound channel open it, too.
        let sound = open(0, &[]);
        assert_eq!(open(0, &faults), sound);
        assert!((250..=250 + sound).contains(&open(1, &faults)), "{}", open(1, &faults));
    }

    /// A capacitor's law: after its time constant 63 % of the way.
    #[test]
    fn a_supply_that_breaks_down_falls_and_rises_as_its_capacitors_let_it() {
        let scenario = with_fault("at_s = 1\nlasts_s = 0.1\nkind = \"brown_out\"\nto_v = 4");
        let volts = |t: f64| supply(&scenario, t);
        let way = 1.0 - (-1.0_f64).exp();
        assert_eq!((volts(0.999), starves(&scenario, 0.999)), (24.0, false));
        assert!((volts(1.01) - (24.0 - 20.0 * way)).abs() < 1e-9, "{}", volts(1.01));
        assert!((volts(1.1) - 4.0).abs() < 0.01 && starves(&scenario, 1.1));
        assert!((volts(1.11) - (4.0 + 20.0 * way)).abs() < 0.01, "{}", volts(1.11));
        assert!(volts(1.2) > 23.9 && !starves(&scenario, 1.11));
    }
}
