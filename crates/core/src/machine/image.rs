//! A machine as bytes: packed on the host, kept in a board's memory, checked like any machine when it is read.
//!
//! | offset | bytes | what |
//! |---|---|---|
//! | 0 | 8 | [`MAGIC`] |
//! | 8 | 2 | [`VERSION`] |
//! | 10 | 8 | how many there are, at most, of what the core has room for: see [`Room`] |
//! | 18 | 4 | length of the body |
//! | 22 | 32 | fingerprint of the machine file |
//! | 54 | 4 | CRC-32 (ISO-HDLC, as in Ethernet) of all else, header and body |
//! | 58 | | body: [`Parts`] in the format of `postcard` 1 |
//!
//! Numbers in the header have their least byte first. Nothing in it needs an alignment: it is read byte by byte.
//!
//! [`read`] takes the bytes to the last one and no others, goes through [`Machine::new`], and has no panic in it. A CRC guards against
//! what memories and cables do to bytes, not against somebody who means it: who may write the memory may set any CRC.
//!
//! Reading takes some 15 kB of stack beside the machine that it gives, some 12 kB, once, at the start (measured in `crates/firmware`).

use core::fmt;

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};
use heapless::Vec;
use postcard::{Deserializer, de_flavors::Slice};
use serde::Deserialize;

use super::{
    ARMS_MAX, AXES_MAX, Axis, CORNERS_MAX, CURVE_POINTS_MAX, JOINTS_MAX, Machine, MachineError, POINTS_MAX, Parts,
    TIP_LEVERS_MAX, ZONES_MAX,
};

/// What an image begins with.
pub const MAGIC: [u8; 8] = *b"BELCRANK";

/// The layout, of header and body. To be raised whenever a field of the machine comes, goes or changes its meaning.
pub const VERSION: u16 = 2;

/// Bytes before the body.
pub const HEADER_LEN: usize = 58;

/// No image is longer: a machine that uses all the room there is stays below (held by a test).
pub const IMAGE_MAX: usize = 16 * 1024;

/// Without a table: it is worked out once, at the start.
const CRC: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

/// Digest of the machine file's text (SHA-256, the one that `sha256sum` prints): tells which file an image was made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub struct Fingerprint(pub [u8; 32]);

impl fmt::Display for Fingerprint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// What an image holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Image {
    /// The machine, checked.
    pub machine: Machine,
    /// The file that it was made of.
    pub file: Fingerprint,
    /// The CRC that it carries.
    pub crc: u32,
}

/// What the core has room for so many of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
#[allow(missing_docs, reason = "each is its own name")]
pub enum Room {
    Axes,
    Arms,
    JointsOfAnArm,
    LeversOfATip,
    Zones,
    CalibrationPoints,
    CurvePoints,
    Corners,
}

/// In the order in which the header counts them.
const ROOM: [(Room, usize); 8] = [
    (Room::Axes, AXES_MAX),
    (Room::Arms, ARMS_MAX),
    (Room::JointsOfAnArm, JOINTS_MAX),
    (Room::LeversOfATip, TIP_LEVERS_MAX),
    (Room::Zones, ZONES_MAX),
    (Room::CalibrationPoints, POINTS_MAX),
    (Room::CurvePoints, CURVE_POINTS_MAX),
    (Room::Corners, CORNERS_MAX),
];

