//! `bellcrank port-check`: a good board passes, and each way in which a board is wrong is told.

use std::io::{Read, Write};
use std::os::unix::net::UnixStream;
use std::sync::mpsc::{Receiver as Arrivals, TryRecvError, channel};
use std::thread;
use std::time::{Duration, Instant};

use bellcrank_core::Machine;
use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::PerAxis;
use bellcrank_core::machine::image::{Fingerprint, IMAGE_MAX};
use bellcrank_core::outputs::ValveSignal;
use bellcrank_core::units::Duty;
use bellcrank_hal::exchange::{Answer, Clock, Receiver, Turned, framed, serve};
use bellcrank_sim::board::Board;
use bellcrank_sim::port_check::{Check, Setup, check};
use embedded_io::{ErrorKind, ErrorType, ReadReady};

use crate::check as bench;
use crate::command::run;
use crate::firmware::firmware;

/// What a board answers in place of what it should; none: nothing.
type Twist = fn(Answer, u32) -> Option<Answer>;

/// The board's end of a line, in a thread of its own.
struct Line {
    arrivals: Arrivals<u8>,
    next: Option<u8>,
    write: UnixStream,
    twist: Twist,
    said: u32,
}

impl ErrorType for Line {
    type Error = ErrorKind;
}

impl ReadReady for Line {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        if self.next.is_none() {
            match self.arrivals.try_recv() {
                Ok(byte) => self.next = Some(byte),
                // Its end is there to be read.
                Err(TryRecvError::Disconnected) => return Ok(true),
                Err(TryRecvError::Empty) => thread::sleep(Duration::from_micros(20)),
            }
        }
        Ok(self.next.is_some())
    }
}

impl embedded_io::Read for Line {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, ErrorKind> {
        let byte = self.next.take().or_else(|| self.arrivals.recv().ok());
        Ok(byte.map_or(0, |byte| {
            into[0] = byte;
            1
        }))
    }
}

impl embedded_io::Write for Line {
    fn write(&mut self, frame: &[u8]) -> Result<usize, ErrorKind> {
        let mut receiver = Receiver::default();
        for byte in frame {
            receiver.take(*byte);
        }
        let answer = postcard::from_bytes(receiver.payload()).expect("an answer");
        self.said += 1;
        if let Some(answer) = (self.twist)(answer, self.said) {
            let frame = framed(&answer).expect("short");
            self.write
                .write_all(&frame)
                .map_err(|why| ErrorKind::from(why.kind()))?;
        }
        Ok(frame.len())
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        Ok(())
    }
}

struct SinceStart(Instant);

impl Clock for SinceStart {
    const COUNTS_A_SECOND: u32 = 1_000_000;

    fn count(&self) -> u32 {
        u32::try_from(self.0.elapsed().as_micros()).expect("an hour at most")
    }
}

fn board(twist: Twist) -> Board {
    let (ours, theirs) = UnixStream::pair().expect("a pair");
    let mut read = theirs.try_clone().expect("another");
    let (send, arrivals) = channel();
    thread::spawn(move || {
        let mut bytes = [0; 1024];
        while let Ok(count @ 1..) = read.read(&mut bytes) {
            for byte in &bytes[..count] {
                if send.send(*byte).is_err() {
                    return;
                }
            }
        }
    });
    thread::spawn(move || {
        let mut line = Line {
            arrivals,
            next: None,
            write: theirs,
            twist,
            said: 0,
        };
        // It ends with the line.
        let _ = serve(&mut line, &SinceStart(Instant::now()), &mut [0; IMAGE_MAX]);
    });
    Board::new(ours.try_clone().expect("another"), ours)
}

fn checks(twist: Twist) -> Vec<Check> {
    let machine = Machine::new(bench::parts()).expect("a machine");
    let setup = Setup {
        ticks: 1_000,
        // A thread of a busy computer is no board that is in time.
        timed: false,
        ..Setup::default()
    };
    check(&mut board(twist), &machine, Fingerprint([5; 32]), setup)
}

/// This check alone fails, and says so.
#[track_caller]
fn fails(twist: Twist, what: &str, says: &str) {
    let checks = checks(twist);
    let failed: Vec<&Check> = checks.iter().filter(|check| check.passed == Some(false)).collect();
    let [check] = failed[..] else { panic!("{checks:#?}") };
    assert_eq!(check.what, what);
    assert!(check.found.contains(says), "{}", check.found);
}

