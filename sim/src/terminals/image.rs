//! A process image in a file: what is read there is written here, each image in one call.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::FileExt;

use bellcrank_linux::mapping::{Mapping, Terminals};

use super::End;

/// The file.
#[derive(Debug)]
pub struct ImageFile {
    file: File,
    inputs_at: u64,
    outputs_at: u64,
}

impl ImageFile {
    /// Opens it, or makes it where there is none. What stands in it stays, so that whoever has it open goes on.
    ///
    /// # Errors
    /// It cannot be opened or made.
    pub fn open(mapping: &Mapping) -> io::Result<Self> {
        let Terminals::Image {
            file,
            inputs_at,
            outputs_at,
        } = &mapping.terminals
        else {
            return Err(io::Error::other("the mapping is for Modbus"));
        };
        let opened = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(file)?;
        let inputs_end = inputs_at + mapping.input_bytes as u64;
        let outputs_end = outputs_at + mapping.output_bytes as u64;
        let length = inputs_end.max(outputs_end);
        if opened.metadata()?.is_file() && opened.metadata()?.len() < length {
            opened.set_len(length)?;
        }
        Ok(Self {
            file: opened,
            inputs_at: *inputs_at,
            outputs_at: *outputs_at,
        })
    }
}

impl End for ImageFile {
    fn show(&mut self, inputs: &[u8]) -> io::Result<()> {
        self.file.write_all_at(inputs, self.inputs_at)
    }

    /// A file does not tell who wrote when: the count in it does.
    fn told(&mut self, outputs: &mut [u8]) -> io::Result<u64> {
        match self.file.read_exact_at(outputs, self.outputs_at) {
            // Somebody cut the file short: nothing is told until it is whole again.
            Err(why) if why.kind() == io::ErrorKind::UnexpectedEof => outputs.fill(0),
            read => read?,
        }
        Ok(0)
    }
}
