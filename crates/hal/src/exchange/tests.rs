//! Frames that lose and change bytes, and a board that is asked over them.

use std::cell::Cell;
use std::collections::VecDeque;
use std::vec::Vec;

use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX, Refused};
use bellcrank_core::supervise::State;
use bellcrank_core::units::Instant;
use bellcrank_core::{Controller, Inputs, Machine};
use embedded_io::{ErrorType, Read, ReadReady, Write};
use proptest::prelude::*;

use super::{Answer, Ask, Clock, PIECE_MAX, Receiver, Turned, framed, serve};
use crate::bench::parts;

/// What stands in the frames of a stream of bytes.
fn answers(bytes: &[u8]) -> Vec<Answer> {
    let mut receiver = Receiver::default();
    let mut answers = Vec::new();
    for byte in bytes {
        if receiver.take(*byte) {
            answers.push(postcard::from_bytes(receiver.payload()).unwrap());
        }
    }
    answers
}

proptest! {
    #[test]
    fn a_frame_comes_through_garbage_before_it(garbage in prop::collection::vec(any::<u8>(), 0..50)) {
        // A receiver begins anew when the line has been quiet.
        let mut receiver = Receiver::default();
        for byte in garbage {
            receiver.take(byte);
        }
        receiver.restart();
        let frame = framed(&Answer::Piece).unwrap();
        let whole: Vec<bool> = frame.iter().map(|byte| receiver.take(*byte)).collect();
        prop_assert_eq!(whole.iter().filter(|whole| **whole).count(), 1);
        prop_assert_eq!(postcard::from_bytes(receiver.payload()), Ok(Answer::Piece));
    }

    #[test]
    fn a_changed_frame_is_dropped(place in any::<prop::sample::Index>(), by in 1..=255_u8) {
        let mut frame = framed(&Ask::Turn(inputs(5))).unwrap();
        let place = place.index(frame.len());
        frame[place] ^= by;
        let mut receiver = Receiver::default();
        prop_assert!(!frame.iter().any(|byte| receiver.take(*byte)));
    }
}

fn inputs(tick: u64) -> Inputs {
    super::served::silence(Instant::from_ticks(2_000 * tick))
}

/// A line on which all that is asked lies ready; then it is quiet for a number of looks, and then at its end.
struct Wire {
    asked: VecDeque<u8>,
    answered: Vec<u8>,
    quiet: u32,
}

impl ErrorType for Wire {
    type Error = core::convert::Infallible;
}

impl ReadReady for Wire {
    fn read_ready(&mut self) -> Result<bool, Self::Error> {
        if self.asked.is_empty() && self.quiet > 0 {
            self.quiet -= 1;
            return Ok(false);
        }
        Ok(true)
    }
}

impl Read for Wire {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Self::Error> {
        Ok(self.asked.pop_front().map_or(0, |byte| {
            into[0] = byte;
            1
        }))
    }
}

impl Write for Wire {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Self::Error> {
        self.answered.extend(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), Self::Error> {
        Ok(())
    }
}

/// Each look at it is a hundredth of a millisecond.
#[derive(Default)]
struct Looks(Cell<u32>);

impl Clock for Looks {
    const COUNTS_A_SECOND: u32 = 100_000;

    fn count(&self) -> u32 {
        self.0.set(self.0.get() + 1);
        self.0.get()
    }
}

fn served(asks: &[Ask], quiet: u32) -> Vec<Answer> {
    let mut wire = Wire {
        asked: asks.iter().flat_map(|ask| framed(ask).unwrap()).collect(),
        answered: Vec::new(),
        quiet,
    };
    serve(&mut wire, &Looks::default(), &mut [0; IMAGE_MAX]).unwrap();
    answers(&wire.answered)
}

fn pieces(image: &[u8]) -> Vec<Ask<'_>> {
    let count = image.len().div_ceil(PIECE_MAX);
    let piece = |(index, bytes): (usize, _)| Ask::Image {
        at: u32::try_from(index * PIECE_MAX).unwrap(),
        bytes,
        last: index + 1 == count,
    };
    image.chunks(PIECE_MAX).enumerate().map(piece).collect()
}

fn machine() -> Machine {
    Machine::new(parts()).unwrap()
}

fn packed() -> Vec<u8> {
    let mut bytes = std::vec![0; IMAGE_MAX];
    let length = image::write(&machine(), Fingerprint([3; 32]), &mut bytes).unwrap();
    bytes.truncate(length);
    bytes
}

#[test]
fn a_board_answers_with_what_the_core_makes_of_it() {
    let image = packed();
    let mut asks = pieces(&image);
    asks.push(Ask::Who);
    asks.extend((1..20).map(|tick| Ask::Turn(inputs(tick))));
    asks.push(Ask::Start(None));
    asks.push(Ask::Turn(inputs(1)));
    let answers = served(&asks, 0);
    assert_eq!(answers.len(), asks.len());
    let loaded = image.len().div_ceil(PIECE_MAX);
    assert!(answers[..loaded - 1].iter().all(|answer| *answer == Answer::Piece));
    assert_eq!(answers[loaded - 1], Answer::Started);
    assert!(matches!(
        answers[loaded],
        Answer::Board {
            image: Some((Fingerprint([3, ..]), _)),
            ..
        }
    ));
    let machine = machine();
    let mut core = Controller::new(&machine);
    for (tick, answer) in (1..20).zip(&answers[loaded + 1..]) {
        let outputs = core.tick(&inputs(tick));
        assert!(
            matches!(answer, Answer::Turned(Turned { outputs: told, .. }) if *told == outputs),
            "tick {tick}"
        );
    }
    let again = Controller::new(&machine).tick(&inputs(1));
    assert!(matches!(answers.last(), Some(Answer::Turned(Turned { outputs, .. })) if *outputs == again));
}

#[test]
fn a_damaged_image_is_refused_by_name_and_nothing_runs() {
    let mut image = packed();
    image[100] ^= 1;
    let mut asks = pieces(&image);
    asks.push(Ask::Turn(inputs(1)));
    let answers = served(&asks, 0);
    let refused = answers.len() - 2;
    assert_eq!(
        answers[refused..],
        [Answer::Refused(Refused::Corrupt), Answer::NoMachine]
    );
    let late = Ask::Image {
        at: 1,
        bytes: &image,
        last: true,
    };
    let asks = [late, Ask::Who];
    assert!(matches!(
        served(&asks, 0)[..],
        [Answer::NotUnderstood, Answer::Board { image: None, .. }]
    ));
}

#[test]
fn when_nothing_more_is_asked_everything_is_switched_off() {
    let image = packed();
    let mut asks = pieces(&image);
    asks.push(Ask::Turn(inputs(1)));
    let answers = served(&asks, 201_000);
    let last = answers.last().unwrap();
    let Answer::Silent(Turned { outputs, .. }) = last else {
        panic!("{last:?}")
    };
    assert!(matches!(outputs.status.state, State::Stopped | State::Fault));
    assert!(!outputs.relays.valve_power && !outputs.relays.dump_closed && !outputs.relays.engine_run);
}

#[test]
fn another_image_is_taken_while_one_runs() {
    let image = packed();
    let mut asks = pieces(&image);
    asks.push(Ask::Turn(inputs(1)));
    asks.extend(pieces(&image));
    asks.push(Ask::Turn(inputs(1)));
    let answers = served(&asks, 0);
    assert_eq!(answers.len(), asks.len());
    let turns: Vec<_> = answers
        .iter()
        .filter(|answer| matches!(answer, Answer::Turned(_)))
        .collect();
    assert_eq!(turns.len(), 2);
}
