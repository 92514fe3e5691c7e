//! What a capture looks like, found out from its beginning: lines of heading, what parts the columns, decimal comma or point, which column
//! is the time and which the signal, and their units.
//!
//! The rows begin where three lines in a row (or all that are left, if there are fewer) have the same number of columns with numbers in the
//! same places, at least two of them. What stands above is heading; units are looked for in it: `Time (ms)`, `t_s`, `in V`, or a line of
//! units alone.

use super::ScopeError;

/// As much of the file as is looked at, bytes.
pub(super) const LOOKED_AT: usize = 65_536;
/// Lines that must be alike for rows to have begun.
const ALIKE: usize = 3;
/// Longest number that is taken for one, characters.
const NUMBER_MAX: usize = 64;

/// What a capture looks like.
#[derive(Debug, Clone, PartialEq)]
pub struct Format {
    /// What parts the columns. A blank stands for any number of them.
    pub delimiter: u8,
    /// Numbers have a decimal comma.
    pub comma: bool,
    /// Offset of the first row, bytes.
    pub start: usize,
    /// Line of the first row, from 1.
    pub first_line: u64,
    /// Which column is the time.
    pub time: Column,
    /// Which is the signal.
    pub signal: Column,
}

/// A column and its unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// From 0.
    pub place: usize,
    /// What the heading calls it; empty without a heading.
    pub name: String,
    /// Its unit in SI: s or V.
    pub unit: f64,
    /// The heading says so.
    pub told: bool,
}

impl Format {
    /// Finds out from the beginning of a file. `whole`: that is all of it. `signal`: the column that is wanted, by its number from 1 or by its
    /// heading.
    ///
    /// # Errors
    /// There are no rows, or no such column.
    pub fn sniff(file: &str, head: &[u8], whole: bool, signal: Option<&str>) -> Result<Format, ScopeError> {
        if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
            return Err(ScopeError::one(
                file,
                1,
                "",
                "UTF-16 text",
                "UTF-8 or ASCII: export it as such",
            ));
        }
        let mut lines: Vec<(usize, &[u8])> = Vec::new();
        let mut start = 0;
        for piece in head.split_inclusive(|&byte| byte == b'\n') {
            if whole || piece.ends_with(b"\n") {
                lines.push((start, piece));
            }
            start += piece.len();
        }
        let candidates = [(b';', false), (b';', true), (b'\t', false), (b'\t', true)];
        let candidates = candidates
            .into_iter()
            .chain([(b',', false), (b' ', false), (b' ', true)]);
        let found = candidates
            .filter_map(|(delimiter, comma)| Some((rows_begin(&lines, delimiter, comma)?, delimiter, comma)))
            .min_by_key(|((line, _), _, _)| *line);
        let Some(((line, numeric), delimiter, comma)) = found else {
            let found = if lines.is_empty() {
                "nothing that ends in a line"
            } else {
                "no rows of numbers"
            };
            return Err(ScopeError::one(file, 1, "", found, "rows with a time and a voltage"));
        };
        let names = headings(&lines[..line], delimiter, numeric.len());
        let place = place_of_time(&names, &numeric);
        let time = column(place, &names, time_unit);
        let place = match signal {
            None => (0..numeric.len()).find(|&column| column != place && numeric[column]),
            Some(wanted) => {
                chosen(wanted, &names).filter(|&column| column != place && numeric.get(column) == Some(&true))
            }
        };
        let Some(place) = place else {
            let known = (0..numeric.len()).filter(|&column| numeric[column] && column != time.place);
            let known: Vec<String> = known.map(|column| told(column, &names)).collect();
            let found = format!("{:?}", signal.unwrap_or_default());
            let wanted = format!("a column with numbers: {}", known.join(", "));
            return Err(ScopeError::one(file, line as u64, "--signal", found, wanted));
        };
        Ok(Format {
            delimiter,
            comma,
            start: lines[line].0,
            first_line: line as u64 + 1,
            signal: column(place, &names, volt_unit),
            time,
        })
    }

    /// Time and signal of a row, in SI; none where it has no such numbers.
    #[inline]
    pub fn row(&self, line: &[u8]) -> Option<(f64, f64)> {
        let (first, second) = if self.time.place < self.signal.place {
            (self.time.place, self.signal.place)
        } else {
            (self.signal.place, self.time.place)
        };
        let (first, rest) = self.field(line, first)?;
        let (second, _) = self.field(rest?, second - self.first() - 1)?;
        let (first, second) = (self.number(first)?, self.number(second)?);
        Some(if self.time.place < self.signal.place {
            (first * self.time.unit, second * self.signal.unit)
        } else {
            (second * self.time.unit, first * self.signal.unit)
        })
    }

    #[inline]
    fn first(&self) -> usize {
        self.time.place.min(self.signal.place)
    }

    /// The field with `before` others before it, and what comes behind it.
    #[inline]
    fn field<'l>(&self, line: &'l [u8], before: usize) -> Option<(&'l [u8], Option<&'l [u8]>)> {
        let mut rest = Some(line);
        let mut passed = 0;
        loop {
            let (field, behind) = next_field(rest?, self.delimiter);
            rest = behind;
            // Several blanks part two columns as one does.
            if self.delimiter == b' ' && field.is_empty() {
                continue;
            }
            if passed == before {
                return Some((field, rest));
            }
            passed += 1;
        }
    }

    #[inline]
    fn number(&self, field: &[u8]) -> Option<f64> {
        number(field, self.comma)
    }
}