/// Why bytes are no image of a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[cfg_attr(feature = "serde", derive(serde::Serialize, serde::Deserialize))]
pub enum Refused {
    /// They do not begin as an image does.
    NotAnImage,
    /// An image of another layout, this one's version.
    Version(u16),
    /// There are fewer bytes than the image says it has.
    Short,
    /// There are more.
    TrailingBytes,
    /// A byte is not what was packed: the CRC is another.
    Corrupt,
    /// The machine has more of something than this core has room for.
    Capacity(Room),
    /// The CRC is right, yet the body is of nothing that could have been packed.
    Content,
    /// A number with which a stage could not work: NaN, say.
    Machine(MachineError),
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAnImage => f.write_str("no machine image: it begins with something else"),
            Self::Version(found) => write!(f, "an image of version {found}, and this core reads version {VERSION}"),
            Self::Short => f.write_str("the image is cut short"),
            Self::TrailingBytes => f.write_str("there are bytes after the end of the image"),
            Self::Corrupt => f.write_str("the image is damaged: its CRC is wrong"),
            Self::Capacity(room) => write!(f, "more {room:?} than this core has room for"),
            Self::Content => f.write_str("the image is whole, and its content is no machine's"),
            Self::Machine(error) => write!(f, "{error}"),
        }
    }
}

impl core::error::Error for Refused {}

/// Reads an image.
///
/// # Errors
/// [`Refused`], by the first thing that is wrong with it.
pub fn read(bytes: &[u8]) -> Result<Image, Refused> {
    let (sealed, crc, body) = taken_apart(bytes)?;
    if crc != sum(&sealed, body) {
        return Err(Refused::Corrupt);
    }
    let over = sealed
        .counts
        .iter()
        .zip(ROOM)
        .find(|(count, (_, most))| usize::from(**count) > *most);
    if let Some((_, (room, _))) = over {
        return Err(Refused::Capacity(room));
    }
    let mut machine = Machine(no_parts());
    fill(&mut machine.0, body).ok_or(Refused::Content)?;
    machine.0.check().map_err(Refused::Machine)?;
    Ok(Image {
        machine,
        file: Fingerprint(sealed.file),
        crc,
    })
}

/// A call of its own gives back the stack that it takes before anything is read.
#[inline(never)]
fn no_parts() -> Parts {
    Parts::default()
}

/// Reads a body to its last byte into where its parts are kept, in the order in which they stand in [`Parts`]: that takes the stack of one of
/// them at a time.
fn fill(parts: &mut Parts, body: &[u8]) -> Option<()> {
    let Parts {
        axes,
        arms,
        zones,
        arm_margin,
        footing,
        commissioning_speed,
        control_supply,
        timing,
        seat,
        remote,
        seat_place,
        pump_flow,
        second_pump_flow,
    } = parts;
    let mut body = Deserializer::from_bytes(body);
    fill_list(axes, &mut body)?;
    fill_list(arms, &mut body)?;
    fill_list(zones, &mut body)?;
    *arm_margin = next(&mut body)?;
    *footing = next(&mut body)?;
    *commissioning_speed = next(&mut body)?;
    *control_supply = next(&mut body)?;
    *timing = next(&mut body)?;
    *seat = next(&mut body)?;
    *remote = next(&mut body)?;
    *seat_place = next(&mut body)?;
    *pump_flow = next(&mut body)?;
    *second_pump_flow = next(&mut body)?;
    body.finalize().ok()?.is_empty().then_some(())
}

type Body<'b> = Deserializer<'b, Slice<'b>>;

fn fill_list<'b, T: Deserialize<'b>, const N: usize>(list: &mut Vec<T, N>, body: &mut Body<'b>) -> Option<()> {
    let count: u32 = next(body)?;
    for _ in 0..count {
        list.push(next(body)?).ok()?;
    }
    Some(())
}

/// Not a part of what calls it, whose stack would have room for every part at once.
#[inline(never)]
fn next<'b, T: Deserialize<'b>>(body: &mut Body<'b>) -> Option<T> {
    T::deserialize(body).ok()
}

/// How many bytes the image has that begins with these: for a memory in which something else follows.
///
/// # Errors
/// They do not begin an image of this version, or not the whole header is there.
pub fn length(bytes: &[u8]) -> Result<usize, Refused> {
    let (sealed, ..) = header(bytes)?;
    let body = usize::try_from(u32::from_le_bytes(sealed.length)).map_err(|_| Refused::Short)?;
    body.checked_add(HEADER_LEN).ok_or(Refused::Short)
}

