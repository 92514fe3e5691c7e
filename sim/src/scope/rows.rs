//! A capture row by row, in pieces of a size that does not depend on the file's; and a look at places spread over the whole of it.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use super::format::Format;

/// What is read at a time, bytes.
const PIECE: usize = 1 << 18;
/// Longest line that is taken for a row, bytes.
const LINE_MAX: usize = 4096;
/// Places that are looked at, and how much is read at each, bytes.
const PLACES: u64 = 256;
const AT_EACH: u64 = 16_384;

/// A row, or what stands in its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Line<'l> {
    /// Time, s, and signal, V.
    Row(f64, f64),
    /// Something else.
    Strange(&'l [u8]),
}

/// Hands on every line of the rows, with its number from 1; blank lines are passed over. Returns how many bytes were read.
///
/// # Errors
/// The system refuses the file.
pub fn each(file: &mut File, format: &Format, mut take: impl FnMut(u64, Line)) -> io::Result<u64> {
    file.seek(SeekFrom::Start(format.start as u64))?;
    let mut piece = vec![0; PIECE];
    let (mut kept, mut number, mut bytes) = (0, format.first_line, format.start as u64);
    // A line that is longer than any row is told once, and the rest of it passed over.
    let mut passing_over = false;
    loop {
        let read = file.read(&mut piece[kept..])?;
        bytes += read as u64;
        let filled = kept + read;
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', &piece[..filled]) {
            if !std::mem::take(&mut passing_over) {
                line(&piece[from..end], format, |line| take(number, line));
            }
            number += 1;
            from = end + 1;
        }
        if read == 0 {
            if from < filled && !passing_over {
                line(&piece[from..filled], format, |line| take(number, line));
            }
            return Ok(bytes);
        }
        kept = filled - from;
        if kept > LINE_MAX {
            if !passing_over {
                take(number, Line::Strange(&piece[from..filled]));
            }
            (passing_over, kept) = (true, 0);
        }
        piece.copy_within(from..from + kept, 0);
    }
}

/// Rows at places spread over the file, all of them where it is short. Each place is a list of its own: between two of them rows are missing.
///
/// # Errors
/// The system refuses the file.
pub fn here_and_there(file: &mut File, format: &Format) -> io::Result<Vec<Vec<(f64, f64)>>> {
    let (start, end) = (format.start as u64, file.metadata()?.len());
    let all = end.saturating_sub(start);
    let (places, at_each) = if all <= PLACES * AT_EACH {
        (1, all)
    } else {
        (PLACES, AT_EACH)
    };
    let mut found = Vec::new();
    let mut piece = Vec::new();
    for place in 0..places {
        let from = start + (all - at_each) * place / places.saturating_sub(1).max(1);
        file.seek(SeekFrom::Start(from))?;
        piece.clear();
        file.by_ref().take(at_each).read_to_end(&mut piece)?;
        // The first and last line may be parts of one.
        let first = if place == 0 {
            0
        } else {
            memchr::memchr(b'\n', &piece).map_or(piece.len(), |at| at + 1)
        };
        let last = if from + at_each >= end {
            piece.len()
        } else {
            memchr::memrchr(b'\n', &piece).map_or(first, |at| at + 1)
        };
        let lines = piece[first..last.max(first)].split(|&byte| byte == b'\n');
        found.push(lines.filter_map(|line| format.row(line)).collect());
    }
    Ok(found)
}

#[inline]
fn line(text: &[u8], format: &Format, take: impl FnOnce(Line)) {
    if let Some((time, signal)) = format.row(text) {
        take(Line::Row(time, signal));
    } else if !text.trim_ascii().is_empty() {
        take(Line::Strange(text));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    fn file(text: &[u8]) -> (File, Format) {
        let path = std::env::temp_dir().join(format!("bellcrank-rows-{}-{}", std::process::id(), text.len()));
        File::create(&path).unwrap().write_all(text).unwrap();
        let format = Format::sniff("a.csv", &text[..text.len().min(60_000)], false, None).unwrap();
        let file = File::open(&path).unwrap();
        std::fs::remove_file(path).unwrap();
        (file, format)
    }

    #[test]
    fn every_row_comes_once_with_its_line() {
        let mut text = b"time,v\n".to_vec();
        for row in 0..100_000 {
            text.extend(format!("{row},{}\n", row % 7).bytes());
        }
        text.extend(b"\nhello\n");
        text.extend(vec![b'x'; 600_000]);
        text.extend(b"\n100001,5");
        let (mut file, format) = file(&text);
        let (mut rows, mut strange) = (0_u32, Vec::new());
        let bytes = each(&mut file, &format, |line, row| match row {
            Line::Row(100_001.0, 5.0) => assert_eq!(line, 100_005),
            Line::Row(time, signal) => {
                assert_eq!((time, signal), (f64::from(rows), f64::from(rows % 7)));
                rows += 1;
                assert_eq!(line, u64::from(rows) + 1);
            }
            Line::Strange(_) => strange.push(line),
        });
        assert_eq!(
            (rows, strange, bytes.unwrap()),
            (100_000, vec![100_003, 100_004], text.len() as u64)
        );
    }

    #[test]
    fn a_long_file_is_looked_at_all_over() {
        let mut text = Vec::new();
        for row in 0..800_000 {
            text.extend(format!("{row}.5,{}\n", row % 7).bytes());
        }
        let (mut file, format) = file(&text);
        let places = here_and_there(&mut file, &format).unwrap();
        assert_eq!(places.len(), 256);
        assert!(
            places
                .iter()
                .all(|rows| rows.windows(2).all(|pair| pair[1].0 == pair[0].0 + 1.0))
        );
        assert_eq!(places[0][0].0, 0.5);
        assert!(places[255].last().unwrap().0 > 799_990.0);
        // Short ones are looked at whole.
        let (mut file, format) = self::file(b"0,1\n1,1\n2,2");
        assert_eq!(
            here_and_there(&mut file, &format).unwrap(),
            [[(0.0, 1.0), (1.0, 1.0), (2.0, 2.0)]]
        );
    }
}
