//! `firmware-log ELF`: decodes what a firmware logs, which comes in on standard input, to a line each on standard output.

use std::io::{self, Read, Write};
use std::process::ExitCode;

use defmt_decoder::{DecodeError, Table};

fn main() -> ExitCode {
    match decode() {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::from(2)
        }
    }
}

fn decode() -> Result<(), String> {
    let firmware = std::env::args_os().nth(1).ok_or("wanted the firmware's ELF file")?;
    let elf = std::fs::read(&firmware).map_err(|why| format!("{}: {why}", firmware.display()))?;
    let table = Table::parse(&elf).map_err(|why| format!("{}: {why}", firmware.display()))?;
    let table = table.ok_or_else(|| format!("{}: the firmware has no log", firmware.display()))?;
    let mut decoder = table.new_stream_decoder();
    let (mut from, mut to) = (io::stdin().lock(), io::stdout().lock());
    let mut bytes = [0; 1024];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        decoder.received(&bytes[..count]);
        loop {
            let line = match decoder.decode() {
                Ok(frame) => frame.display(false).to_string(),
                Err(DecodeError::UnexpectedEof) => break,
                Err(DecodeError::Malformed) => "something that is no line of a log".to_owned(),
            };
            writeln!(to, "{line}")
                .and_then(|()| to.flush())
                .map_err(|why| why.to_string())?;
        }
    }
    Ok(())
}