#[test]
fn a_good_board_passes() {
    let checks = checks(|answer, _| Some(answer));
    let wrong: Vec<&Check> = checks
        .iter()
        .filter(|check| check.passed != Some(true) && check.what != "time")
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert_eq!(checks.len(), 8);
}

/// The outputs of a turn, changed.
fn turned(answer: Answer, change: impl Fn(&mut Turned)) -> Answer {
    match answer {
        Answer::Turned(mut turned) => {
            change(&mut turned);
            Answer::Turned(turned)
        }
        other => other,
    }
}

#[test]
fn one_bit_of_one_output_is_named_with_its_tick() {
    fails(
        |answer, said| {
            Some(turned(answer, |turned| {
                let first = turned.outputs.valves.iter().next().expect("valves");
                if let (700, ValveSignal::Duty(duty)) = (said, first.1) {
                    let bits = f32::from_bits(duty.share().to_bits() ^ 1);
                    turned
                        .outputs
                        .valves
                        .set(first.0, ValveSignal::Duty(Duty::new(bits).expect("a duty")));
                }
            }))
        },
        "outputs",
        ": valve 0 is duty",
    );
}

#[test]
fn a_board_that_does_not_notice_that_frames_cease_is_told() {
    let checks = checks(|answer, _| (!matches!(answer, Answer::Silent(_))).then_some(answer));
    for what in ["silence", "noise"] {
        let check = checks.iter().find(|check| check.what == what).expect("looked at");
        assert_eq!(
            (check.passed, check.found.as_str()),
            (Some(false), "it went on without a word")
        );
    }
}

#[test]
fn a_board_that_keeps_its_power_is_told() {
    let checks = checks(|answer, _| match answer {
        Answer::Silent(mut turned) => {
            turned.outputs.relays = Relays {
                dump_closed: true,
                ..Relays::default()
            };
            turned.outputs.valves = PerAxis::default();
            Some(Answer::Silent(turned))
        }
        other => Some(other),
    });
    let check = checks.iter().find(|check| check.what == "silence").expect("looked at");
    assert_eq!(check.passed, Some(false), "{}", check.found);
    assert!(check.found.contains("a relay has current"), "{}", check.found);
}

#[test]
fn a_board_that_takes_a_damaged_image_is_told() {
    fails(
        |answer, _| {
            Some(match answer {
                Answer::Refused(_) => Answer::Started,
                other => other,
            })
        },
        "damaged images",
        "a flipped bit",
    );
}

#[test]
fn another_version_of_the_exchange_ends_it() {
    fails(
        |answer, _| {
            Some(match answer {
                Answer::Board {
                    image,
                    stack,
                    counts_a_second,
                    ..
                } => Answer::Board {
                    protocol: 999,
                    image,
                    stack,
                    counts_a_second,
                },
                other => other,
            })
        },
        "exchange",
        "version 999",
    );
}

#[test]
fn a_board_that_is_too_slow_is_told() {
    let machine = Machine::new(bench::parts()).expect("a machine");
    let twist: Twist = |answer, said| {
        Some(turned(answer, |turned| {
            turned.counts = if said == 50 { 1_500 } else { 10 }
        }))
    };
    let setup = Setup {
        ticks: 100,
        ..Setup::default()
    };
    let checks = check(&mut board(twist), &machine, Fingerprint([5; 32]), setup);
    let time = checks.iter().find(|check| check.what == "time").expect("looked at");
    assert_eq!(time.passed, Some(false));
    assert!(time.found.contains("1500 us at most"), "{}", time.found);
}

#[test]
fn the_command_tries_out_the_emulated_board() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| firmware(name).canonicalize().expect("there").display().to_string();
    for (which, ticks, judged) in [
        ("pipe", "2000", "  -   silence: not judged"),
        ("serial", "200", "pass  silence: everything off"),
    ] {
        let firmware = path(which);
        let asked = [
            "port-check",
            "yard-digger",
            "--emulated",
            which,
            "--firmware",
            &firmware,
            "--ticks",
            ticks,
        ];
        let said = run(folder.path(), &asked, 0).stdout;
        let said = String::from_utf8_lossy(&said);
        assert!(said.contains("pass  outputs") && said.contains(judged), "{said}");
    }
    let said = run(folder.path(), &["port-check", "yard-digger", "--serial", "none"], 2).stderr;
    let said = String::from_utf8_lossy(&said);
    assert!(said.contains("none: cannot be opened"), "{said}");
}
