//! Converters: what an answer means, and what becomes of readings while the bus fails.

use std::collections::VecDeque;
use std::vec::Vec;

use proptest::prelude::*;

use super::*;

const PLAIN: Input = Input {
    command: &[1],
    scale: 1.0,
    fixed: Fixed { mask: 0, value: 0 },
};

const TWELVE: Converter = Converter {
    inputs: &[PLAIN],
    fetch: &[],
    answer: 2,
    bits: 12,
    below: 0,
    coding: Coding::Straight,
    reference: REFERENCE,
    conversion: Duration::from_ticks(0),
};

const REFERENCE: Volts = match Volts::new(4.096) {
    Ok(volts) => volts,
    Err(_) => panic!("it is a voltage"),
};

/// A bus that answers what it was given to, and remembers what it was sent.
#[derive(Default)]
struct Wire {
    answers: VecDeque<Result<Vec<u8>, Fault>>,
    sent: Vec<Vec<u8>>,
}

impl Bus for &mut Wire {
    fn send(&mut self, command: &[u8]) -> Result<(), Fault> {
        self.sent.push(command.to_vec());
        self.answers
            .pop_front()
            .unwrap()
            .map(|answer| assert!(answer.is_empty()))
    }

    fn ask(&mut self, command: &[u8], answer: &mut [u8]) -> Result<(), Fault> {
        self.sent.push(command.to_vec());
        answer.copy_from_slice(&self.answers.pop_front().unwrap()?);
        Ok(())
    }

    fn answers_after(&self) -> bool {
        false
    }
}

fn at(us: u64) -> Instant {
    Instant::from_ticks(us)
}

#[test]
fn what_an_answer_means() {
    let left = Converter { below: 4, ..TWELVE };
    let signed = Converter {
        coding: Coding::TwosComplement,
        ..TWELVE
    };
    let wide = Converter {
        answer: 4,
        bits: 24,
        below: 4,
        ..TWELVE
    };
    for (converter, answer, wanted) in [
        (TWELVE, &[0x00, 0x00][..], 0.0),
        (TWELVE, &[0x08, 0x00], 2.048),
        (TWELVE, &[0xff, 0xff], 4.095),
        (left, &[0x80, 0x0f], 2.048),
        (signed, &[0x07, 0xff], 4.094),
        (signed, &[0x0f, 0xff], -0.002),
        (signed, &[0x08, 0x00], -4.096),
        (wide, &[0x04, 0x00, 0x00, 0x03], 4.096 * 0.25),
    ] {
        let volts = converter.volts(answer, &PLAIN).unwrap().volts();
        assert!((volts - wanted).abs() < 1e-6, "{converter:?} {answer:?}: {volts}");
    }
    let divided = Input { scale: 6.0, ..PLAIN };
    let volts = TWELVE.volts(&[0x0f, 0xa0], &divided).unwrap().volts();
    assert!((volts - 24.0).abs() < 1e-5, "{volts}");
}

#[test]
fn bits_that_are_not_what_they_always_are_make_garbage() {
    let fixed = Fixed {
        mask: 0xf000,
        value: 0x3000,
    };
    let third = Input { fixed, ..PLAIN };
    assert_eq!(TWELVE.volts(&[0x38, 0x00], &third).map(Volts::volts), Ok(4.096 * 0.5));
    for garbage in [[0x28, 0x00], [0x00, 0x00], [0xff, 0xff]] {
        assert_eq!(TWELVE.volts(&garbage, &third), Err(Fault::Garbage));
    }
}

