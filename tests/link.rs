//! The wireless link on a hostile channel: what each error of the channel comes to, and what the core makes of it.
//!
//! The error kinds are those of IEC 61784-3, as OPC 10000-15 (OPC UA Safety), table 2, gives them.

use bellcrank_core::cause::Cause;
use bellcrank_core::inputs::{HandFrame, Inputs, Mode, SensorInput, Station};
use bellcrank_core::machine::{AxisId, PerAxis};
use bellcrank_core::supervise::State;
use bellcrank_core::units::{Duration, Instant, Lever, Volts};
use bellcrank_core::{Controller, Machine, Outputs};
use bellcrank_link::{BEAT_EVERY, HandEnd, Id, Kind, MachineEnd, Packet, Pair, PairingKey, Refused, Tally};
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::check::{TICK_US, parts};

pub const PAIR: Pair = Pair {
    hand: Id(0x0117),
    machine: Id(0x4004),
};

/// How long the channel takes when nothing is wrong, µs.
const USUAL_WAY: u64 = 4_000;
/// How often the hand control sends, µs.
const SEND_EVERY: u64 = 20_000;

pub fn key(seed: u8) -> PairingKey {
    PairingKey::new(core::array::from_fn(|i| seed.wrapping_add(u8::try_from(i).unwrap()))).unwrap()
}

fn late(machine: &Machine) -> Duration {
    machine.remote().unwrap().frame_late
}

/// A hand control, a machine's end, and what is on its way between them.
struct Air {
    hand: HandEnd,
    machine: MachineEnd,
    /// Time since the beginning, µs. The hand control's clock has another zero.
    us: u64,
    to_hand: Vec<(u64, Packet)>,
    to_machine: Vec<(u64, Packet)>,
    /// What the channel adds to its way to the hand control, and to the machine, µs. None: nothing comes through.
    delay: [Option<u64>; 2],
    /// All that the hand control ever sent.
    captured: Vec<Packet>,
}

impl Air {
    fn new(machine: &Machine) -> Self {
        Self {
            hand: HandEnd::new(&key(1), PAIR, [1; 16]),
            machine: MachineEnd::new(&key(1), PAIR, [2; 16], late(machine)),
            us: 0,
            to_hand: Vec::new(),
            to_machine: Vec::new(),
            delay: [Some(0); 2],
            captured: Vec::new(),
        }
    }

    fn now(&self) -> Instant {
        Instant::from_ticks(self.us)
    }

    /// One tick of both ends, the hands being as `hands` says.
    fn tick(&mut self, hands: &HandFrame) {
        self.us += u64::from(TICK_US);
        let (now, hand_now) = (self.now(), Instant::from_ticks(self.us + 3_000_000_000));
        if let (Some(packet), Some(delay)) = (self.machine.send(now), self.delay[0]) {
            self.to_hand.push((self.us + USUAL_WAY + delay, packet));
        }
        if self.us.is_multiple_of(SEND_EVERY)
            && let Some(packet) = self.hand.send(hands, hand_now)
        {
            self.captured.push(packet.clone());
            if let Some(delay) = self.delay[1] {
                self.to_machine.push((self.us + USUAL_WAY + delay, packet));
            }
        }
        for packet in due(&mut self.to_hand, self.us) {
            for byte in packet {
                self.hand.receive(byte, hand_now);
            }
        }
        for packet in due(&mut self.to_machine, self.us) {
            self.play(&packet);
        }
    }

    /// Somebody sends this to the machine. The outcomes of the frames in it.
    fn play(&mut self, packet: &[u8]) -> Vec<Result<Kind, Refused>> {
        let now = self.now();
        packet
            .iter()
            .filter_map(|byte| self.machine.receive(*byte, now))
            .collect()
    }
}

