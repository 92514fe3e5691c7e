//! A serial port that is short, silent, broken or full of garbage, and what becomes of the frames.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;
use std::vec::Vec;

use bellcrank_core::units::Duration;
use bellcrank_link::{HandEnd, Id, Pair, PairingKey};
use embedded_io::{ErrorKind, ErrorType};
use proptest::prelude::*;

use super::*;

const LATE: Duration = Duration::from_ticks(150_000);

/// The serial port between both ends: each way bytes that are under way, how many go through at once, and whether it fails.
#[derive(Debug, Default)]
pub(crate) struct Cable {
    pub to_machine: VecDeque<u8>,
    pub to_hand: VecDeque<u8>,
    /// Most bytes of one read or write; 0 means that it gives none although it said that there were some.
    pub at_once: usize,
    /// Room for bytes to the hand control.
    pub room: usize,
    pub read_fails: bool,
    pub write_fails: bool,
    pub reads: usize,
}

#[derive(Debug, Clone)]
pub(crate) struct Port(pub Rc<RefCell<Cable>>);

impl ErrorType for Port {
    type Error = ErrorKind;
}

impl ReadReady for Port {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        let cable = self.0.borrow();
        Ok(cable.read_fails || !cable.to_machine.is_empty())
    }
}

impl Read for Port {
    fn read(&mut self, buffer: &mut [u8]) -> Result<usize, ErrorKind> {
        let mut cable = self.0.borrow_mut();
        cable.reads += 1;
        if cable.read_fails {
            return Err(ErrorKind::Other);
        }
        assert!(!cable.to_machine.is_empty(), "a read without a byte waits for one");
        assert!(!buffer.is_empty(), "nothing is asked for");
        let count = buffer.len().min(cable.at_once).min(cable.to_machine.len());
        for place in &mut buffer[..count] {
            *place = cable.to_machine.pop_front().unwrap();
        }
        Ok(count)
    }
}

impl WriteReady for Port {
    fn write_ready(&mut self) -> Result<bool, ErrorKind> {
        let cable = self.0.borrow();
        Ok(cable.write_fails || cable.to_hand.len() < cable.room)
    }
}

impl Write for Port {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, ErrorKind> {
        let mut cable = self.0.borrow_mut();
        if cable.write_fails {
            return Err(ErrorKind::Other);
        }
        let count = bytes.len().min(cable.at_once).min(cable.room - cable.to_hand.len());
        cable.to_hand.extend(&bytes[..count]);
        Ok(count)
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        panic!("a flush waits");
    }
}

/// A hand control at the other end of the cable.
pub(crate) struct Control {
    pub cable: Rc<RefCell<Cable>>,
    pub end: HandEnd,
    pub hands: HandFrame,
}

impl Control {
    /// It, and the station that listens to it.
    pub fn new() -> (Self, LinkHands<Port>) {
        let key = PairingKey::new(*b"32 bytes that only this pair has").unwrap();
        let pair = Pair {
            hand: Id(17),
            machine: Id(4),
        };
        let cable = Rc::new(RefCell::new(Cable {
            at_once: 7,
            room: 1_000,
            ..Cable::default()
        }));
        let control = Self {
            cable: cable.clone(),
            end: HandEnd::new(&key, pair, [1; 16]),
            hands: HandFrame {
                age: Some(Duration::from_ticks(0)),
                stop_clear: true,
                ..HandFrame::default()
            },
        };
        (
            control,
            LinkHands::new(Port(cable), MachineEnd::new(&key, pair, [2; 16], LATE)),
        )
    }

    /// What it does at a time: hears, and says what is due.
    pub fn turn(&mut self, now: Instant) {
        let mut cable = self.cable.borrow_mut();
        for byte in core::mem::take(&mut cable.to_hand) {
            self.end.receive(byte, now);
        }
        if let Some(packet) = self.end.send(&self.hands, now) {
            cable.to_machine.extend(&packet);
        }
    }
}

fn at(ms: u64) -> Instant {
    Instant::from_ticks(1_000 * ms)
}

/// Both, a tick of 2 ms after the other from one time to another.
fn run(control: &mut Control, station: &mut LinkHands<Port>, ms: core::ops::Range<u64>) -> Result<(), Fault> {
    let mut outcome = Ok(());
    for ms in ms.step_by(2) {
        control.turn(at(ms));
        outcome = outcome.and(station.listen(at(ms)));
    }
    outcome
}

