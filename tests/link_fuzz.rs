//! The wireless link under frames that were changed in every way: none is taken, nothing panics, and the next right frame is.
//!
//! In a test run some hundred thousand frames; `cargo xtask fuzz` runs ten million in release. The generator is seeded: a run can be had
//! again, in either. It begins with the packets of a session and hand-made rubbish (`data/link-packets.txt`), and with any of them that
//! are whole it goes inside: it takes the stuffing off, changes what is in there, and stuffs it again, so that not all stops at the borders.

use std::env;

use bellcrank_core::inputs::HandFrame;
use bellcrank_core::units::{Duration, Instant, Lever};
use bellcrank_link::{HandEnd, Kind, MachineEnd, PACKET_MAX, Refused, Tally};
use rand::prelude::*;
use rand_chacha::ChaCha8Rng;

use crate::link::{PAIR, key};

/// Set by `cargo xtask fuzz`.
const FRAMES: &str = "BELLCRANK_FUZZ_FRAMES";
const FRAMES_IN_A_TEST: u64 = 200_000;

/// How many changed frames come between two right ones.
const BETWEEN: u64 = 500;

/// Version, kind, from, to.
const HEADER: usize = 6;

const CORPUS: &str = include_str!("data/link-packets.txt");

/// The packets of the corpus, with what each is.
fn corpus() -> Vec<(String, Vec<u8>)> {
    let lines = CORPUS.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    lines
        .map(|line| {
            let (what, hex) = line.rsplit_once(' ').unwrap();
            let byte = |at: usize| u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
            (what.to_owned(), (0..hex.len()).step_by(2).map(byte).collect())
        })
        .collect()
}

/// Both ends in a session that always begins the same, and its packets.
struct Ends {
    hand: HandEnd,
    machine: MachineEnd,
    packets: Vec<(&'static str, Vec<u8>)>,
}

fn hands(lever: f32) -> HandFrame {
    let mut levers = [Lever::default(); 16];
    levers[0] = Lever::new(lever).unwrap();
    levers[15] = Lever::new(-lever).unwrap();
    HandFrame {
        age: Some(Duration::from_ticks(0)),
        levers,
        enable: lever != 0.0,
        stop_clear: true,
        ..HandFrame::default()
    }
}

fn at(us: u64) -> Instant {
    Instant::from_ticks(us)
}

fn feed(bytes: &[u8], mut receive: impl FnMut(u8) -> Option<Result<Kind, Refused>>) -> Vec<Result<Kind, Refused>> {
    bytes.iter().filter_map(|byte| receive(*byte)).collect()
}

impl Ends {
    fn in_session() -> Self {
        let mut ends = Self {
            hand: HandEnd::new(&key(1), PAIR, [1; 16]),
            machine: MachineEnd::new(&key(1), PAIR, [2; 16], Duration::from_ticks(150_000)),
            packets: Vec::new(),
        };
        ends.say("hello", &hands(0.0), 0);
        ends.answer("welcome", 0);
        ends.say("hands at rest", &hands(0.0), 1_000);
        ends.answer("beat", 21_000);
        ends.say("hands on two levers", &hands(0.75), 22_000);
        ends
    }

    /// The hand control says something, and it is taken.
    fn say(&mut self, what: &'static str, hands: &HandFrame, us: u64) {
        let packet = self.hand.send(hands, at(us)).unwrap();
        let outcomes = feed(&packet, |byte| self.machine.receive(byte, at(us)));
        assert!(
            outcomes.iter().all(Result::is_ok) && outcomes.len() == 1,
            "{what}: {outcomes:?}"
        );
        self.packets.push((what, packet.to_vec()));
    }

