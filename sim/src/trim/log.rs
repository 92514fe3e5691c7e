//! What a test leaves behind: time, command and stroke of each axis, as CSV. It is the one thing that identification looks at, wherever it was
//! recorded.
//!
//! | column | what |
//! |---|---|
//! | `t_s` | when the sensor was read, s; rising for each axis, however unevenly |
//! | `axis` | name of the axis in the machine file |
//! | `command` | what the valve is told then, -1 to 1, positive to extend: the opening before any deadband is jumped |
//! | `signal_v` | the voltage at the sensor's converter, V; turned into a stroke by the machine file's calibration |
//! | `stroke_mm`, `stroke_deg` | or the stroke itself, of a cylinder, of a motor |
//!
//! Other columns are passed over.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bellcrank_machine::Description;
use bellcrank_machine::description::{ActuatorKind, Axis, Sensor, Signal};
use miette::Diagnostic;

/// One row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When, s.
    pub t: f64,
    /// What the valve is told, -1 to 1.
    pub command: f64,
    /// What the sensor says: V, or the stroke itself, m or rad.
    pub sensed: Sensed,
}

/// What a sensor says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sensed {
    /// A voltage at its converter, V.
    Volts(f64),
    /// A stroke, m or rad.
    Stroke(f64),
}

/// All rows of one axis.
#[derive(Debug, Clone, PartialEq)]
pub struct AxisLog {
    /// Number of the axis in the machine.
    pub axis: usize,
    /// Its rows, in order of time.
    pub readings: Vec<Reading>,
}

/// A log cannot be read.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum LogError {
    /// The system refuses it.
    #[error("{}: found a file that cannot be read ({source}), wanted a log as CSV", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: csv::Error,
    },
    /// Something is wrong in it.
    #[error("{}:{line}: {column}: found {found}, wanted {wanted}", path.display())]
    Wrong {
        /// The file.
        path: PathBuf,
        /// Line in it, from 1.
        line: u64,
        /// The column.
        column: &'static str,
        /// What stands there.
        found: String,
        /// What should.
        wanted: String,
    },
}

/// Reads the log of a machine's axes.
///
/// # Errors
/// The file cannot be read, lacks a column, or holds something that is none of what its columns say.
pub fn read(path: &Path, machine: &Description) -> Result<Vec<AxisLog>, LogError> {
    let unreadable = |source| LogError::Unreadable {
        path: path.to_path_buf(),
        source,
    };
    let wrong = |line, Misread { column, found, wanted }| LogError::Wrong {
        path: path.to_path_buf(),
        line,
        column,
        found,
        wanted,
    };
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_path(path)
        .map_err(unreadable)?;
    let columns = Columns::of(reader.headers().map_err(unreadable)?).map_err(|misread| wrong(1, misread))?;
    let mut logs: BTreeMap<usize, Vec<Reading>> = BTreeMap::new();
    for row in reader.records() {
        let row = row.map_err(unreadable)?;
        let line = row.position().map_or(0, csv::Position::line);
        let (axis, reading) = columns.reading(&row, machine).map_err(|misread| wrong(line, misread))?;
        let readings = logs.entry(axis).or_default();
        if let Some(last) = readings.last().filter(|last| last.t >= reading.t) {
            let wanted = format!("a time after {} s, the row before of this axis", last.t);
            return Err(wrong(line, misread("t_s", format!("{} s", reading.t), wanted)));
        }
        readings.push(reading);
    }
    if logs.is_empty() {
        return Err(wrong(1, misread("t_s", "no rows", "a row for each reading")));
    }
    Ok(logs
        .into_iter()
        .map(|(axis, readings)| AxisLog { axis, readings })
        .collect())
}

/// What is wrong in a row: in which column, what was found, what would be right.
struct Misread {
    column: &'static str,
    found: String,
    wanted: String,
}

fn misread(column: &'static str, found: impl Into<String>, wanted: impl Into<String>) -> Misread {
    Misread {
        column,
        found: found.into(),
        wanted: wanted.into(),
    }
}

/// Where each column stands.
struct Columns {
    time: usize,
    axis: usize,
    command: usize,
    signal: Option<usize>,
    /// `stroke_mm` and `stroke_deg`.
    strokes: [Option<usize>; 2],
}

