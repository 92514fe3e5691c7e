//! The two ends with each other, over a channel that the test holds in its hands.

use std::vec::Vec;

use bellcrank_core::inputs::{HandFrame, Mode};
use bellcrank_core::units::{Duration, Instant, Lever};

use crate::{HandEnd, Id, Kind, MachineEnd, Packet, Pair, PairingKey, QUIET, Refused};

const PAIR: Pair = Pair {
    hand: Id(17),
    machine: Id(4),
};
const LATE: Duration = Duration::from_ticks(150_000);

fn at(ms: u64) -> Instant {
    Instant::from_ticks(1_000_000 + 1_000 * ms)
}

/// The hand control's clock began at another time.
fn hand_clock(ms: u64) -> Instant {
    Instant::from_ticks(77_000_000 + 1_000 * ms)
}

fn hand_end(boot: u8) -> HandEnd {
    HandEnd::new(&key(1), PAIR, [boot; 16])
}

fn machine_end(boot: u8) -> MachineEnd {
    MachineEnd::new(&key(1), PAIR, [boot; 16], LATE)
}

fn key(seed: u8) -> PairingKey {
    let mut bytes = [seed; 32];
    bytes[0] ^= 0x80;
    PairingKey::new(bytes).unwrap()
}

fn hands() -> HandFrame {
    let mut levers = [Lever::default(); 16];
    levers[3] = Lever::new(-1.0).unwrap();
    HandFrame {
        age: Some(Duration::from_ticks(0)),
        levers,
        mode: Mode::Tip,
        enable: true,
        stop_clear: true,
        ..HandFrame::default()
    }
}

/// The outcome of one packet.
fn give(packet: &Packet, mut receive: impl FnMut(u8) -> Option<Result<Kind, Refused>>) -> Result<Kind, Refused> {
    let outcomes: Vec<_> = packet.iter().filter_map(|byte| receive(*byte)).collect();
    assert_eq!(outcomes.len(), 1, "one packet is one frame");
    outcomes[0]
}

fn to_machine(machine: &mut MachineEnd, packet: &Packet, ms: u64) -> Result<Kind, Refused> {
    give(packet, |byte| machine.receive(byte, at(ms)))
}

fn to_hand(hand: &mut HandEnd, packet: &Packet, ms: u64) -> Result<Kind, Refused> {
    give(packet, |byte| hand.receive(byte, hand_clock(ms)))
}

fn say(hand: &mut HandEnd, ms: u64) -> Packet {
    hand.send(&hands(), hand_clock(ms)).unwrap()
}

/// A session that begins at `ms`, without delay, its first frame taken.
fn begin(hand: &mut HandEnd, machine: &mut MachineEnd, ms: u64) {
    assert_eq!(to_machine(machine, &say(hand, ms), ms), Ok(Kind::Hello));
    // A beat of the session before may come first.
    let answers = [machine.send(at(ms)), machine.send(at(ms))];
    let outcomes = answers.iter().flatten().map(|answer| to_hand(hand, answer, ms));
    assert_eq!(outcomes.last(), Some(Ok(Kind::Welcome)));
    assert_eq!(to_machine(machine, &say(hand, ms), ms), Ok(Kind::Hands));
}

fn session() -> (HandEnd, MachineEnd) {
    let (mut hand, mut machine) = (hand_end(1), machine_end(2));
    begin(&mut hand, &mut machine, 0);
    (hand, machine)
}

#[test]
fn a_session_carries_the_hands() {
    let (mut hand, mut machine) = session();
    let frame = machine.hand_frame(at(0));
    assert_eq!(frame, hands());
    assert!(hand.hears(hand_clock(0)));

    // Beats come at once, then every 20 ms.
    let beats: Vec<u64> = (0..100)
        .filter(|ms| {
            let beat = machine.send(at(*ms));
            beat.is_some_and(|beat| to_hand(&mut hand, &beat, *ms) == Ok(Kind::Beat))
        })
        .collect();
    // The first carries the time that the welcome carried already.
    assert_eq!(beats, [20, 40, 60, 80]);
    assert_eq!((machine.tally().sessions, hand.tally().sessions), (1, 1));
    assert_eq!((machine.tally().taken, hand.tally().taken), (2, 5));
    assert_eq!((machine.tally().refused(), hand.tally().refused()), (0, 1));
}