#[inline]
fn next_field(line: &[u8], delimiter: u8) -> (&[u8], Option<&[u8]>) {
    // Fields are a few bytes long: a plain look is faster here than a vector search.
    match line.iter().position(|&byte| byte == delimiter) {
        Some(at) => (&line[..at], Some(&line[at + 1..])),
        None => (line, None),
    }
}

/// A finite number with blanks or quotes around it.
#[inline]
fn number(field: &[u8], comma: bool) -> Option<f64> {
    let value = if comma {
        let field = bare(field);
        let mut pointed = [0; NUMBER_MAX];
        let pointed = pointed.get_mut(..field.len())?;
        pointed.copy_from_slice(field);
        for byte in pointed.iter_mut() {
            match *byte {
                b',' => *byte = b'.',
                b'.' => return None,
                _ => {}
            }
        }
        fast_float2::parse::<f64, _>(&*pointed).ok()?
    } else if let Ok(value) = fast_float2::parse::<f64, _>(field) {
        value
    } else {
        fast_float2::parse::<f64, _>(bare(field)).ok()?
    };
    value.is_finite().then_some(value)
}

fn bare(field: &[u8]) -> &[u8] {
    let field = field.trim_ascii();
    let inner = field.strip_prefix(b"\"").and_then(|field| field.strip_suffix(b"\""));
    inner.map_or(field, <[u8]>::trim_ascii)
}

/// The fields of a line as the rows have them.
fn fields(line: &[u8], delimiter: u8) -> Vec<&[u8]> {
    let line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line).trim_ascii();
    line.split(|&byte| byte == delimiter)
        .filter(|field| delimiter != b' ' || !field.is_empty())
        .collect()
}

/// The line at which rows begin, and which of their columns are numbers.
fn rows_begin(lines: &[(usize, &[u8])], delimiter: u8, comma: bool) -> Option<(usize, Vec<bool>)> {
    let kind = |line: &[u8]| -> Vec<bool> {
        let fields = fields(line, delimiter);
        fields.iter().map(|field| number(field, comma).is_some()).collect()
    };
    let is_row = |kind: &[bool]| kind.iter().filter(|&&numeric| numeric).count() >= 2;
    (0..lines.len()).find_map(|at| {
        let first = kind(lines[at].1);
        if !is_row(&first) {
            return None;
        }
        let mut next = lines[at..].iter().filter(|(_, line)| !line.trim_ascii().is_empty());
        let alike = next
            .by_ref()
            .take(ALIKE)
            .take_while(|(_, line)| kind(line) == first)
            .count();
        (alike == ALIKE || at + alike == lines.len()).then_some((at, first))
    })
}

/// What stands above each column, the lines of heading joined; nothing where no line of heading has as many columns.
fn headings(lines: &[(usize, &[u8])], delimiter: u8, columns: usize) -> Vec<String> {
    let mut names = vec![String::new(); columns];
    for (_, line) in lines {
        let cells = fields(line, delimiter);
        if cells.len() == columns {
            for (name, cell) in names.iter_mut().zip(cells) {
                // The micro sign of Latin-1 is the one byte beyond ASCII that matters.
                let text = String::from_utf8(bare(cell).to_vec());
                let text = text.unwrap_or_else(|_| bare(cell).iter().map(|&byte| char::from(byte)).collect());
                if !name.is_empty() && !text.is_empty() {
                    *name += " ";
                }
                *name += &text;
            }
        }
    }
    names
}

/// The words of a heading, in small letters.
fn words(name: &str) -> Vec<String> {
    let words = name
        .split(|c: char| !c.is_alphanumeric())
        .filter(|word| !word.is_empty());
    words.map(str::to_lowercase).collect()
}

/// The unit that a heading names, of those known.
fn unit_in(name: &str, known: &[(&str, f64)]) -> Option<f64> {
    let unit = |word: &String| known.iter().find(|(unit, _)| unit == word).map(|(_, size)| *size);
    // The unit stands last: `T in s`, `V1 (mV)`.
    words(name).iter().rev().find_map(unit)
}