impl Columns {
    fn of(header: &csv::StringRecord) -> Result<Columns, Misread> {
        let found = match header.iter().collect::<Vec<_>>().join(", ") {
            none if none.is_empty() => "no columns".to_owned(),
            some => format!("the columns {some}"),
        };
        let place = |name: &str| header.iter().position(|column| column == name);
        let needed =
            |name: &'static str| place(name).ok_or_else(|| misread(name, found.clone(), format!("a column {name}")));
        let columns = Columns {
            time: needed("t_s")?,
            axis: needed("axis")?,
            command: needed("command")?,
            signal: place("signal_v"),
            strokes: ["stroke_mm", "stroke_deg"].map(place),
        };
        if columns.signal.or(columns.strokes[0]).or(columns.strokes[1]).is_none() {
            return Err(misread("signal_v", found, "a column signal_v, stroke_mm or stroke_deg"));
        }
        Ok(columns)
    }

    /// The axis of a row, and what it says.
    fn reading(&self, row: &csv::StringRecord, machine: &Description) -> Result<(usize, Reading), Misread> {
        let number = |column: &'static str, at: usize| {
            let text = row.get(at).unwrap_or_default();
            let number = text.parse().ok().filter(|number: &f64| number.is_finite());
            number.ok_or_else(|| misread(column, format!("{text:?}"), "a number"))
        };
        let named = row.get(self.axis).unwrap_or_default();
        let Some(axis) = machine.axes.iter().position(|axis| axis.name == named) else {
            let known: Vec<&str> = machine.axes.iter().map(|axis| &*axis.name).collect();
            let wanted = format!("one of {}", known.join(", "));
            return Err(misread("axis", format!("{named:?}"), wanted));
        };
        let filled = |at: &usize| row.get(*at).is_some_and(|text| !text.is_empty());
        let (unit, scale) = stroke_unit(&machine.axes[axis]);
        let (column, stroke) = if unit == "deg" {
            ("stroke_deg", self.strokes[1])
        } else {
            ("stroke_mm", self.strokes[0])
        };
        let sensed = match (self.signal.filter(filled), stroke.filter(filled)) {
            (Some(at), _) => Sensed::Volts(number("signal_v", at)?),
            (None, Some(at)) => Sensed::Stroke(number(column, at)? / scale),
            (None, None) => return Err(misread(column, "nothing", "a voltage or a stroke")),
        };
        let command = number("command", self.command)?;
        if command.abs() > 1.0 {
            let wanted = "a share of full command, -1 to 1";
            return Err(misread("command", command.to_string(), wanted));
        }
        let t = number("t_s", self.time)?;
        Ok((axis, Reading { t, command, sensed }))
    }
}

/// The logs as they are read.
pub fn csv(machine: &Description, logs: &[AxisLog]) -> String {
    let mut text = "t_s,axis,command,signal_v,stroke_mm,stroke_deg\n".to_owned();
    for log in logs {
        let axis = &machine.axes[log.axis];
        let (unit, scale) = stroke_unit(axis);
        for reading in &log.readings {
            let sensed = match reading.sensed {
                Sensed::Volts(volts) => format!("{volts:.6},,"),
                Sensed::Stroke(stroke) if unit == "deg" => format!(",,{:.6}", stroke * scale),
                Sensed::Stroke(stroke) => format!(",{:.6},", stroke * scale),
            };
            text += &format!("{:.6},{},{:.6},{sensed}\n", reading.t, axis.name, reading.command);
        }
    }
    text
}

/// What the stroke of an axis is told in, and how many of it are a metre or a radian.
pub fn stroke_unit(axis: &Axis) -> (&'static str, f64) {
    match axis.actuator.kind {
        ActuatorKind::Cylinder { .. } => ("mm", 1e3),
        ActuatorKind::Motor { .. } => ("deg", 1_f64.to_degrees()),
    }
}

/// The stroke that a sensor means, m or rad.
pub fn stroke(sensor: &Sensor, sensed: Sensed) -> f64 {
    let volts = match sensed {
        Sensed::Stroke(stroke) => return stroke,
        Sensed::Volts(volts) => volts,
    };
    let signal = match sensor.signal {
        Signal::Voltage => volts,
        Signal::Ratiometric { excitation, .. } => volts / excitation,
        Signal::Current { shunt } => volts / shunt,
    };
    let last = sensor.points.len() - 2;
    let pairs = &mut sensor.points.windows(2);
    let pair = pairs.find(|pair| signal <= pair[1].0).unwrap_or(&sensor.points[last..]);
    let ((low, from), (high, to)) = (pair[0], pair[1]);
    from + (to - from) * (signal - low) / (high - low)
}
