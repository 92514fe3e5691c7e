//! A machine file packed for a board: as the image that the core reads, and as Rust source to be compiled in.

use bellcrank_core::machine::Machine;
use bellcrank_core::machine::image::{self, Fingerprint, IMAGE_MAX};
use sha2::{Digest, Sha256};

use crate::description::Description;

/// Bytes in a line of the Rust form: 16 fill a hundred columns.
const BYTES_A_LINE: usize = 16;

/// A machine image and what it is of.
#[derive(Debug, Clone, PartialEq)]
pub struct Packed {
    /// The machine's name.
    pub name: String,
    /// The names of its axes, in the order of their output channels.
    pub axes: Vec<String>,
    /// The image.
    pub bytes: Vec<u8>,
    /// The CRC that it carries.
    pub crc: u32,
    /// SHA-256 of the machine file's text. It stands in the image, so that a board can say which file it has.
    pub file: Fingerprint,
    /// SHA-256 of the image.
    pub digest: Fingerprint,
}

/// Packs a machine: `text` is that of its file, from which `description` was read and `machine` was built.
///
/// None where the image would be longer than a board makes room for; no machine is.
pub fn pack(description: &Description, text: &str, machine: &Machine) -> Option<Packed> {
    let mut bytes = vec![0; IMAGE_MAX];
    let file = sha256(text.as_bytes());
    let length = image::write(machine, file, &mut bytes)?;
    bytes.truncate(length);
    // What is handed out has been read as a board will read it.
    let read = image::read(&bytes).ok().filter(|image| image.machine == *machine)?;
    Some(Packed {
        name: description.name.clone(),
        axes: description.axes.iter().map(|axis| axis.name.clone()).collect(),
        crc: read.crc,
        file,
        digest: sha256(&bytes),
        bytes,
    })
}

impl Packed {
    /// The image as a Rust source file with one constant.
    pub fn rust(&self) -> String {
        // A name is free text; a comment ends with its line.
        let plain = |name: &str| name.replace(char::is_control, " ");
        let lines = self.bytes.chunks(BYTES_A_LINE).map(|line| {
            let bytes: Vec<String> = line.iter().map(|byte| format!("0x{byte:02x},")).collect();
            format!("    {}\n", bytes.join(" "))
        });
        format!(
            "// Machine image, written by `bellcrank pack`: not to be edited. Changed bytes are refused when it is read.\n\
             // Machine:              {}\n\
             // Axes:                 {}\n\
             // Machine file, SHA-256 {}\n\
             // Image, SHA-256        {}\n\
             // Image, CRC-32         {:08x}\n\
             // It makes no machine safe and certifies none. First motion: low flow, one axis, nobody in reach.\n\n\
             /// For `bellcrank_core::machine::image::read`, which reads byte by byte: it needs no alignment.\n\
             #[rustfmt::skip]\n\
             pub const MACHINE_IMAGE: &[u8; {}] = &[\n{}];\n",
            plain(&self.name),
            self.axes.iter().map(|name| plain(name)).collect::<Vec<_>>().join(", "),
            self.file,
            self.digest,
            self.crc,
            self.bytes.len(),
            lines.collect::<String>(),
        )
    }
}

fn sha256(bytes: &[u8]) -> Fingerprint {
    Fingerprint(Sha256::digest(bytes).into())
}
