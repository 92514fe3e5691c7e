//! The machine image: what is packed comes back equal, and whatever is changed in it is refused by name.

use std::path::Path;
use std::sync::LazyLock;

use bellcrank_core::Machine;
use bellcrank_core::machine::image::{self, Fingerprint, HEADER_LEN, IMAGE_MAX, Refused, Room, VERSION};
use bellcrank_core::machine::{
    AXES_MAX, Axis, CORNERS_MAX, Carried, Cylinder, Field, Footing, JOINTS_MAX, MachineError, Parts, Rocker, Rod,
    Shape, Signal, Spares, TIP_LEVERS_MAX, Twin, ZONES_MAX, Zone,
};
use bellcrank_core::units::{Duration, Ohms};
use bellcrank_machine::{BUILTIN, build, pack, read};
use crc::{CRC_32_ISO_HDLC, Crc};
use heapless::Vec as Fixed;
use proptest::prelude::*;
use serde::Serialize;

use crate::command::{json, run};

const CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
/// Where the header has the CRC.
const CRC_AT: std::ops::Range<usize> = 54..58;

fn machine(name: &str) -> Machine {
    let text = bellcrank_machine::builtin(name).expect("built in");
    build(&read(name, text).expect("good")).expect("a machine")
}

fn packed(machine: &Machine) -> Vec<u8> {
    let mut bytes = vec![0; IMAGE_MAX];
    let length = image::write(machine, Fingerprint([7; 32]), &mut bytes).expect("it fits");
    bytes.truncate(length);
    bytes
}

/// With length and CRC set right for what the bytes are now: as somebody would who writes images with another program.
fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    let body = u32::try_from(bytes.len() - HEADER_LEN).expect("short");
    bytes[18..22].copy_from_slice(&body.to_le_bytes());
    let sum = CRC.checksum(&[&bytes[..CRC_AT.start], &bytes[CRC_AT.end..]].concat());
    bytes[CRC_AT].copy_from_slice(&sum.to_le_bytes());
    bytes
}

/// An image of something that only looks like the parts of a machine.
fn of_body(counts: [u8; 8], body: &impl Serialize) -> Vec<u8> {
    let mut bytes = packed(&machine("yard-digger"));
    bytes.truncate(HEADER_LEN);
    bytes[10..18].copy_from_slice(&counts);
    bytes.extend_from_slice(postcard::to_slice(body, &mut vec![0; 2 * IMAGE_MAX]).expect("it fits"));
    sealed(bytes)
}

#[test]
fn the_built_in_machines_come_back_as_they_went_in() {
    for (name, text) in BUILTIN {
        let machine = machine(name);
        let packed = pack(&read(name, text).expect("good"), text, &machine).expect("packed");
        let back = image::read(&packed.bytes).expect("whole");
        assert_eq!(
            (&back.machine, back.file, back.crc),
            (&machine, packed.file, packed.crc)
        );
        assert_eq!(
            image::length(&packed.bytes[..HEADER_LEN]),
            Ok(packed.bytes.len()),
            "{name}"
        );
    }
}

/// As much of everything as there is room for.
fn fullest() -> Machine {
    let [setter, digger] = ["drystone-setter", "yard-digger"].map(machine);
    let mut axis: Axis = digger.axes().last().expect("axes").1.clone();
    axis.sensor.signal = Signal::Current {
        shunt: Ohms::new(250.0).expect("a resistance"),
    };
    axis.sensor.points = (0..16u8).map(|k| (f32::from(k), f32::from(k))).collect();
    axis.sensor.fault = (-1.0, 20.0);
    axis.twin = Some(Twin {
        sensor: axis.sensor.clone(),
        limit: 1.0,
        confirm: Duration::from_ticks(u32::MAX),
    });
    axis.valve.out = (1..9u8)
        .map(|k| (0.5 + 0.05 * f32::from(k), 0.1 * f32::from(k)))
        .collect();
    axis.valve.inward = axis.valve.out.clone();
    axis.dither = Some(bellcrank_core::machine::Dither {
        amplitude: 0.1,
        frequency: 100.0,
    });
    let mut arm = setter.arms()[0].clone();
    let mut joint = arm.joints[0];
    let rod = Rod::Rocker(Rocker {
        child: [1.0; 2],
        pivot: [1.0; 2],
        rocker: 1.0,
        coupler: 1.0,
        side: -1.0,
        rod: [1.0; 2],
    });
    joint.cylinder = Some(Cylinder {
        barrel: [1.0; 3],
        rod,
        radius: 1.0,
    });
    arm.joints = std::iter::repeat_n(joint, JOINTS_MAX).collect();
    arm.grip = Some(joint);
    arm.levers = (0..6).collect();
    let zone = Zone {
        shape: Shape::Capsule {
            from: [0.0; 3],
            to: [1.0; 3],
            radius: 1.0,
        },
        carried: Some(Carried { arm: 1, joint: 6 }),
        spares: Spares::default(),
        margin: 1.0,
    };
    let corner = |k: usize| {
        let at = std::f32::consts::TAU * k as f32 / CORNERS_MAX as f32;
        [at.cos(), at.sin()]
    };
    Machine::new(Parts {
        axes: std::iter::repeat_n(axis, AXES_MAX).collect(),
        arms: [arm.clone(), arm].into_iter().collect(),
        zones: std::iter::repeat_n(zone, ZONES_MAX).collect(),
        arm_margin: 1.0,
        footing: Some(Footing {
            mass: 1.0,
            centre: [0.0; 2],
            support: (0..CORNERS_MAX).map(corner).collect(),
            tip_margin: 0.5,
        }),
        commissioning_speed: Some(1.0),
        control_supply: Some((9.0, 32.0)),
        timing: *setter.timing(),
        seat: setter.seat(),
        remote: Some(setter.seat()),
        seat_place: *setter.seat_place(),
        pump_flow: 1.0,
        second_pump_flow: 1.0,
    })
    .expect("a machine")
}

