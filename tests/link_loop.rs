//! The core at the end of the wireless link: a station that falls silent, or is held back, or played again, stops the arm in time.

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{HandFrame, Inputs, Relays, SensorInput, Station};
use bellcrank_core::machine::{AxisId, PerAxis};
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use bellcrank_core::{Controller, Machine, Outputs};
use bellcrank_link::{BEAT_EVERY, Kind, MachineEnd, Packet};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::check::TICK_US;
use crate::link::{Air, PAIR, SEND_EVERY, USUAL_WAY, key, late, machine};

/// The core on two ideal axes, its remote station at the other end of the air.
struct Site<'m> {
    air: Air,
    hands: HandFrame,
    controller: Controller<'m>,
    outputs: Outputs,
    strokes: [f32; 2],
    moved: f32,
}

impl<'m> Site<'m> {
    fn new(machine: &'m Machine) -> Self {
        let mut controller = Controller::new(machine);
        let hands = HandFrame {
            age: Some(Duration::from_ticks(0)),
            stop_clear: true,
            ..HandFrame::default()
        };
        let outputs = controller.tick(&inputs([1.5; 2], 0, Relays::default(), HandFrame::default()));
        Self {
            air: Air::new(machine),
            hands,
            controller,
            outputs,
            strokes: [1.5; 2],
            moved: 0.0,
        }
    }

    /// Enabled from the remote station, the slew turning.
    fn slewing(machine: &'m Machine) -> Self {
        let mut site = Self::new(machine);
        site.run(400);
        assert_eq!(site.outputs.status.state, State::Ready);
        site.hands.enable = true;
        site.run(100);
        site.hands.levers[0] = Lever::new(0.5).unwrap();
        site.run(300);
        assert_eq!(site.outputs.status.state, State::Enabled);
        assert!(site.moved > 0.0, "the slew should turn");
        site
    }

    fn run(&mut self, ms: u32) {
        for _ in 0..ms * 1_000 / TICK_US {
            self.tick();
        }
    }

    fn tick(&mut self) {
        self.air.tick(&self.hands);
        let frame = self.air.machine.hand_frame(self.air.now());
        let relays = self.controller.last_tick().relays;
        self.outputs = self.controller.tick(&inputs(self.strokes, self.air.us, relays, frame));
        self.moved = 0.0;
        for (index, stroke) in self.strokes.iter_mut().enumerate() {
            let duty = self.outputs.valves.get(AxisId::new(index).unwrap()).number();
            let opening = (duty - 0.5) / 0.4;
            let beyond = (opening.abs() - 0.1).max(0.0) / 0.9;
            if self.outputs.relays.valve_power {
                let step = opening.signum() * beyond * 0.5 * TICK_US as f32 * 1e-6;
                *stroke += step;
                self.moved = self.moved.max(step.abs());
            }
        }
    }

    fn cause(&self) -> Option<Cause> {
        self.outputs.status.cause
    }

    /// Ticks until the cause is there; µs it took.
    #[track_caller]
    fn until_cause(&mut self, cause: Cause) -> u64 {
        let begin = self.air.us;
        while self.cause().is_none() && self.air.us < begin + 2_000_000 {
            self.tick();
        }
        assert_eq!(self.cause(), Some(cause));
        self.air.us - begin
    }

    /// Ticks until nothing moves, with the power off; µs it took.
    fn until_still(&mut self) -> u64 {
        let begin = self.air.us;
        while (self.moved > 0.0 || self.outputs.relays.valve_power) && self.air.us < begin + 2_000_000 {
            self.tick();
        }
        self.air.us - begin
    }
}

fn inputs(strokes: [f32; 2], us: u64, relays: Relays, remote: HandFrame) -> Inputs {
    let mut sensors = PerAxis::<SensorInput>::default();
    let dither = if (us / u64::from(TICK_US)).is_multiple_of(2) {
        3e-4
    } else {
        0.0
    };
    for (index, stroke) in strokes.iter().enumerate() {
        let volts = Volts::new(0.5 + 3.0 * stroke + dither).ok();
        sensors.set(AxisId::new(index).unwrap(), volts.into());
    }
    Inputs {
        now: Instant::from_ticks(us),
        sensors,
        stop_chain: [true, true],
        relays,
        supply: Volts::new(24.0).ok(),
        reset: false,
        selector: Station::Remote,
        commissioning: false,
        seat: HandFrame::default(),
        remote,
    }
}