    /// The machine says something, and it is taken.
    fn answer(&mut self, what: &'static str, us: u64) {
        let packet = self.machine.send(at(us)).unwrap();
        let outcomes = feed(&packet, |byte| self.hand.receive(byte, at(us)));
        assert!(
            outcomes.iter().all(Result::is_ok) && outcomes.len() == 1,
            "{what}: {outcomes:?}"
        );
        self.packets.push((what, packet.to_vec()));
    }
}

/// The format has not changed: what a session sent when this file was written, it sends now.
#[test]
fn the_packets_are_those_of_the_corpus() {
    let sent = Ends::in_session().packets;
    let kept: Vec<_> = corpus().into_iter().filter(|(what, _)| what != "rubbish").collect();
    let lines = |packets: Vec<(String, Vec<u8>)>| -> Vec<String> {
        let hex = |packet: Vec<u8>| {
            packet
                .iter()
                .fold(String::new(), |hex, byte| hex + &format!("{byte:02x}"))
        };
        packets
            .into_iter()
            .map(|(what, packet)| format!("{what} {}", hex(packet)))
            .collect()
    };
    let sent = lines(
        sent.into_iter()
            .map(|(what, packet)| (what.to_owned(), packet))
            .collect(),
    );
    assert_eq!(
        lines(kept),
        sent,
        "if it should have: the version goes up, and data/link-packets.txt holds\n{}",
        sent.join("\n")
    );
}

#[test]
fn no_changed_frame_is_taken() {
    let frames = env::var(FRAMES).map_or(FRAMES_IN_A_TEST, |frames| frames.parse().unwrap());
    let corpus = corpus().into_iter();
    // The packets of the session, each three times, and the rubbish once.
    let corpus: Vec<Vec<u8>> = corpus
        .flat_map(|(what, packet)| vec![packet; if what == "rubbish" { 1 } else { 3 }])
        .collect();
    let mut random = ChaCha8Rng::seed_from_u64(0xbe11);
    let mut ends = Ends::in_session();
    // The same two, started again: they look for each other.
    let mut asking = HandEnd::new(&key(1), PAIR, [3; 16]);
    let mut listening = MachineEnd::new(&key(1), PAIR, [4; 16], Duration::from_ticks(150_000));
    let mut us = 30_000;
    for round in 0..frames.div_ceil(BETWEEN) {
        let mut hidden = Vec::new();
        for _ in 0..BETWEEN {
            us += 1;
            let packet = changed(&corpus, &mut random);
            let outcomes = [
                feed(&packet, |byte| ends.machine.receive(byte, at(us))),
                feed(&packet, |byte| ends.hand.receive(byte, at(us))),
                feed(&packet, |byte| asking.receive(byte, at(us))),
            ];
            // A wish for a session that was once sent is heard again, and leads no further.
            let heard = feed(&packet, |byte| listening.receive(byte, at(us)));
            assert!(
                heard
                    .iter()
                    .all(|outcome| outcome.is_err() || *outcome == Ok(Kind::Hello))
            );
            assert!(outcomes.iter().flatten().all(Result::is_err), "taken: {packet:02x?}");
            hidden = packet;
        }
        // Whatever came before, the next right frame is taken, in either way.
        let lever = f32::from(u8::try_from(round % 100).unwrap()) / 100.0;
        us += 20_000;
        let beat = ends.machine.send(at(us)).unwrap();
        let outcomes = feed(&beat, |byte| ends.hand.receive(byte, at(us)));
        assert_eq!(outcomes.last(), Some(&Ok(Kind::Beat)), "after {hidden:02x?}");
        let packet = ends.hand.send(&hands(lever), at(us)).unwrap();
        let outcomes = feed(&packet, |byte| ends.machine.receive(byte, at(us)));
        assert_eq!(outcomes.last(), Some(&Ok(Kind::Hands)), "after {hidden:02x?}");
        let frame = ends.machine.hand_frame(at(us));
        assert!((frame.levers[0].share() - lever).abs() < 1e-4);
    }
    assert_eq!(listening.hand_frame(at(us)), HandFrame::default());
    assert!(listening.tally().sessions == 0 && asking.tally().sessions == 0);
    println!("{frames} changed frames for each end, none taken");
    for (end, tally) in [("machine", ends.machine.tally()), ("hand control", ends.hand.tally())] {
        println!("{end}: {tally:?}");
        reached_everything(tally);
    }
}

/// Changed frames got as far as each check that stands before the tag, and to the tag.
fn reached_everything(tally: &Tally) {
    for (name, count) in [
        ("corrupt", tally.corrupt),
        ("other version", tally.other_version),
        ("wrong address", tally.wrong_address),
        ("not authentic", tally.not_authentic),
        ("repeated", tally.repeated),
    ] {
        assert!(count > 100, "{name}: {count}");
    }
    // These come after the tag.
    assert_eq!((tally.malformed, tally.from_the_future), (0, 0));
}

/// A packet that is not right, or was already there.
fn changed(corpus: &[Vec<u8>], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut packet = corpus.choose(random).unwrap().clone();
    match random.random_range(0..20) {
        // As it is: it was there before.
        0 => {}
        // Anything, with or without a border.
        1 => {
            packet = vec![0; random.random_range(0..2 * PACKET_MAX)];
            random.fill(&mut packet[..]);
        }
        // Changed as the channel would.
        2..8 => change(&mut packet, corpus, random),
        // Changed inside, with the borders right; more often than not behind the header.
        inside => {
            let mut header = unstuffed(&packet);
            let mut rest = header.split_off(if inside < 12 { 0 } else { header.len().min(HEADER) });
            change(&mut rest, corpus, random);
            rest.truncate(200);
            packet = stuffed(&[header, rest].concat());
        }
    }
    packet
}

/// One to three changes.
fn change(bytes: &mut Vec<u8>, corpus: &[Vec<u8>], random: &mut ChaCha8Rng) {
    for _ in 0..random.random_range(1..=3) {
        let at = random.random_range(0..=bytes.len());
        let to = random.random_range(at..=bytes.len());
        match random.random_range(0..8) {
            0 | 1 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << random.random_range(0..8);
                }
            }
            2 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = *[0x00, 0x01, 0x7f, 0x80, 0xfe, 0xff].choose(random).unwrap();
                }
            }
            3 => bytes.insert(at, random.random()),
            4 => drop(bytes.drain(at..to)),
            5 => bytes.truncate(at),
            6 => {
                let piece = bytes[at..to].to_vec();
                bytes.splice(at..at, piece);
            }
            // The end of another.
            _ => {
                let other = unstuffed(corpus.choose(random).unwrap());
                let from = random.random_range(0..=other.len());
                bytes.truncate(at);
                bytes.extend(&other[from..]);
            }
        }
    }
}

/// What is in a packet, as far as it can be made out. Written the plain way, apart from the link's.
fn unstuffed(packet: &[u8]) -> Vec<u8> {
    let mut rest = packet.iter().copied().filter(|byte| *byte != 0);
    let mut content = Vec::new();
    while let Some(code) = rest.next() {
        content.extend(rest.by_ref().take(usize::from(code) - 1));
        if code < 0xff {
            content.push(0);
        }
    }
    content.pop();
    content
}

/// A packet with this in it, which is below 254 bytes.
fn stuffed(content: &[u8]) -> Vec<u8> {
    let mut packet = vec![0];
    for piece in content.split(|byte| *byte == 0) {
        packet.push(u8::try_from(piece.len() + 1).unwrap());
        packet.extend(piece);
    }
    packet.push(0);
    packet
}

#[test]
fn the_plain_stuffing_is_that_of_the_link() {
    for (what, packet) in corpus().into_iter().filter(|(what, _)| what != "rubbish") {
        assert_eq!(stuffed(&unstuffed(&packet)), packet, "{what}");
    }
}