#[test]
fn frames_come_through_however_few_bytes_at_once() {
    for at_once in [1, 7, 1_000] {
        let (mut control, mut station) = Control::new();
        control.cable.borrow_mut().at_once = at_once;
        assert_eq!(station.frame(at(0)), HandFrame::default());
        assert_eq!(run(&mut control, &mut station, 0..100), Ok(()));
        let frame = station.frame(at(100));
        assert!(
            frame.fresh(Duration::from_ticks(60_000)) && frame.stop_clear,
            "{frame:?}"
        );
        assert_eq!(station.end().tally().lost, 0);
    }
}

/// Bytes that do not come, a port that fails, one that says it has bytes and gives none, and bytes that come to nobody.
#[test]
fn what_fails_makes_the_last_frame_old() {
    type Break = fn(&mut Cable);
    let breaks: [(Break, Result<(), Fault>); 4] = [
        (|cable| cable.read_fails = true, Err(Fault::Pin)),
        (|cable| cable.write_fails = true, Err(Fault::Pin)),
        (|cable| cable.at_once = 0, Ok(())),
        (|cable| cable.room = 0, Ok(())),
    ];
    for (index, (broken, outcome)) in breaks.into_iter().enumerate() {
        let (mut control, mut station) = Control::new();
        run(&mut control, &mut station, 0..100).unwrap();
        {
            let mut cable = control.cable.borrow_mut();
            cable.to_hand.clear();
            broken(&mut cable);
        }
        assert_eq!(run(&mut control, &mut station, 100..1_000), outcome, "{index}");
        assert!(!station.frame(at(1_000)).fresh(LATE), "{index}");
        // And when it is well again, so is the station.
        *control.cable.borrow_mut() = Cable {
            at_once: 7,
            room: 1_000,
            ..Cable::default()
        };
        run(&mut control, &mut station, 1_000..1_300).unwrap();
        assert!(station.frame(at(1_300)).fresh(LATE), "{index}");
    }
}

/// A packet that the port has no room for goes out in parts, whole, over several turns.
#[test]
fn a_packet_is_sent_on_when_there_is_room() {
    let (mut control, mut station) = Control::new();
    control.turn(at(0));
    control.cable.borrow_mut().room = 10;
    let mut heard = Vec::new();
    for ms in 0..40 {
        assert_eq!(station.listen(at(ms)), Ok(()));
        let mut cable = control.cable.borrow_mut();
        assert!(cable.to_hand.len() <= 10);
        heard.extend(cable.to_hand.drain(..));
    }
    let kinds: Vec<_> = heard
        .into_iter()
        .filter_map(|byte| control.end.receive(byte, at(40)))
        .collect();
    assert_eq!(kinds.len(), 1, "{kinds:?}");
    assert!(kinds[0].is_ok());
}

#[test]
fn a_flood_is_taken_a_packets_length_at_a_time() {
    let (control, mut station) = Control::new();
    control.cable.borrow_mut().to_machine.extend([0x55; 10_000]);
    control.cable.borrow_mut().at_once = 1_000;
    for turn in 1..10 {
        station.listen(at(turn)).unwrap();
        assert_eq!(
            control.cable.borrow().to_machine.len(),
            10_000 - usize::try_from(turn).unwrap() * BYTES_A_TURN
        );
    }
    control.cable.borrow_mut().at_once = 0;
    let reads = control.cable.borrow().reads;
    station.listen(at(10)).unwrap();
    assert_eq!(
        control.cable.borrow().reads,
        reads + 1,
        "it is asked once, and not again"
    );
}

#[test]
fn nobody_is_never_heard() {
    assert_eq!((().listen(at(1)), ().frame(at(1))), (Ok(()), HandFrame::default()));
}

proptest! {
    /// Bytes that nobody with the key sent make no frame, and keep nobody who has it from being heard.
    #[test]
    fn garbage_is_no_frame(garbage in prop::collection::vec(any::<u8>(), 0..400)) {
        let (mut control, mut station) = Control::new();
        control.cable.borrow_mut().to_machine.extend(&garbage);
        for ms in 0..10 {
            station.listen(at(ms)).unwrap();
            prop_assert_eq!(station.frame(at(ms)), HandFrame::default());
        }
        run(&mut control, &mut station, 10..200).unwrap();
        prop_assert!(station.frame(at(200)).fresh(LATE));
    }
}