#[test]
fn the_arm_stops_in_time_when_the_station_is_silenced() {
    let machine = machine();
    let (late, tick) = (u64::from(late(&machine).as_ticks()), u64::from(TICK_US));
    let budget = u64::from(machine.timing().stop_budget.as_ticks());
    // At whatever moment between two frames.
    for ticks in 0..SEND_EVERY / tick {
        let mut site = Site::slewing(&machine);
        for _ in 0..ticks {
            site.tick();
        }
        site.air.delay = [Some(0), None];
        site.air.to_machine.clear();
        let noticed = site.until_cause(Cause::LinkLost);
        // The last frame was made before this moment, and came with the age that it had.
        assert!(noticed <= late + tick, "{noticed} us");
        assert!(noticed + 2 * USUAL_WAY + SEND_EVERY + tick * 2 > late, "{noticed} us");
        let still = site.until_still();
        assert!(still <= budget, "{still} us");
        assert_eq!(site.outputs.status.state, State::Stopped);
    }
}

#[test]
fn the_arm_stops_in_time_when_everything_is_held_back() {
    let machine = machine();
    let (late, tick) = (u64::from(late(&machine).as_ticks()), u64::from(TICK_US));
    for delay in [
        [Some(0), Some(late)],
        [Some(late), Some(0)],
        [Some(late / 2), Some(late / 2)],
        [None, Some(0)],
    ] {
        let mut site = Site::slewing(&machine);
        site.air.delay = delay;
        let noticed = site.until_cause(Cause::LinkLost);
        // Without the machine's time, the hand control gives up first.
        let within = if delay[0].is_none() {
            500_000 + late
        } else {
            late + u64::from(BEAT_EVERY.as_ticks()) + SEND_EVERY + tick
        };
        assert!(noticed <= within, "{delay:?}: {noticed} us");
        site.until_still();
        // And so it stays, though frames keep coming, with the enabling switch held.
        site.run(2_000);
        assert_eq!(site.outputs.status.state, State::Stopped);
    }
}

#[test]
fn a_stream_that_was_recorded_moves_nothing() {
    let machine = machine();
    let mut site = Site::slewing(&machine);
    let stream = site.air.captured.clone();
    site.air.delay = [Some(0), None];
    site.until_cause(Cause::LinkLost);
    site.until_still();
    let taken = site.air.machine.tally().taken;
    let played = |site: &mut Site, stream: &[Packet]| {
        for packet in stream {
            let outcomes = site.air.play(packet);
            // A hello may be heard; what the hands once did may not.
            assert!(!outcomes.contains(&Ok(Kind::Hands)));
            site.run(20);
            assert!(!site.outputs.relays.valve_power && site.moved == 0.0);
        }
    };
    played(&mut site, &stream);
    assert_eq!(site.air.machine.tally().taken, taken);
    // Backwards; and at the same machine started again, which is listening for a hand control.
    let backwards: Vec<Packet> = stream.iter().rev().cloned().collect();
    played(&mut site, &backwards);
    site.air.machine = MachineEnd::new(&key(1), PAIR, [3; 16], late(&machine));
    played(&mut site, &stream);
    played(&mut site, &backwards);
    assert_eq!(site.air.machine.hand_frame(site.air.now()), HandFrame::default());
}

#[test]
fn a_forger_does_not_disturb_who_is_in_charge() {
    let machine = machine();
    let mut site = Site::slewing(&machine);
    let stream = site.air.captured.clone();
    for packet in &stream {
        site.air.play(packet);
        site.air.play(&packet[3..]);
        site.run(10);
        assert_eq!((site.outputs.status.state, site.cause()), (State::Enabled, None));
        assert!(site.moved > 0.0);
    }
}

#[test]
fn a_stop_at_the_hand_control_stops_the_arm() {
    let machine = machine();
    let mut site = Site::slewing(&machine);
    site.hands.stop_clear = false;
    let noticed = site.until_cause(Cause::HandStop);
    assert!(noticed <= SEND_EVERY + USUAL_WAY + u64::from(TICK_US), "{noticed} us");
}

/// On a poor channel, a tenth of all packets lost and the others up to 20 ms late, the hand control stays in charge.
#[test]
fn a_poor_channel_is_lived_with() {
    let machine = machine();
    let mut site = Site::slewing(&machine);
    let mut random = ChaCha8Rng::seed_from_u64(5);
    for _ in 0..5_000 {
        site.air.delay = [(); 2].map(|()| random.random_bool(0.9).then(|| random.random_range(0..20_000)));
        // To and fro, before the end of the stroke.
        let share = if site.strokes[0] > 1.5 { -0.3 } else { 0.3 };
        site.hands.levers[0] = Lever::new(share).unwrap();
        site.tick();
        assert_eq!((site.outputs.status.state, site.cause()), (State::Enabled, None));
    }
    assert!(site.air.machine.tally().lost > 30);
}
