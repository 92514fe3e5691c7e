//! The wireless link on a hostile channel: what each error of the channel comes to, and that no channel makes a frame young.
//!
//! The error kinds are those of IEC 61784-3, as OPC 10000-15 (OPC UA Safety), table 2, gives them.

use bellcrank_core::Machine;
use bellcrank_core::inputs::{HandFrame, Mode};
use bellcrank_core::units::{Duration, Instant, Lever};
use bellcrank_link::{HandEnd, Id, Kind, MachineEnd, Packet, Pair, PairingKey, Refused, Tally};
use proptest::prelude::*;

use crate::check::{TICK_US, parts};

pub const PAIR: Pair = Pair {
    hand: Id(0x0117),
    machine: Id(0x4004),
};

/// How long the channel takes when nothing is wrong, µs.
pub const USUAL_WAY: u64 = 4_000;
/// How often the hand control sends, µs.
pub const SEND_EVERY: u64 = 20_000;

pub fn key(seed: u8) -> PairingKey {
    PairingKey::new(core::array::from_fn(|i| seed.wrapping_add(u8::try_from(i).unwrap()))).unwrap()
}

pub fn late(machine: &Machine) -> Duration {
    machine.remote().unwrap().frame_late
}

/// A hand control, a machine's end, and what is on its way between them.
pub struct Air {
    pub hand: HandEnd,
    pub machine: MachineEnd,
    /// Time since the beginning, µs. The hand control's clock has another zero.
    pub us: u64,
    to_hand: Vec<(u64, Packet)>,
    pub to_machine: Vec<(u64, Packet)>,
    /// What the channel adds to its way to the hand control, and to the machine, µs. None: nothing comes through.
    pub delay: [Option<u64>; 2],
    /// All that the hand control ever sent.
    pub captured: Vec<Packet>,
}

impl Air {
    pub fn new(machine: &Machine) -> Self {
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

    pub fn now(&self) -> Instant {
        Instant::from_ticks(self.us)
    }

    /// One tick of both ends, the hands being as `hands` says.
    pub fn tick(&mut self, hands: &HandFrame) {
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
    pub fn play(&mut self, packet: &[u8]) -> Vec<Result<Kind, Refused>> {
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

pub fn machine() -> Machine {
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
