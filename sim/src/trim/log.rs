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
    let wrong = |line, column, found: String, wanted: String| LogError::Wrong {
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
    let header = reader.headers().map_err(unreadable)?.clone();
    let columns = match header.iter().collect::<Vec<_>>().join(", ") {
        none if none.is_empty() => "no columns".to_owned(),
        some => format!("the columns {some}"),
    };
    let place = |name: &str| header.iter().position(|column| column == name);
    let needed =
        |name: &'static str| place(name).ok_or_else(|| wrong(1, name, columns.clone(), format!("a column {name}")));
    let (time, name, command) = (needed("t_s")?, needed("axis")?, needed("command")?);
    let sensed = ["signal_v", "stroke_mm", "stroke_deg"].map(|column| (column, place(column)));
    if sensed.iter().all(|(_, place)| place.is_none()) {
        let wanted = "a column signal_v, stroke_mm or stroke_deg".to_owned();
        return Err(wrong(1, "signal_v", columns, wanted));
    }
    let mut logs: Vec<AxisLog> = Vec::new();
    for row in reader.records() {
        let row = row.map_err(unreadable)?;
        let line = row.position().map_or(0, csv::Position::line);
        let number = |column: &'static str, at: usize| {
            let text = row.get(at).unwrap_or_default();
            text.parse()
                .ok()
                .filter(|number: &f64| number.is_finite())
                .ok_or_else(|| wrong(line, column, format!("{text:?}"), "a number".to_owned()))
        };
        let named = row.get(name).unwrap_or_default();
        let Some(axis) = machine.axes.iter().position(|axis| axis.name == named) else {
            let known: Vec<&str> = machine.axes.iter().map(|axis| &*axis.name).collect();
            return Err(wrong(
                line,
                "axis",
                format!("{named:?}"),
                format!("one of {}", known.join(", ")),
            ));
        };
        let (unit, scale) = stroke_unit(&machine.axes[axis]);
        let filled = |column: &str| {
            let at = sensed.iter().find(|known| known.0 == column).and_then(|known| known.1);
            at.filter(|at| row.get(*at).is_some_and(|text| !text.is_empty()))
        };
        let stroke = if unit == "deg" { "stroke_deg" } else { "stroke_mm" };
        let sensed = match (filled("signal_v"), filled(stroke)) {
            (Some(at), _) => Sensed::Volts(number("signal_v", at)?),
            (None, Some(at)) => Sensed::Stroke(number(stroke, at)? / scale),
            (None, None) => {
                return Err(wrong(
                    line,
                    stroke,
                    "nothing".to_owned(),
                    "a voltage or a stroke".to_owned(),
                ));
            }
        };
        let reading = Reading {
            t: number("t_s", time)?,
            command: number("command", command)?,
            sensed,
        };
        if reading.command.abs() > 1.0 {
            let wanted = "a share of full command, -1 to 1".to_owned();
            return Err(wrong(line, "command", reading.command.to_string(), wanted));
        }
        let log = own(&mut logs, axis);
        if let Some(last) = log.readings.last().filter(|last| last.t >= reading.t) {
            let wanted = format!("a time after {} s, the row before of this axis", last.t);
            return Err(wrong(line, "t_s", format!("{} s", reading.t), wanted));
        }
        log.readings.push(reading);
    }
    if logs.is_empty() {
        return Err(wrong(
            1,
            "t_s",
            "no rows".to_owned(),
            "a row for each reading".to_owned(),
        ));
    }
    Ok(logs)
}

/// The log of an axis, which is begun where there is none yet.
fn own(logs: &mut Vec<AxisLog>, axis: usize) -> &mut AxisLog {
    let known = logs.iter().position(|log| log.axis == axis);
    let at = known.unwrap_or(logs.len());
    if known.is_none() {
        logs.push(AxisLog {
            axis,
            readings: Vec::new(),
        });
    }
    &mut logs[at]
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