#[test]
fn the_fullest_machine_has_room_in_an_image() {
    let machine = fullest();
    let bytes = packed(&machine);
    assert_eq!(image::read(&bytes).expect("whole").machine, machine);
    // Times take one byte to five; those here that are short could be longer by no more than a quarter of a kilobyte an axis.
    assert!(bytes.len() + 256 * AXES_MAX < IMAGE_MAX, "{} bytes", bytes.len());
}

/// The bytes of a machine that uses every field. When they change, so has the layout: raise `VERSION`, and put in what this prints.
#[test]
fn the_layout_is_that_of_this_version() {
    let sum = CRC.checksum(&packed(&fullest())[HEADER_LEN..]);
    assert_eq!((VERSION, format!("{sum:08x}").as_str()), (2, "a0d95a75"));
}

fn any_image() -> impl Strategy<Value = Vec<u8>> {
    static IMAGES: LazyLock<Vec<Vec<u8>>> =
        LazyLock::new(|| BUILTIN.iter().map(|(name, _)| packed(&machine(name))).collect());
    prop::sample::select(&**IMAGES)
}

proptest! {
    #[test]
    fn a_flipped_bit_is_refused(image in any_image(), place in any::<prop::sample::Index>()) {
        let mut changed = image.clone();
        let bit = place.index(8 * image.len());
        changed[bit / 8] ^= 1 << (bit % 8);
        let refused = image::read(&changed).expect_err("taken");
        let expected = match bit / 8 {
            0..8 => refused == Refused::NotAnImage,
            8..10 => matches!(refused, Refused::Version(_)),
            18..22 => matches!(refused, Refused::Short | Refused::TrailingBytes),
            _ => refused == Refused::Corrupt,
        };
        prop_assert!(expected, "bit {bit}: {refused}");
    }

    #[test]
    fn several_changed_bytes_are_refused(
        image in any_image(),
        changes in prop::collection::vec((any::<prop::sample::Index>(), 1..=255_u8), 1..20),
    ) {
        let mut changed = image.clone();
        for (place, by) in changes {
            changed[place.index(image.len())] ^= by;
        }
        prop_assume!(changed != image);
        prop_assert!(image::read(&changed).is_err());
    }

    #[test]
    fn a_shorter_image_is_refused(image in any_image(), keep in any::<prop::sample::Index>()) {
        prop_assert_eq!(image::read(&image[..keep.index(image.len())]), Err(Refused::Short));
    }

    #[test]
    fn bytes_after_the_end_are_refused(mut image in any_image(), more in prop::collection::vec(any::<u8>(), 1..100)) {
        image.extend(more);
        prop_assert_eq!(image::read(&image), Err(Refused::TrailingBytes));
    }

    #[test]
    fn any_bytes_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
        prop_assert!(image::read(&bytes).is_err());
    }

    /// What is put in under a right CRC is refused, or is a machine without any number that is none: it went through the same check.
    #[test]
    fn no_sealed_content_brings_in_what_is_no_number(image in any_image(), place in any::<prop::sample::Index>()) {
        let mut changed = image.clone();
        let at = HEADER_LEN + place.index(image.len() - HEADER_LEN - 4);
        changed[at..at + 4].copy_from_slice(&f32::NAN.to_le_bytes());
        if let Ok(image) = image::read(&sealed(changed)) {
            let told = format!("{:?}", image.machine);
            prop_assert!(!told.contains("NaN"), "{}", told);
            prop_assert_eq!(image::read(&packed(&image.machine)).map(|back| back.machine), Ok(image.machine));
        }
    }
}

#[test]
fn another_version_is_named_whatever_else_is_wrong() {
    let mut bytes = packed(&machine("yard-digger"));
    bytes[8] = 200;
    bytes.truncate(30);
    assert_eq!(image::read(&bytes), Err(Refused::Version(200)));
}

