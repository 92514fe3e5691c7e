//! The core on an emulated Cortex-M4F: it puts out what it puts out here, takes no bad image, and switches off when nobody asks.
//!
//! It takes the firmware and QEMU: `cargo xtask firmware` builds the one and installs the other where it may.

use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

use bellcrank_core::inputs::Relays;
use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX, Refused, Room};
use bellcrank_core::supervise::State;
use bellcrank_core::{Controller, Machine};
use bellcrank_hal::exchange::{Answer, Ask, QUIET, framed};
use bellcrank_sim::board::{Board, BoardError, Checked, Emulator, difference, find_firmware};
use bellcrank_sim::golden::Golden;
use bellcrank_sim::run::{SAMPLE_S, rehearse, rehearse_on};
use bellcrank_sim::scenario;

use crate::check;
use crate::command::{json, run};

/// The firmware of that name.
#[track_caller]
pub fn firmware(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("..")
        .join(find_firmware(name));
    assert!(
        path.exists(),
        "{}: no such firmware; `cargo xtask firmware` builds it",
        path.display()
    );
    path
}

/// The emulated board that goes in lockstep.
#[track_caller]
pub fn emulated() -> Board {
    let board = Emulator::start(&firmware("pipe"));
    board.unwrap_or_else(|why| panic!("{why}: `cargo xtask firmware` installs what is missing"))
}

/// The emulated board on a serial line.
#[track_caller]
pub fn serial() -> Board {
    let board = Emulator::start_serial(&firmware("serial"));
    board.unwrap_or_else(|why| panic!("{why}: `cargo xtask firmware` installs what is missing"))
}

fn machine() -> Machine {
    Machine::new(check::parts()).expect("a machine")
}

fn packed() -> Vec<u8> {
    let mut bytes = vec![0; IMAGE_MAX];
    let length = image::write(&machine(), Fingerprint([9; 32]), &mut bytes).expect("it fits");
    bytes.truncate(length);
    bytes
}

#[test]
fn a_rehearsal_on_the_emulated_core_is_the_same_to_the_bit() {
    let scenario = scenario::read("stuck-open-valve").expect("built in");
    let here = rehearse(&scenario, 1).expect("it runs");
    let (there, board) = rehearse_on(&scenario, 1, SAMPLE_S, Some(emulated())).expect("it runs");
    assert_eq!(there.digest, here.digest);
    let board = board.expect("given back");
    assert!(board.turns > 3_000, "{} turns", board.turns);
    let log = board.log().join("\n");
    assert!(log.contains("state: Enabled") && log.contains("MotionUnasked"), "{log}");
}

#[test]
fn the_command_says_which_core_ran() {
    let folder = tempfile::tempdir().expect("a folder");
    let pipe = firmware("pipe").canonicalize().expect("there");
    let asked = ["rehearse", "straight-lift", "--core", "emulated", "--firmware"];
    let report = json(folder.path(), &[&asked[..], &[pipe.to_str().expect("UTF-8")]].concat());
    assert_eq!(report["core"]["ran"], "on an emulated Cortex-M4F");
    assert!(
        report["core"]["same_ticks"].as_u64() > Some(3_000),
        "{}",
        report["core"]
    );
    let here = json(folder.path(), &["rehearse", "straight-lift"]);
    assert_eq!(here["core"]["ran"], "in this process");
    assert_eq!(here["findings"]["digest"], report["findings"]["digest"]);

    let said = run(folder.path(), &[&asked[..], &["none.elf"]].concat(), 2).stderr;
    let said = String::from_utf8_lossy(&said);
    assert!(
        said.contains("none.elf: no such firmware") && said.contains("cargo xtask firmware"),
        "{said}"
    );
}