#[test]
fn data_that_make_no_sense_are_refused() {
    let long = Input {
        command: &[1, 2, 3],
        ..PLAIN
    };
    let mute = Input { command: &[], ..PLAIN };
    let nothing = Input { scale: 0.0, ..PLAIN };
    let endless = Input {
        scale: f32::INFINITY,
        ..PLAIN
    };
    let fixed = |mask, value| Input {
        fixed: Fixed { mask, value },
        ..PLAIN
    };
    let (beyond, never) = (fixed(0x1_0000, 0), fixed(0x10, 0x30));
    let inputs = |inputs| Converter { inputs, ..TWELVE };
    let zero = Volts::default();
    for (converter, unusable) in [
        (inputs(&[]), Unusable::Inputs),
        (inputs(&[PLAIN; CHANNELS_MAX + 1]), Unusable::Inputs),
        (inputs(&[PLAIN, long]), Unusable::Command),
        (inputs(&[mute]), Unusable::Command),
        (inputs(&[nothing]), Unusable::Scale),
        (inputs(&[endless]), Unusable::Scale),
        (inputs(&[beyond]), Unusable::Bits),
        (inputs(&[never]), Unusable::Bits),
        (Converter { answer: 0, ..TWELVE }, Unusable::Answer),
        (Converter { answer: 9, ..TWELVE }, Unusable::Answer),
        (Converter { bits: 0, ..TWELVE }, Unusable::Bits),
        (
            Converter {
                bits: 25,
                answer: 4,
                ..TWELVE
            },
            Unusable::Bits,
        ),
        (Converter { below: 5, ..TWELVE }, Unusable::Bits),
        (Converter { below: 255, ..TWELVE }, Unusable::Bits),
        (
            Converter {
                reference: zero,
                ..TWELVE
            },
            Unusable::Scale,
        ),
        (
            Converter {
                fetch: &[0; 3],
                ..TWELVE
            },
            Unusable::Command,
        ),
    ] {
        assert_eq!(converter.check(false), Err(unusable), "{converter:?}");
    }
    assert_eq!(TWELVE.check(false), Ok(()));
    assert_eq!(
        Converter {
            inputs: &[long],
            ..TWELVE
        }
        .check(true),
        Ok(())
    );
}

/// The bus fails in the second turn, gives garbage on one channel in the third, and is well in the fourth.
#[test]
fn what_fails_ages() {
    let echo = |value| Fixed { mask: 0x8000, value };
    let inputs = [
        Input {
            fixed: echo(0),
            ..PLAIN
        },
        Input {
            command: &[2],
            fixed: echo(0x8000),
            ..PLAIN
        },
    ];
    let mut wire = Wire::default();
    wire.answers.extend([Ok([0x01, 0].to_vec()), Ok([0x82, 0].to_vec())]);
    wire.answers.extend([Err(Fault::NoAnswer)]);
    wire.answers.extend([Ok([0x83, 0].to_vec()), Ok([0x84, 0].to_vec())]);
    wire.answers.extend([Ok([0x05, 0].to_vec()), Ok([0x86, 0].to_vec())]);
    let mut sampler = Sampler::new(
        &mut wire,
        Converter {
            inputs: &inputs,
            ..TWELVE
        },
    )
    .unwrap();
    let both = |sampler: &Sampler<_>, now| {
        [0, 1].map(|channel| {
            let reading = sampler.read(channel, at(now)).unwrap();
            (reading.volts.volts(), reading.age.as_ticks())
        })
    };
    assert_eq!(sampler.read(0, at(0)), None);
    let step = 0.256;
    for (now, outcome, readings) in [
        (1_000, Ok(()), [(step, 0), (2.0 * step, 0)]),
        (2_000, Err(Fault::NoAnswer), [(step, 1_000), (2.0 * step, 1_000)]),
        (3_000, Err(Fault::Garbage), [(step, 2_000), (4.0 * step, 0)]),
        (4_000, Ok(()), [(5.0 * step, 0), (6.0 * step, 0)]),
    ] {
        assert_eq!(sampler.refresh(at(now)), outcome);
        assert_eq!(both(&sampler, now), readings, "{now}");
    }
    assert_eq!((sampler.channels(), sampler.read(2, at(0))), (2, None));
    assert_eq!(wire.sent, [[1], [2], [1], [1], [2], [1], [2]]);
}