#[test]
fn without_a_frame_there_is_a_stop_and_no_age() {
    assert_eq!(machine_end(2).hand_frame(at(0)), HandFrame::default());
    let mut machine = machine_end(2);
    assert_eq!(machine.send(at(0)), None);
    assert_eq!(to_machine(&mut machine, &say(&mut hand_end(1), 0), 0), Ok(Kind::Hello));
    assert_eq!(machine.hand_frame(at(0)), HandFrame::default());
}

#[test]
fn the_age_is_never_below_the_truth_and_grows_in_silence() {
    let (mut hand, mut machine) = session();
    // Made at 3 ms from hands read 1 ms before, came at 8 ms; beat of 0 ms.
    let read = HandFrame {
        age: Some(Duration::from_ticks(1_000)),
        ..hands()
    };
    let packet = hand.send(&read, hand_clock(3)).unwrap();
    assert_eq!(to_machine(&mut machine, &packet, 8), Ok(Kind::Hands));
    let age = |ms| machine.hand_frame(at(ms)).age.unwrap().as_ticks();
    assert_eq!(age(8), 5_000 + 1_000 + 4_000 / 32);
    assert_eq!(age(160), 152_000 + 5_000 + 1_000 + 4_000 / 32);
}

#[test]
fn a_frame_that_was_held_back_is_as_old_as_it_is() {
    let (mut hand, mut machine) = session();
    let held_back: Vec<Packet> = (1..10).map(|i| say(&mut hand, i)).collect();
    for (i, packet) in held_back.iter().enumerate() {
        let came = 200 + i as u64;
        assert_eq!(to_machine(&mut machine, packet, came), Ok(Kind::Hands));
        assert!(!machine.hand_frame(at(came)).fresh(LATE));
    }
    assert_eq!(machine.tally().late, 9);
    // The machine's time held back on its way does not help either.
    let beat = machine.send(at(300)).unwrap();
    assert_eq!(to_hand(&mut hand, &beat, 480), Ok(Kind::Beat));
    assert_eq!(to_machine(&mut machine, &say(&mut hand, 481), 481), Ok(Kind::Hands));
    assert!(!machine.hand_frame(at(481)).fresh(LATE));
    // Without delay it does.
    let beat = machine.send(at(482)).unwrap();
    assert_eq!(to_hand(&mut hand, &beat, 482), Ok(Kind::Beat));
    assert_eq!(to_machine(&mut machine, &say(&mut hand, 483), 483), Ok(Kind::Hands));
    assert!(machine.hand_frame(at(483)).fresh(LATE));
}

#[test]
fn late_is_what_the_core_has_no_use_for() {
    for (came, late) in [(150, 0), (151, 1)] {
        let (mut hand, mut machine) = session();
        let packet = say(&mut hand, 0);
        assert_eq!(to_machine(&mut machine, &packet, came), Ok(Kind::Hands));
        assert_eq!(machine.tally().late, late);
        assert_eq!(machine.hand_frame(at(came)).fresh(LATE), late == 0);
    }
}

#[test]
fn frames_come_once_and_in_order() {
    let (mut hand, mut machine) = session();
    let packets: Vec<Packet> = (1..=5).map(|i| say(&mut hand, i)).collect();
    assert_eq!(to_machine(&mut machine, &packets[3], 6), Ok(Kind::Hands));
    assert_eq!(machine.tally().lost, 3);
    let before = machine.hand_frame(at(6));
    assert_eq!(to_machine(&mut machine, &packets[1], 6), Err(Refused::OutOfOrder));
    assert_eq!(to_machine(&mut machine, &packets[1], 6), Err(Refused::Repeated));
    assert_eq!(to_machine(&mut machine, &packets[3], 6), Err(Refused::Repeated));
    assert_eq!(machine.hand_frame(at(6)), before);
    assert_eq!(to_machine(&mut machine, &packets[4], 6), Ok(Kind::Hands));
}