fn time_unit(name: &str) -> Option<f64> {
    // Both signs for micro, the Greek letter and the one of old character sets.
    let known = [
        ("s", 1.0),
        ("sec", 1.0),
        ("second", 1.0),
        ("seconds", 1.0),
        ("ms", 1e-3),
        ("us", 1e-6),
        ("\u{b5}s", 1e-6),
        ("\u{3bc}s", 1e-6),
        ("ns", 1e-9),
    ];
    unit_in(name, &known)
}

fn volt_unit(name: &str) -> Option<f64> {
    unit_in(
        name,
        &[("v", 1.0), ("volt", 1.0), ("volts", 1.0), ("mv", 1e-3), ("kv", 1e3)],
    )
}

/// The column whose heading speaks of time, or else the first with numbers.
fn place_of_time(names: &[String], numeric: &[bool]) -> usize {
    let speaks = |name: &String| words(name).iter().any(|word| word == "time") || time_unit(name).is_some();
    let told = (0..numeric.len()).find(|&column| numeric[column] && speaks(&names[column]));
    told.or_else(|| numeric.iter().position(|&numeric| numeric))
        .unwrap_or(0)
}

fn column(place: usize, names: &[String], unit: impl Fn(&str) -> Option<f64>) -> Column {
    let unit = unit(&names[place]);
    Column {
        place,
        name: names[place].clone(),
        unit: unit.unwrap_or(1.0),
        told: unit.is_some(),
    }
}

fn chosen(wanted: &str, names: &[String]) -> Option<usize> {
    if let Ok(number) = wanted.parse::<usize>() {
        return number.checked_sub(1);
    }
    let named = |name: &String| name.eq_ignore_ascii_case(wanted) || words(name).contains(&wanted.to_lowercase());
    names.iter().position(named)
}

fn told(column: usize, names: &[String]) -> String {
    match names[column].as_str() {
        "" => format!("{}", column + 1),
        name => format!("{} ({name})", column + 1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first row of a capture in SI, and what parts its columns.
    fn first(text: &str, signal: Option<&str>) -> (Option<(f64, f64)>, u8, u64) {
        let format = Format::sniff("a.csv", text.as_bytes(), true, signal).unwrap();
        let line = text.as_bytes()[format.start..]
            .split(|&byte| byte == b'\n')
            .next()
            .unwrap();
        (format.row(line), format.delimiter, format.first_line)
    }

    #[test]
    fn headings_delimiters_commas_and_units_are_found() {
        let rows = "0.5,3\n0.6,3\n0.7,3\n";
        assert_eq!(first(rows, None), (Some((0.5, 3.0)), b',', 1));
        let text = format!("made 1.2.2026, 12:30\nx,y\nTime (ms),Lever (mV)\n\n{rows}");
        assert_eq!(first(&text, None), (Some((0.5e-3, 3e-3)), b',', 5));
        let text = "Zeit;Kanal A\r\n(ms);(V)\r\n\r\n0,25;\"4,5\"\r\n0,50;4,5\r\n0,75;4,5\r\n";
        assert_eq!(first(text, None), (Some((0.25e-3, 4.5)), b';', 4));
        let text = "second\tVolt\n1,5e-3\t4,5\n2e-3\t4,5\n";
        assert_eq!(first(text, None), (Some((1.5e-3, 4.5)), b'\t', 2));
        assert_eq!(first("  0.25   1 \n  0.5    0 \n", None), (Some((0.25, 1.0)), b' ', 1));
        let text = "t_us,a_v,b_v\n1,2,3\n2,2,3\n3,2,3\n";
        assert_eq!(first(text, Some("b_v")), (Some((1e-6, 3.0)), b',', 2));
        assert_eq!(first(text, Some("2")), (Some((1e-6, 2.0)), b',', 2));
        let text = "volts,time\n1,0.5\n2,0.6\n";
        assert_eq!(first(text, None), (Some((0.5, 1.0)), b',', 2));
    }

    #[test]
    fn what_is_no_capture_says_what_is_wanted() {
        let said = |bytes: &[u8], signal| Format::sniff("a.csv", bytes, true, signal).unwrap_err().to_string();
        assert_eq!(
            said(b"hello\nworld\n", None),
            "a.csv:1: found no rows of numbers, wanted rows with a time and a voltage"
        );
        assert!(said(b"\xff\xfet\0", None).contains("found UTF-16 text"));
        let said = said(b"time,a,b\n1,2,x\n2,2,x\n", Some("b"));
        assert!(
            said.contains("--signal: found \"b\", wanted a column with numbers: 2 (a)"),
            "{said}"
        );
    }

    #[test]
    fn a_row_that_is_none_gives_nothing() {
        let format = Format::sniff("a.csv", b"0,1\n1,1\n2,1\n", true, None).unwrap();
        for line in ["", "1", "1,", "1,x", "1,inf", "nan,1", "1;2"] {
            assert_eq!(format.row(line.as_bytes()), None, "{line}");
        }
        assert_eq!(format.row(b"1, 2 ,3"), Some((1.0, 2.0)));
    }
}
