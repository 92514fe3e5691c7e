//! Many poses from a CSV file, and their answers into one.
//!
//! The first line names the columns. For joint `k` of the arm, counted from 0, on the axis called `NAME` (blanks written `_`):
//!
//! | columns | what |
//! |---|---|
//! | `NAME_deg`, `NAME_rad`, or `qK_deg`, `qK_rad` | joint angle |
//! | `NAME_stroke_mm` (a motor's: `NAME_stroke_deg`), or `sK_mm` (`sK_deg`) | stroke |
//! | `tip_x_mm`, `tip_y_mm`, `tip_z_mm` | tip position |
//! | `NAME_deg_s`, `NAME_rad_s`, or `qdK_deg_s`, `qdK_rad_s` | joint rate, zero if left out |
//! | `NAME_deg_s2`, `NAME_rad_s2`, or `qddK_deg_s2`, `qddK_rad_s2` | joint acceleration, zero if left out |
//!
//! A file gives all the angles, or all the strokes, or the tip.

use bellcrank_machine::document::{Complaint, FileError, read_file};
use miette::Diagnostic;

use super::report::{ActuatorPose, PoseReport};
use super::{ArmModel, Ask, Asked, stroke_unit};

/// Most rows that are read.
pub const MAX_ROWS: usize = 100_000;
/// Most mistakes that are printed; the rest is counted.
const MAX_TOLD: usize = 20;

/// Why a CSV file gave no poses.
#[derive(Debug, thiserror::Error, Diagnostic)]
pub enum TableError {
    /// It could not be read from disk.
    #[error("{0}")]
    File(#[from] FileError),
    /// It says something wrong: everything that was found.
    #[error("{}", told(.0))]
    #[diagnostic(help("`bellcrank pose --help` lists the columns"))]
    Content(Vec<Complaint>),
}

fn told(complaints: &[Complaint]) -> String {
    let mut lines: Vec<String> = complaints.iter().take(MAX_TOLD).map(ToString::to_string).collect();
    if let Some(more) = complaints.len().checked_sub(MAX_TOLD).filter(|&more| more > 0) {
        lines.push(format!("and {more} more"));
    }
    lines.join("\n")
}

/// What a column gives.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Column {
    Angle(usize, f64),
    Stroke(usize),
    Tip(usize),
    Rate(usize, f64),
    Acceleration(usize, f64),
}

/// Reads a CSV file and works out everything about every pose in it.
///
/// # Errors
/// The file cannot be read, or has mistakes (poses that the arm cannot take among them): all of them in one error.
pub fn read(model: &ArmModel, path: &str) -> Result<PoseReport, TableError> {
    let (file, text) = read_file(path)?;
    let mut mistakes = Mistakes {
        file: &file,
        list: Vec::new(),
    };
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let names: Vec<String> = reader
        .headers()
        .map(|row| row.iter().map(str::to_owned).collect())
        .unwrap_or_default();
    let columns = mistakes.columns(model, &names);
    if !mistakes.list.is_empty() {
        return Err(TableError::Content(mistakes.list));
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        // The text is UTF-8 and rows may be of any length, so there is nothing left that the reader could object to.
        let Ok(record) = record else { break };
        let line = line_of(&text, &record);
        if rows.len() == MAX_ROWS {
            mistakes.add(line, "", format!("more than {MAX_ROWS} rows"), "fewer".to_owned());
            break;
        }
        if record.len() != names.len() {
            let wanted = format!("{}, as the first line has", names.len());
            mistakes.add(line, "", format!("{} columns", record.len()), wanted);
            continue;
        }
        let cells = names.iter().zip(&record).map(|(name, cell)| (name.as_str(), cell));
        let Some(numbers) = mistakes.numbers(line, cells) else {
            continue;
        };
        match model.pose(&asked(model.joints(), &columns, &numbers)) {
            Ok(row) => rows.push(row),
            Err(refusal) => mistakes.add(line, &refusal.key, refusal.found, refusal.wanted),
        }
    }
    if rows.is_empty() && mistakes.list.is_empty() {
        mistakes.add(1, "", "no row of numbers".to_owned(), "at least one".to_owned());
    }
    if mistakes.list.is_empty() {
        Ok(model.report(rows))
    } else {
        Err(TableError::Content(mistakes.list))
    }
}