#[test]
fn more_than_there_is_room_for_is_named() {
    let most = [AXES_MAX, 2, JOINTS_MAX, TIP_LEVERS_MAX, ZONES_MAX, 16, 8, CORNERS_MAX];
    let rooms = [
        Room::Axes,
        Room::Arms,
        Room::JointsOfAnArm,
        Room::LeversOfATip,
        Room::Zones,
        Room::CalibrationPoints,
        Room::CurvePoints,
        Room::Corners,
    ];
    for (place, (most, room)) in most.into_iter().zip(rooms).enumerate() {
        let mut bytes = packed(&machine("yard-digger"));
        bytes[10 + place] = u8::try_from(most + 1).expect("small");
        assert_eq!(image::read(&sealed(bytes)), Err(Refused::Capacity(room)));
    }
}

/// A header that does not say how many there are does not make room for more of them.
#[test]
fn a_header_that_understates_lets_nothing_more_in() {
    let axis = machine("yard-digger").axes().next().expect("an axis").1.clone();
    for (axes, wanted) in [(AXES_MAX, false), (AXES_MAX + 1, true)] {
        let bytes = of_body([0; 8], &vec![axis.clone(); axes]);
        // The rest of the parts is missing, so neither is a machine.
        assert_eq!(image::read(&bytes), Err(Refused::Content), "{wanted}");
    }
}

#[test]
fn a_number_that_is_none_is_named_by_the_axis_and_the_field() {
    let parts = |shunt: f32| {
        let mut axis = machine("yard-digger").axes().next().expect("an axis").1.clone();
        axis.sensor.signal = Signal::Current {
            shunt: Ohms::new(250.0).expect("a resistance"),
        };
        let good = Parts {
            axes: Fixed::from_slice(&[axis]).expect("room"),
            ..small()
        };
        let bytes = packed(&Machine::new(good).expect("a machine"));
        let at = bytes
            .windows(4)
            .position(|four| four == 250_f32.to_le_bytes())
            .expect("the shunt");
        let mut bytes = bytes;
        bytes[at..at + 4].copy_from_slice(&shunt.to_le_bytes());
        image::read(&sealed(bytes)).map(|image| image.machine.axes().count())
    };
    assert_eq!(parts(250.0), Ok(1));
    let first = bellcrank_core::machine::AxisId::new(0).expect("there is one");
    let refused = Err(Refused::Machine(MachineError::Axis(first, Field::Sensor)));
    for shunt in [f32::NAN, f32::INFINITY, -1.0, 0.0] {
        assert_eq!(parts(shunt), refused, "{shunt}");
    }
}

/// The parts of a machine without an axis.
fn small() -> Parts {
    let digger = machine("servo-digger");
    Parts {
        axes: Fixed::new(),
        arms: Fixed::new(),
        zones: Fixed::new(),
        arm_margin: 0.0,
        footing: None,
        commissioning_speed: None,
        control_supply: None,
        timing: *digger.timing(),
        seat: digger.seat(),
        remote: None,
        seat_place: *digger.seat_place(),
        pump_flow: 1.0,
        second_pump_flow: 0.0,
    }
}

#[test]
fn the_command_packs_and_says_what() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    let report = json(
        here,
        &["pack", "yard digger", "--out", "a/digger.img", "--rust", "digger.rs"],
    );
    let bytes = std::fs::read(here.join("a/digger.img")).expect("written");
    let image = image::read(&bytes).expect("an image");
    assert_eq!(image.machine, machine("yard-digger"));
    assert_eq!(report["file_sha256"], image.file.to_string());
    assert_eq!(report["crc32"], format!("{:08x}", image.crc));
    assert_eq!(report["bytes"], bytes.len());
    let board: Vec<_> = report["board"].as_array().expect("a list").iter().collect();
    assert_eq!(board[0], "a turn every 2 ms, and a watchdog with a window around it");
    assert_eq!(board[2], "slew: valve by duty, 50 % is neutral; sensor by voltage");
    let rest = &board[6..];
    let all = [
        "control voltage, read: 20.4 to 28.8 V",
        "feedback contact of each of the three relays",
        "wireless station",
        "key for commissioning",
    ];
    assert_eq!(rest, all);

    let rust = std::fs::read_to_string(here.join("digger.rs")).expect("written");
    assert!(
        rust.contains(report["image_sha256"].as_str().expect("a digest")),
        "{rust}"
    );
    let (_, numbers) = rust.split_once("= &[").expect("an array");
    let same: Vec<u8> = numbers
        .split("0x")
        .skip(1)
        .map(|hex| u8::from_str_radix(&hex[..2], 16).expect("a byte"))
        .collect();
    assert_eq!(same, bytes);
}

#[test]
fn a_machine_file_with_mistakes_leaves_no_image() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    let text = bellcrank_machine::builtin("yard-digger").expect("built in");
    std::fs::write(here.join("bad.toml"), text.replace("bore_mm = 80", "bore_mm = -80")).expect("written");
    for arguments in [
        ["pack", "bad.toml", "--out", "b.img"],
        ["pack", "yard-digger", "--out", "."],
    ] {
        let said = run(here, &arguments, 2).stderr;
        assert!(!said.is_empty());
    }
    let left: Vec<_> = std::fs::read_dir(here)
        .expect("there")
        .map(|entry| entry.expect("an entry").file_name())
        .collect();
    assert_eq!(left, ["bad.toml"], "in {}", Path::new(here).display());
}