#[test]
fn beats_come_once_and_in_order() {
    let (mut hand, mut machine) = session();
    let beats: Vec<Packet> = [30, 60, 90].iter().map(|ms| machine.send(at(*ms)).unwrap()).collect();
    assert_eq!(to_hand(&mut hand, &beats[1], 91), Ok(Kind::Beat));
    assert_eq!(to_hand(&mut hand, &beats[0], 91), Err(Refused::OutOfOrder));
    assert_eq!(to_hand(&mut hand, &beats[1], 91), Err(Refused::Repeated));
    assert_eq!(to_hand(&mut hand, &beats[2], 91), Ok(Kind::Beat));
}

#[test]
fn a_hand_control_that_starts_again_gets_a_new_session_and_the_old_one_is_over() {
    let (mut hand, mut machine) = session();
    let old: Vec<Packet> = (1..=3).map(|i| say(&mut hand, i)).collect();
    let mut hand = hand_end(3);
    begin(&mut hand, &mut machine, 10);
    for packet in &old {
        assert_eq!(to_machine(&mut machine, packet, 11), Err(Refused::NotAuthentic));
    }
    assert_eq!(machine.tally().sessions, 2);
}

#[test]
fn a_machine_that_starts_again_is_asked_anew_once_it_has_been_quiet() {
    let (mut hand, _) = session();
    let mut machine = machine_end(3);
    assert_eq!(to_machine(&mut machine, &say(&mut hand, 1), 1), Err(Refused::NoSession));
    let quiet = u64::from(QUIET.as_ticks() / 1_000);
    assert!(hand.hears(hand_clock(quiet)));
    assert_eq!(
        to_machine(&mut machine, &say(&mut hand, quiet), quiet),
        Err(Refused::NoSession)
    );
    assert!(!hand.hears(hand_clock(quiet + 1)));
    begin(&mut hand, &mut machine, quiet + 1);
    assert_eq!(hand.tally().sessions, 2);
}

#[test]
fn what_was_sent_in_one_session_is_worth_nothing_in_the_next() {
    // The machine starts again, the hand control does not, and somebody plays everything to both that was ever said.
    let (mut hand, mut machine) = (hand_end(1), machine_end(2));
    let hello = say(&mut hand, 0);
    assert_eq!(to_machine(&mut machine, &hello, 0), Ok(Kind::Hello));
    let welcome = machine.send(at(0)).unwrap();
    assert_eq!(to_hand(&mut hand, &welcome, 0), Ok(Kind::Welcome));
    let said: Vec<Packet> = (0..50).map(|i| say(&mut hand, i)).collect();

    let mut machine = machine_end(3);
    assert_eq!(to_machine(&mut machine, &hello, 100), Ok(Kind::Hello));
    for packet in &said {
        assert_eq!(to_machine(&mut machine, packet, 100), Err(Refused::NotAuthentic));
    }
    assert_eq!(machine.hand_frame(at(100)), HandFrame::default());
    // Nor does the old welcome begin a session at a hand control that asks again.
    assert_eq!(to_hand(&mut hand, &welcome, 100), Err(Refused::Repeated));
    let mut hand = hand_end(4);
    assert_eq!(to_hand(&mut hand, &welcome, 100), Err(Refused::Repeated));
}