/// The answers as CSV, one row a pose.
///
/// # Panics
/// Never: memory takes everything, and all rows are of one length.
pub fn write(report: &PoseReport) -> Vec<u8> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for (number, pose) in report.poses.iter().enumerate() {
        let mut row: Vec<(String, f64)> = Vec::new();
        for axis in &pose.axes {
            let mut cell = |what: &str, value: f64| row.push((format!("{}_{what}", column_name(&axis.axis)), value));
            cell("deg", axis.angle_deg);
            match axis.actuator {
                ActuatorPose::Cylinder {
                    stroke_mm,
                    moment_arm_mm,
                    rate_mm_s,
                    force_n,
                } => {
                    cell("stroke_mm", stroke_mm);
                    cell("moment_arm_mm", moment_arm_mm);
                    cell("mm_s", rate_mm_s);
                    cell("force_n", force_n);
                }
                ActuatorPose::Motor { stroke_deg, .. } => cell("stroke_deg", stroke_deg),
            }
            cell("torque_nm", axis.torque_nm);
            cell("gravity_torque_nm", axis.gravity_torque_nm);
            cell("pressure_a_bar", axis.pressure_a_bar);
            cell("pressure_b_bar", axis.pressure_b_bar);
        }
        for (name, value) in ["tip_x_mm", "tip_y_mm", "tip_z_mm"].iter().zip(pose.tip_mm) {
            row.push(((*name).to_owned(), value));
        }
        row.push(("core_apart_mm".to_owned(), pose.core_apart_mm));
        if number == 0 {
            writer
                .write_record(row.iter().map(|(name, _)| name))
                .expect("memory takes everything");
        }
        // The shortest text that reads back as the same double.
        writer
            .write_record(row.iter().map(|(_, value)| value.to_string()))
            .expect("rows are of one length");
    }
    writer.into_inner().expect("memory takes everything")
}

/// An axis' name as it stands in a heading.
fn column_name(axis: &str) -> String {
    axis.replace(' ', "_")
}

/// The line that a row starts on. The reader's own count stands before the blank lines that it skips.
pub(crate) fn line_of(text: &str, record: &csv::StringRecord) -> u64 {
    let Some(position) = record.position() else { return 0 };
    let from = usize::try_from(position.byte())
        .ok()
        .and_then(|byte| text.get(byte..))
        .unwrap_or_default();
    let blank = from
        .chars()
        .take_while(|c| matches!(c, '\r' | '\n'))
        .filter(|c| *c == '\n')
        .count();
    position.line() + blank as u64
}

struct Mistakes<'f> {
    file: &'f str,
    list: Vec<Complaint>,
}