#[test]
fn the_board_says_what_is_wrong_with_an_image_and_takes_the_next() {
    let mut board = emulated();
    let good = packed();
    let with = |at: usize, byte: u8| {
        let mut image = good.clone();
        image[at] = byte;
        image
    };
    let mut many = with(10, 15);
    let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&[&many[..54], &many[58..]].concat());
    many[54..58].copy_from_slice(&sum.to_le_bytes());
    let end = good.len() - 1;
    for (image, refused) in [
        (with(0, 0), Refused::NotAnImage),
        (with(8, 9), Refused::Version(9)),
        (with(end, !good[end]), Refused::Corrupt),
        (good[..end].to_vec(), Refused::Short),
        ([&good[..], &[0]].concat(), Refused::TrailingBytes),
        (many, Refused::Capacity(Room::Axes)),
    ] {
        assert_eq!(board.load_image(&image).expect("an answer"), Answer::Refused(refused));
        assert_eq!(board.ask(&Ask::Start(None)).expect("an answer"), Answer::NoMachine);
        assert_eq!(board.who().expect("an answer").image, None);
    }
    board.load(&machine(), Fingerprint([9; 32])).expect("taken");
    let (file, _) = board.who().expect("an answer").image.expect("it has one");
    assert_eq!(file, Fingerprint([9; 32]));
}

/// A few hundred frames through the registers of a serial port. Where this computer was so busy that the emulated board took it for
/// silence, it is tried again.
#[test]
fn the_driver_of_a_serial_port_carries_every_frame() {
    let machine = machine();
    let attempt = || {
        let mut board = serial();
        board.load(&machine, Fingerprint::default())?;
        let mut checked = Checked::new(board);
        for (inputs, outputs) in Golden::new(&machine).take(300) {
            checked.turn(&inputs, &outputs)?;
        }
        Ok::<u64, BoardError>(checked.turns)
    };
    let silent =
        |outcome: &Result<u64, BoardError>| matches!(outcome, Err(BoardError::Unexpected(what)) if what == "Silent");
    let outcome = (0..3).map(|_| attempt()).find(|outcome| !silent(outcome));
    assert_eq!(outcome.expect("an idle computer").expect("the same"), 300);
}

/// Without frames, and with bytes that are none: everything is switched off, and stays so when frames come again.
#[test]
fn a_board_that_nobody_asks_switches_everything_off() {
    let machine = machine();
    for garbage in [false, true] {
        let mut board = serial();
        board.load(&machine, Fingerprint::default()).expect("taken");
        let mut run = Golden::new(&machine);
        let last = run
            .by_ref()
            .take(200)
            .map(|(inputs, _)| board.turn(&inputs).expect("an answer"));
        assert_eq!(last.last().expect("turns").outputs.status.state, State::Ready);
        // The noise of a wire: bytes of frames of which none is whole.
        let frame = framed(&Ask::Who).expect("short");
        let quiet = Duration::from_micros(u64::from(QUIET.as_ticks()));
        let silent = (0..60).find_map(|_| {
            if garbage {
                board.send(&frame[1..]).expect("sent");
            }
            board.next(quiet / 10).ok()
        });
        let Some(Answer::Silent(turned)) = silent else {
            panic!("garbage {garbage}: {silent:?}")
        };
        assert!(matches!(turned.outputs.status.state, State::Stopped | State::Fault));
        assert_eq!(turned.outputs.relays, Relays::default());
        // It says so again every so often: not while it is asked.
        sleep(quiet / 5);
        board.clear();
        let again = board.turn(&run.next().expect("a turn").0).expect("an answer");
        assert!(
            matches!(again.outputs.status.state, State::Stopped | State::Fault),
            "{again:?}"
        );
        assert_eq!(again.outputs.relays, Relays::default());
    }
}

/// The board is held to the core here by something that notices: another core, or one bit.
#[test]
fn a_difference_of_one_bit_is_named() {
    let machine = machine();
    let mut core = Controller::new(&machine);
    let (inputs, here) = Golden::new(&machine).next().expect("a tick");
    let mut there = core.tick(&inputs);
    assert_eq!(difference(&there, &here), None);
    there.alive = !there.alive;
    let (field, ..) = difference(&there, &here).expect("it differs");
    assert_eq!(field, "alive");
}