/// Packs a machine into the first bytes of `into`, and says how many. [`IMAGE_MAX`] are always enough; none where they were not.
pub fn write(machine: &Machine, file: Fingerprint, into: &mut [u8]) -> Option<usize> {
    let parts = &machine.0;
    let (head, room) = into.split_first_chunk_mut::<HEADER_LEN>()?;
    let body = postcard::to_slice(parts, room).ok()?;
    let sealed = Sealed {
        version: VERSION.to_le_bytes(),
        counts: counts(parts),
        length: u32::try_from(body.len()).ok()?.to_le_bytes(),
        file: file.0,
    };
    let crc = sum(&sealed, body).to_le_bytes();
    let header = MAGIC.iter().chain(sealed.bytes()).chain(&crc);
    head.iter_mut().zip(header).for_each(|(to, from)| *to = *from);
    body.len().checked_add(HEADER_LEN)
}

/// What stands between magic and CRC.
struct Sealed {
    version: [u8; 2],
    counts: [u8; ROOM.len()],
    length: [u8; 4],
    file: [u8; 32],
}

impl Sealed {
    fn bytes(&self) -> impl Iterator<Item = &u8> {
        let Self {
            version,
            counts,
            length,
            file,
        } = self;
        version.iter().chain(counts).chain(length).chain(file)
    }
}

fn header(bytes: &[u8]) -> Result<(Sealed, u32, &[u8]), Refused> {
    let (magic, rest) = bytes.split_first_chunk().ok_or(Refused::Short)?;
    if *magic != MAGIC {
        return Err(Refused::NotAnImage);
    }
    let (version, rest) = rest.split_first_chunk().ok_or(Refused::Short)?;
    let found = u16::from_le_bytes(*version);
    if found != VERSION {
        return Err(Refused::Version(found));
    }
    let (counts, rest) = rest.split_first_chunk().ok_or(Refused::Short)?;
    let (length, rest) = rest.split_first_chunk().ok_or(Refused::Short)?;
    let (file, rest) = rest.split_first_chunk().ok_or(Refused::Short)?;
    let (crc, body) = rest.split_first_chunk().ok_or(Refused::Short)?;
    let sealed = Sealed {
        version: *version,
        counts: *counts,
        length: *length,
        file: *file,
    };
    Ok((sealed, u32::from_le_bytes(*crc), body))
}

fn taken_apart(bytes: &[u8]) -> Result<(Sealed, u32, &[u8]), Refused> {
    let whole = length(bytes)?;
    if bytes.len() < whole {
        return Err(Refused::Short);
    }
    if bytes.len() > whole {
        return Err(Refused::TrailingBytes);
    }
    header(bytes)
}

fn sum(sealed: &Sealed, body: &[u8]) -> u32 {
    let mut digest = CRC.digest();
    digest.update(&MAGIC);
    for byte in sealed.bytes() {
        digest.update(&[*byte]);
    }
    digest.update(body);
    digest.finalize()
}

/// What the header counts, in the order of [`ROOM`].
fn counts(parts: &Parts) -> [u8; ROOM.len()] {
    let points = |axis: &Axis| {
        let twin = axis.twin.as_ref().map_or(0, |twin| twin.sensor.points.len());
        axis.sensor.points.len().max(twin)
    };
    let curve = |axis: &Axis| axis.valve.out.len().max(axis.valve.inward.len());
    [
        parts.axes.len(),
        parts.arms.len(),
        parts.arms.iter().map(|arm| arm.joints.len()).max().unwrap_or(0),
        parts.arms.iter().map(|arm| arm.levers.len()).max().unwrap_or(0),
        parts.zones.len(),
        parts.axes.iter().map(points).max().unwrap_or(0),
        parts.axes.iter().map(curve).max().unwrap_or(0),
        parts.footing.as_ref().map_or(0, |footing| footing.support.len()),
    ]
    // No capacity is above 16.
    .map(|count| u8::try_from(count).unwrap_or(u8::MAX))
}