impl Mistakes<'_> {
    fn add(&mut self, line: u64, path: &str, found: String, wanted: String) {
        let line = usize::try_from(line).unwrap_or(usize::MAX);
        let (file, path) = (self.file.to_owned(), path.to_owned());
        self.list.push(Complaint {
            file,
            line,
            span: 0..0,
            path,
            found,
            wanted,
        });
    }

    /// What each column gives, where the headings make sense.
    fn columns(&mut self, model: &ArmModel, names: &[String]) -> Vec<Column> {
        let known = known_columns(model);
        let mut columns: Vec<Column> = Vec::new();
        for name in names {
            match known.iter().find(|(known, _)| known == name) {
                None => {
                    let axis = model
                        .axes()
                        .next()
                        .map_or(String::new(), |axis| column_name(&axis.name));
                    let wanted = format!(
                        "a name like {axis}_deg, q0_rad, {axis}_stroke_mm, tip_x_mm, {axis}_deg_s, qdd0_rad_s2"
                    );
                    self.add(1, name, "an unknown column".to_owned(), wanted);
                }
                Some((_, column)) if columns.iter().any(|other| other.what() == column.what()) => {
                    self.add(1, name, "a second column for the same".to_owned(), "one".to_owned());
                }
                Some((_, column)) => columns.push(*column),
            }
        }
        let joints = model.joints();
        let count = |kind: fn(&Column) -> bool| columns.iter().filter(|column| kind(column)).count();
        let counts = [
            count(|column| matches!(column, Column::Angle(..))),
            count(|column| matches!(column, Column::Stroke(_))),
            count(|column| matches!(column, Column::Tip(_))),
        ];
        if self.list.is_empty() && ![[joints, 0, 0], [0, joints, 0], [0, 0, 3]].contains(&counts) {
            let [angles, strokes, tip] = counts;
            let found = format!("{angles} angles, {strokes} strokes and {tip} tip coordinates");
            let wanted = format!("{joints} angles, or {joints} strokes, or 3 tip coordinates, and of one kind only");
            self.add(1, "", found, wanted);
        }
        columns
    }

    /// The numbers of a row; none where one of them is no number.
    fn numbers<'c>(&mut self, line: u64, cells: impl Iterator<Item = (&'c str, &'c str)>) -> Option<Vec<f64>> {
        let before = self.list.len();
        let mut numbers = Vec::new();
        for (name, cell) in cells {
            match cell.parse::<f64>() {
                Ok(number) if number.is_finite() => numbers.push(number),
                _ => self.add(line, name, format!("{cell:?}"), "a finite number".to_owned()),
            }
        }
        (self.list.len() == before).then_some(numbers)
    }
}

impl Column {
    /// What it gives, whatever the unit.
    fn what(self) -> (u8, usize) {
        match self {
            Column::Angle(k, _) => (0, k),
            Column::Stroke(k) => (1, k),
            Column::Tip(k) => (2, k),
            Column::Rate(k, _) => (3, k),
            Column::Acceleration(k, _) => (4, k),
        }
    }
}

/// All headings that a file for this arm may have.
fn known_columns(model: &ArmModel) -> Vec<(String, Column)> {
    const DEG: f64 = std::f64::consts::PI / 180.0;
    let mut known: Vec<(String, Column)> = (0..3)
        .map(|k| (format!("tip_{}_mm", ["x", "y", "z"][k]), Column::Tip(k)))
        .collect();
    for (k, axis) in model.axes().enumerate() {
        let name = column_name(&axis.name);
        let mut add = |name: &str, unit: &str, column| known.push((format!("{name}_{unit}"), column));
        for (angle, size) in [("deg", DEG), ("rad", 1.0)] {
            for stem in [&name, &format!("q{k}")] {
                add(stem, angle, Column::Angle(k, size));
            }
            for stem in [&name, &format!("qd{k}")] {
                add(stem, &format!("{angle}_s"), Column::Rate(k, size));
            }
            for stem in [&name, &format!("qdd{k}")] {
                add(stem, &format!("{angle}_s2"), Column::Acceleration(k, size));
            }
        }
        let (_, unit) = stroke_unit(axis);
        for stem in [&format!("{name}_stroke"), &format!("s{k}")] {
            add(stem, unit, Column::Stroke(k));
        }
    }
    known
}

/// What a row asks for.
fn asked(joints: usize, columns: &[Column], numbers: &[f64]) -> Asked {
    let mut place = vec![0.0; joints];
    let mut tip = None;
    let (mut rates, mut accelerations) = (vec![0.0; joints], vec![0.0; joints]);
    let mut by_stroke = false;
    for (column, number) in columns.iter().zip(numbers) {
        match *column {
            Column::Angle(k, size) => place[k] = number * size,
            Column::Stroke(k) => (place[k], by_stroke) = (*number, true),
            Column::Tip(k) => tip.get_or_insert_with(|| vec![0.0; 3])[k] = number * 1e-3,
            Column::Rate(k, size) => rates[k] = number * size,
            Column::Acceleration(k, size) => accelerations[k] = number * size,
        }
    }
    let pose = match tip {
        Some(tip) => Ask::Tip(tip),
        None if by_stroke => Ask::Strokes(place),
        None => Ask::Angles(place),
    };
    Asked {
        pose,
        rates,
        accelerations,
    }
}