/// What has arrived by now.
fn due(on_way: &mut Vec<(u64, Packet)>, us: u64) -> Vec<Packet> {
    let (there, still) = std::mem::take(on_way).into_iter().partition(|(at, _)| *at <= us);
    *on_way = still;
    let there: Vec<(u64, Packet)> = there;
    there.into_iter().map(|(_, packet)| packet).collect()
}

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
        let outputs = controller.tick(&inputs([1.5; 2], 0, HandFrame::default()));
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
        self.outputs = self.controller.tick(&inputs(self.strokes, self.air.us, frame));
        self.moved = 0.0;
        for (index, stroke) in self.strokes.iter_mut().enumerate() {
            let duty = self.outputs.duties.get(AxisId::new(index).unwrap()).share();
            let opening = (duty - 0.5) / 0.4;
            let beyond = (opening.abs() - 0.1).max(0.0) / 0.9;
            if self.outputs.valve_power {
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
        while (self.moved > 0.0 || self.outputs.valve_power) && self.air.us < begin + 2_000_000 {
            self.tick();
        }
        self.air.us - begin
    }
}

fn inputs(strokes: [f32; 2], us: u64, remote: HandFrame) -> Inputs {
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
        reset: false,
        selector: Station::Remote,
        seat: HandFrame::default(),
        remote,
    }
}

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

/// What was counted between two tallies, as pairs of name and count, those that are zero left out.
fn counted(before: &Tally, after: &Tally) -> Vec<(&'static str, u32)> {
    [
        ("taken", after.taken - before.taken),
        ("corrupt", after.corrupt - before.corrupt),
        ("other version", after.other_version - before.other_version),
        ("wrong address", after.wrong_address - before.wrong_address),
        ("not authentic", after.not_authentic - before.not_authentic),
        ("repeated", after.repeated - before.repeated),
        ("out of order", after.out_of_order - before.out_of_order),
        ("lost", after.lost - before.lost),
        ("late", after.late - before.late),
    ]
    .into_iter()
    .filter(|(_, count)| *count > 0)
    .collect()
}