/// Two channels that take 1.5 ms each, looked at every millisecond.
#[test]
fn a_conversion_that_takes_time_is_not_waited_for() {
    let inputs = [PLAIN, Input { command: &[2], ..PLAIN }];
    let slow = Converter {
        inputs: &inputs,
        fetch: &[9],
        conversion: Duration::from_ticks(1_500),
        ..TWELVE
    };
    let started = || Ok(Vec::new());
    let done = |high| Ok([high, 0].to_vec());
    let mut wire = Wire::default();
    wire.answers.extend([started(), done(1), started(), done(2), started()]);
    // It fails to be fetched, then to be started, and then all is well.
    wire.answers
        .extend([Err(Fault::Bus), Err(Fault::Bus), started(), done(3), started()]);
    let mut sampler = Sampler::new(&mut wire, slow).unwrap();
    let age = |sampler: &Sampler<_>, channel, now| sampler.read(channel, at(now)).map(|read| read.age.as_ticks());
    for (now, outcome, ages) in [
        (0, Ok(()), [None, None]),
        (1_000, Ok(()), [None, None]),
        (2_000, Ok(()), [Some(2_000), None]),
        (3_000, Ok(()), [Some(3_000), None]),
        (4_000, Ok(()), [Some(4_000), Some(2_000)]),
        (5_000, Ok(()), [Some(5_000), Some(3_000)]),
        (6_000, Err(Fault::Bus), [Some(6_000), Some(4_000)]),
        (7_000, Ok(()), [Some(7_000), Some(5_000)]),
        (8_000, Ok(()), [Some(8_000), Some(6_000)]),
        (9_000, Ok(()), [Some(9_000), Some(2_000)]),
    ] {
        assert_eq!(sampler.refresh(at(now)), outcome, "{now}");
        assert_eq!([0, 1].map(|channel| age(&sampler, channel, now)), ages, "{now}");
    }
    assert_eq!(wire.sent, [[1], [9], [2], [9], [1], [9], [2], [2], [9], [1]]);
}

/// It is done when its time is over, to the microsecond.
#[test]
fn a_conversion_is_fetched_when_its_time_is_over() {
    let slow = Converter {
        conversion: Duration::from_ticks(1_000),
        ..TWELVE
    };
    for (us, fetched) in [(999, false), (1_000, true)] {
        let mut wire = Wire::default();
        wire.answers
            .extend([Ok(Vec::new()), Ok([1, 0].to_vec()), Ok(Vec::new())]);
        let mut sampler = Sampler::new(&mut wire, slow).unwrap();
        sampler.refresh(at(0)).unwrap();
        sampler.refresh(at(us)).unwrap();
        assert_eq!(sampler.read(0, at(us)).is_some(), fetched);
    }
}

#[test]
fn a_clock_that_goes_backwards_makes_old_readings() {
    let slow = Converter {
        conversion: Duration::from_ticks(1_000),
        ..TWELVE
    };
    let mut wire = Wire::default();
    wire.answers
        .extend([Ok(Vec::new()), Ok([1, 0].to_vec()), Ok(Vec::new())]);
    let mut sampler = Sampler::new(&mut wire, slow).unwrap();
    sampler.refresh(at(5_000)).unwrap();
    sampler.refresh(at(4_000)).unwrap();
    assert_eq!(sampler.read(0, at(4_000)).unwrap().age.as_ticks(), u32::MAX);
}

proptest! {
    /// Whatever the result, wherever it stands in the answer and whatever stands around it.
    #[test]
    fn a_result_is_found_wherever_it_stands(
        (answer, bits, below) in (1_u8..=8).prop_flat_map(|answer| {
            let all = 8 * answer;
            (Just(answer), 1..=all.min(24)).prop_flat_map(move |(answer, bits)| (Just(answer), Just(bits), 0..=all - bits))
        }),
        (result, around) in any::<(u64, u64)>(),
        signed in any::<bool>(),
    ) {
        let mask = (1_u64 << bits) - 1;
        let word = (around & !(mask << below)) | ((result & mask) << below);
        let bytes = &word.to_be_bytes()[8 - usize::from(answer)..];
        let coding = if signed { Coding::TwosComplement } else { Coding::Straight };
        let converter = Converter { answer, bits, below, coding, ..TWELVE };
        prop_assert_eq!(converter.check(false), Ok(()));
        let unsigned = (result & mask) as f64;
        let full = (1_u64 << bits) as f64;
        let wanted = match signed {
            false => unsigned / full,
            true if unsigned < full / 2.0 => unsigned / (full / 2.0),
            true => (unsigned - full) / (full / 2.0),
        };
        let volts = f64::from(converter.volts(bytes, &PLAIN).unwrap().volts());
        prop_assert!((volts - wanted * 4.096).abs() <= 4.096 * 2.0 * f64::from(f32::EPSILON), "{volts}");
    }
}