#[test]
fn a_hello_played_again_does_not_end_the_session() {
    let (mut hand, mut machine) = (hand_end(1), machine_end(2));
    let old_hello = say(&mut hand_end(9), 0);
    let hello = say(&mut hand, 0);
    assert_eq!(to_machine(&mut machine, &hello, 0), Ok(Kind::Hello));
    let welcome = machine.send(at(0)).unwrap();
    // Asked twice before the answer comes: answered twice the same.
    assert_eq!(to_machine(&mut machine, &hello, 0), Ok(Kind::Hello));
    let again = machine.send(at(0)).unwrap();
    assert_eq!(welcome, again);
    assert_eq!(to_hand(&mut hand, &again, 0), Ok(Kind::Welcome));
    assert_eq!(to_hand(&mut hand, &welcome, 0), Err(Refused::Repeated));
    assert_eq!(to_machine(&mut machine, &say(&mut hand, 0), 0), Ok(Kind::Hands));

    assert_eq!(to_machine(&mut machine, &hello, 1), Err(Refused::Repeated));
    assert_eq!(to_machine(&mut machine, &old_hello, 1), Ok(Kind::Hello));
    let beat = machine.send(at(1)).unwrap();
    assert_eq!(to_hand(&mut hand, &beat, 1), Ok(Kind::Beat));
    let answer = machine.send(at(1)).unwrap();
    assert_eq!(to_hand(&mut hand, &answer, 1), Err(Refused::Repeated));
    assert_eq!(to_machine(&mut machine, &say(&mut hand, 2), 2), Ok(Kind::Hands));
    assert_eq!(machine.tally().sessions, 1);
}

#[test]
fn hellos_played_without_end_do_not_keep_the_machine_from_telling_its_time() {
    let (mut hand, mut machine) = session();
    let old = [say(&mut hand_end(8), 0), say(&mut hand_end(9), 0)];
    let mut beats = 0;
    for ms in 1..=100 {
        assert_eq!(
            to_machine(&mut machine, &old[usize::from(ms % 2 == 0)], ms),
            Ok(Kind::Hello)
        );
        let sent = machine.send(at(ms)).unwrap();
        beats += usize::from(to_hand(&mut hand, &sent, ms) == Ok(Kind::Beat));
    }
    assert_eq!(beats, 5);
    assert_eq!(machine.tally().sessions, 1);
}

#[test]
fn nobody_is_answered_with_his_own_words_or_heard_with_another_key() {
    let (mut hand, mut machine) = session();
    let (said, beat) = (say(&mut hand, 20), machine.send(at(20)).unwrap());
    assert_eq!(to_hand(&mut hand, &said, 20), Err(Refused::WrongAddress));
    assert_eq!(to_machine(&mut machine, &beat, 20), Err(Refused::WrongAddress));

    let mut stranger = HandEnd::new(&key(2), PAIR, [1; 16]);
    assert_eq!(
        to_machine(&mut machine, &say(&mut stranger, 20), 20),
        Err(Refused::NotAuthentic)
    );
    let mut asking = hand_end(5);
    let mut other = MachineEnd::new(&key(2), PAIR, [2; 16], LATE);
    assert_eq!(to_machine(&mut other, &say(&mut stranger, 20), 20), Ok(Kind::Hello));
    let welcome = other.send(at(20)).unwrap();
    assert_eq!(to_hand(&mut asking, &welcome, 20), Err(Refused::NotAuthentic));
    assert_eq!(to_hand(&mut asking, &beat, 20), Err(Refused::NoSession));
}

#[test]
fn no_clock_of_the_hand_control_makes_a_frame_young() {
    let (mut hand, mut machine) = session();
    // 1/32 fast and 1 ms more: that cannot be.
    let fast = hand.send(&hands(), hand_clock(320 + 11)).unwrap();
    assert_eq!(to_machine(&mut machine, &fast, 320), Err(Refused::FromTheFuture));
    // Gone backwards: the session is given up.
    assert!(!hand.hears(Instant::from_ticks(0)));
    let hello = hand.send(&hands(), Instant::from_ticks(0)).unwrap();
    assert_eq!(to_machine(&mut machine, &hello, 330), Ok(Kind::Hello));
}

#[test]
fn hands_that_were_not_read_are_not_sent() {
    let (mut hand, _) = session();
    assert_eq!(hand.send(&HandFrame::default(), hand_clock(1)), None);
}

#[test]
fn an_end_is_as_small_as_is_said() {
    assert!(size_of::<HandEnd>() < 1_100 && size_of::<MachineEnd>() < 1_600);
}