/// A session of a second; then the hand control makes ten frames, and the channel does to them what `channel` does. What was counted,
/// and the hand frame before and after.
fn ten_frames(channel: impl FnOnce(&mut Air, Vec<Packet>)) -> (Vec<(&'static str, u32)>, [HandFrame; 2]) {
    let machine = machine();
    let mut air = Air::new(&machine);
    let mut hands = HandFrame {
        age: Some(Duration::from_ticks(0)),
        stop_clear: true,
        ..HandFrame::default()
    };
    for _ in 0..500 {
        air.tick(&hands);
    }
    hands.enable = true;
    hands.mode = Mode::Tip;
    let hand_now = Instant::from_ticks(air.us + 3_000_000_000);
    // What is on its way arrives before.
    for (_, packet) in std::mem::take(&mut air.to_machine) {
        air.play(&packet);
    }
    let packets = (0..10).map(|_| air.hand.send(&hands, hand_now).unwrap()).collect();
    let (tally, before) = (*air.machine.tally(), air.machine.hand_frame(air.now()));
    channel(&mut air, packets);
    let after = air.machine.hand_frame(air.now());
    (counted(&tally, air.machine.tally()), [before, after])
}

/// The frame after is the one before, only older.
#[track_caller]
fn unchanged([before, after]: [HandFrame; 2]) {
    assert!(before.age <= after.age);
    assert_eq!(HandFrame { age: None, ..before }, HandFrame { age: None, ..after });
}

#[test]
fn without_an_error_all_are_taken() {
    let (counted, [before, after]) = ten_frames(|air, packets| {
        for packet in packets {
            air.play(&packet);
        }
    });
    assert_eq!(counted, [("taken", 10)]);
    assert!(after.enable && !before.enable);
}

#[test]
fn corruption() {
    // Each byte of each frame in turn, each bit of it.
    let (counted, frames) = ten_frames(|air, packets| {
        for packet in packets {
            for bit in 0..packet.len() * 8 {
                let mut packet = packet.clone();
                packet[bit / 8] ^= 1 << (bit % 8);
                // Another border, in case that one of its own was hit.
                assert!(air.play(&packet).iter().all(Result::is_err), "bit {bit}");
                assert!(air.play(&[0]).iter().all(Result::is_err), "bit {bit}");
            }
        }
    });
    unchanged(frames);
    let kinds = ["corrupt", "other version", "wrong address", "not authentic"];
    assert!(counted.iter().all(|(name, _)| kinds.contains(name)), "{counted:?}");
}

#[test]
fn unintended_repetition() {
    let (counted, _) = ten_frames(|air, packets| {
        for packet in packets {
            for _ in 0..3 {
                air.play(&packet);
            }
        }
    });
    assert_eq!(counted, [("taken", 10), ("repeated", 20)]);
    // All that was ever sent, once more.
    let (counted, frames) = ten_frames(|air, _| {
        for packet in air.captured.clone() {
            assert!(air.play(&packet)[0].is_err());
        }
    });
    assert_eq!(counted, [("repeated", 50)]);
    unchanged(frames);
}

#[test]
fn incorrect_sequence() {
    let (counted, _) = ten_frames(|air, packets| {
        for packet in packets.iter().rev() {
            air.play(packet);
        }
    });
    assert_eq!(counted, [("taken", 1), ("out of order", 9), ("lost", 9)]);
}

#[test]
fn loss() {
    let (counted, _) = ten_frames(|air, packets| {
        air.play(&packets[2]);
        air.play(&packets[9]);
    });
    assert_eq!(counted, [("taken", 2), ("lost", 8)]);
    let (counted, [_, after]) = ten_frames(|air, _| air.us += 150_000);
    assert_eq!(counted, []);
    assert!(!after.fresh(Duration::from_ticks(150_000)));
}

#[test]
fn unacceptable_delay() {
    let (counted, [_, after]) = ten_frames(|air, packets| {
        for packet in packets {
            air.us += 150_000;
            air.play(&packet);
        }
    });
    assert_eq!(counted, [("taken", 10), ("late", 10)]);
    assert!(after.age.unwrap() >= Duration::from_ticks(1_500_000));
}

#[test]
fn insertion() {
    // Frames of another pair, of another session of this pair, and rubbish, between those that are right.
    let (counted, _) = ten_frames(|air, packets| {
        let earlier = air.captured.clone();
        for (i, packet) in packets.iter().enumerate() {
            air.play(&[0, 9, 8, 7, 0]);
            air.play(&earlier[i + 5]);
            air.play(packet);
        }
    });
    assert_eq!(counted, [("taken", 10), ("corrupt", 10), ("repeated", 10)]);
}

#[test]
fn masquerade() {
    // A hand control that has all but the key, let into a session by a machine that has its key, too.
    let (counted, frames) = ten_frames(|air, _| {
        let machine = machine();
        let mut forger = Air::new(&machine);
        forger.hand = HandEnd::new(&key(2), PAIR, [1; 16]);
        forger.machine = MachineEnd::new(&key(2), PAIR, [2; 16], late(&machine));
        for _ in 0..500 {
            forger.tick(&HandFrame {
                age: Some(Duration::from_ticks(0)),
                stop_clear: true,
                enable: true,
                ..HandFrame::default()
            });
        }
        assert!(forger.machine.tally().taken > 40);
        for packet in forger.captured {
            air.play(&packet);
        }
    });
    assert_eq!(counted, [("not authentic", 50)]);
    unchanged(frames);
}

#[test]
fn addressing() {
    // The right frames at another machine, which by mistake was given the same key.
    let (_, _) = ten_frames(|air, packets| {
        let mut other = MachineEnd::new(
            &key(1),
            Pair {
                machine: Id(0x4005),
                ..PAIR
            },
            [2; 16],
            Duration::from_ticks(150_000),
        );
        let now = air.now();
        for packet in air.captured.iter().chain(&packets) {
            for outcome in packet.iter().filter_map(|byte| other.receive(*byte, now)) {
                assert_eq!(outcome, Err(Refused::WrongAddress));
            }
        }
        assert_eq!(other.hand_frame(now), HandFrame::default());
        assert_eq!(other.tally().wrong_address, 60);
    });
    // With the address changed on the way, at either machine.
    let (counted, frames) = ten_frames(|air, packets| {
        for mut packet in packets {
            // Border, stuffing, version, kind, then from and to.
            packet[7] ^= 1;
            air.play(&packet);
        }
    });
    assert_eq!(counted, [("wrong address", 10)]);
    unchanged(frames);
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
            assert!(!site.outputs.valve_power && site.moved == 0.0);
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

/// What becomes of a packet.
#[derive(Debug, Clone, Copy)]
enum Fate {
    Comes(u64),
    ComesTwice(u64, u64),
    IsLost,
    Changes(u64, u16),
}

fn fate() -> impl Strategy<Value = Fate> {
    let way = || prop_oneof![8 => 0_u64..40_000, 1 => 0_u64..800_000];
    prop_oneof![
        8 => way().prop_map(Fate::Comes),
        1 => (way(), way()).prop_map(|(a, b)| Fate::ComesTwice(a, b)),
        2 => Just(Fate::IsLost),
        1 => (way(), any::<u16>()).prop_map(|(way, bit)| Fate::Changes(way, bit)),
    ]
}

fn meet(fate: Fate, packet: Packet, us: u64, on_way: &mut Vec<(u64, Packet)>) {
    match fate {
        Fate::Comes(way) => on_way.push((us + way, packet)),
        Fate::ComesTwice(way, again) => on_way.extend([(us + way, packet.clone()), (us + again, packet)]),
        Fate::IsLost => {}
        Fate::Changes(way, bit) => {
            let mut packet = packet;
            let bit = usize::from(bit) % (packet.len() * 8);
            packet[bit / 8] ^= 1 << (bit % 8);
            on_way.push((us + way, packet));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    /// On any channel, with any clock that is within its error: each frame that is taken was sent, in this order, and is no older than
    /// is said.
    #[test]
    fn no_channel_makes_a_frame_young(
        fates in prop::collection::vec((fate(), fate()), 20..400),
        clock_error in -1_000_i64..=1_000,
    ) {
        let machine = machine();
        let mut air = Air::new(&machine);
        // The hand control's clock against the machine's: so many thousandths of a 32nd fast or slow.
        let hand_clock = |us: u64| {
            let fast = i64::try_from(us).unwrap() * clock_error / 32_000;
            Instant::from_ticks(5_000_000 + us.checked_add_signed(fast).unwrap())
        };
        // Which frame it is stands in one of its levers.
        let lever = |number: u64| Lever::new(f32::from(u16::try_from(number).unwrap()) / 8191.0).unwrap();
        let mut newest = None;
        let mut next = fates.iter().cycle();
        for i in 0..(fates.len() as u64 * 10) {
            air.us = i * 2_000;
            let (now, hand_now) = (air.now(), hand_clock(air.us));
            if let Some(packet) = air.machine.send(now) {
                meet(next.next().unwrap().0, packet, air.us, &mut air.to_hand);
            }
            if i % 10 == 0 {
                let mut hands = HandFrame { age: Some(Duration::from_ticks(0)), ..HandFrame::default() };
                hands.levers[0] = lever(i / 10);
                if let Some(packet) = air.hand.send(&hands, hand_now) {
                    meet(next.next().unwrap().1, packet, air.us, &mut air.to_machine);
                }
            }
            for packet in due(&mut air.to_hand, air.us) {
                for byte in packet {
                    air.hand.receive(byte, hand_now);
                }
            }
            for packet in due(&mut air.to_machine, air.us) {
                let took = air.play(&packet).contains(&Ok(Kind::Hands));
                let frame = air.machine.hand_frame(now);
                if took {
                    let number = (0..=i / 10).find(|number| lever(*number) == frame.levers[0]).unwrap();
                    prop_assert!(newest.is_none_or(|newest| number > newest));
                    newest = Some(number);
                }
            }
            let frame = air.machine.hand_frame(now);
            prop_assert_eq!(frame.age.is_some(), newest.is_some());
            if let (Some(age), Some(number)) = (frame.age, newest) {
                let truth = air.us - number * 20_000;
                prop_assert!(u64::from(age.as_ticks()) >= truth, "said {age}, is {truth} us");
            }
        }
    }
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
