//! `bellcrank gauge`: the calibration of a length or angle sensor.

use std::path::{Path, PathBuf};

use bellcrank_machine::Description;
use bellcrank_machine::description::{Axis, Sensor};
use miette::miette;

use super::consent::settle;
use super::{Console, MachineArg, Verdict, decimals, paragraph, table};
use crate::gauge::points::Pair;
use crate::gauge::{self, Asked, GaugeReport, INCLINOMETER_DEG, Measured, TAPE_MM};
use crate::revise::{Change, Revised};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Fit the calibration of a length or angle sensor to measured lengths, and check the joint's angle

Set the axis to two or more places over its stroke and note, at each, the length of the cylinder from pin to pin in mm and \
the sensor's signal (V; mA of a current loop; the share of its supply of a ratiometric one): --at 612.5=1.25. Of a sensor on \
a motor's joint it is the angle in degrees. A straight line goes through the points by least squares; what each lies off it, \
what the line is uncertain by and how far the machine file as it is was off are told, and a point that does not fit the others \
is named. With --angle the joint's angle by an inclinometer is held against what sensor and linkage make of the signal. Five \
points, both ends among them, are a good number.

The same from a CSV file: a column volts, shares or loop_ma as in the machine file, and beside it length_mm, joint_deg or both.

Exit code 1 if the points disagree by more than they can be misread, a point cannot be, the signal at an end of the stroke \
counts as a fault, or the angles are off.";

/// `bellcrank gauge MACHINE --axis AXIS`
#[derive(Debug, clap::Args)]
pub struct Args {
    #[command(flatten)]
    machine: MachineArg,
    /// The axis
    #[arg(long, value_name = "AXIS")]
    axis: String,
    /// Its second sensor is meant
    #[arg(long)]
    twin: bool,
    /// A length from pin to pin, mm (an angle of a motor's joint, degrees), and the signal there
    #[arg(long = "at", value_name = "LENGTH=SIGNAL", allow_hyphen_values = true)]
    lengths: Vec<Pair>,
    /// The joint's angle by an inclinometer, degrees, and the signal there
    #[arg(long = "angle", value_name = "DEG=SIGNAL", allow_hyphen_values = true)]
    angles: Vec<Pair>,
    /// A file of such points
    #[arg(long, value_name = "POINTS.csv")]
    points: Option<PathBuf>,
    /// How well lengths were read, mm (degrees for a motor): standard deviation; else 1 mm, of a motor 0.3 degrees
    #[arg(long, value_name = "MM", value_parser = positive)]
    reading: Option<f64>,
    /// How well angles were read, degrees: standard deviation
    #[arg(long, value_name = "DEG", default_value_t = INCLINOMETER_DEG, value_parser = positive)]
    inclinometer_deg: f64,
    /// Write the calibration to the machine file on consent
    #[arg(long)]
    write: bool,
    /// Write without asking
    #[arg(long, requires = "write")]
    yes: bool,
}

/// A number above zero, and no madness.
fn positive(text: &str) -> Result<f64, String> {
    let number = text.parse().ok().filter(|number| (1e-3..=1e3).contains(number));
    number.ok_or_else(|| format!("found {text:?}, wanted a number from 0.001 to 1000"))
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let machine = self.machine.load()?;
        let axis = axis_named(&machine, &self.axis)?;
        let sensor = self.sensor(axis)?;
        let (key, _) = gauge::signal_key(&sensor.signal);
        let mut measured = match &self.points {
            Some(path) => Measured::load(path, key)?,
            None => Measured::default(),
        };
        measured.lengths.extend(&self.lengths);
        measured.angles.extend(&self.angles);
        let default = if gauge::Unit::of(axis).name == "mm" {
            TAPE_MM
        } else {
            INCLINOMETER_DEG
        };
        let asked = Asked {
            axis,
            sensor,
            measured,
            reading: self.reading.unwrap_or(default),
            inclinometer_deg: self.inclinometer_deg,
        };
        let gauged = gauge::gauge(&asked)?;
        let mut report = GaugeReport::new(&asked, &gauged);
        let revised = self.revised(&report)?;
        report.revision = revised
            .as_ref()
            .and_then(|revised| revised.revisions().first().cloned());
        if !console.json() {
            console.print(&text(&report))?;
        }
        if let Some(revised) = revised {
            let (revisions, told) = settle(console, revised, ("--yes", self.yes))?;
            report.revision = revisions.into_iter().next();
            if !console.json() {
                console.print(&paragraph(&told, ""))?;
            }
        }
        if console.json() {
            console.show(&report, text)?;
        }
        console.caution_measured();
        Ok(report.objections.is_empty().into())
    }

    fn sensor<'a>(&self, axis: &'a Axis) -> miette::Result<&'a Sensor> {
        if !self.twin {
            return Ok(&axis.sensor);
        }
        let twin = axis.twin.as_ref().map(|twin| &twin.sensor);
        twin.ok_or_else(|| {
            miette!(
                "--twin: found no second sensor on axis {:?}, wanted one in the machine file",
                axis.name
            )
        })
    }

    /// The change of the machine file, if one is wanted and there is something to write.
    fn revised(&self, report: &GaugeReport) -> miette::Result<Option<Revised>> {
        if !self.write {
            return Ok(None);
        }
        let name = self.machine.name();
        if bellcrank_machine::builtin(name).is_some() {
            return Err(miette!(
                "--write: found the built-in machine {name:?}, wanted a machine file"
            ));
        }
        let Some(proposal) = &report.proposal else {
            return Ok(None);
        };
        let list = |[one, other]: [f64; 2]| Some(format!("[{one:?}, {other:?}]"));
        let change = Change {
            axis: &report.axis,
            key: if self.twin { "twin" } else { "sensor" },
            values: vec![
                (proposal.signal_key.as_str(), list(proposal.signals)),
                (proposal.stroke_key.as_str(), list(proposal.strokes)),
            ],
        };
        let by = format!("bellcrank gauge over {} points", report.points.len());
        Ok(Some(Revised::new(Path::new(name), &[change], &by)?))
    }
}

fn axis_named<'m>(machine: &'m Description, name: &str) -> miette::Result<&'m Axis> {
    let found = machine.axes.iter().find(|axis| axis.name == name);
    found.ok_or_else(|| {
        let names: Vec<&str> = machine.axes.iter().map(|axis| axis.name.as_str()).collect();
        miette!("--axis: found {name:?}, wanted one of {}", names.join(", "))
    })
}

fn text(report: &GaugeReport) -> String {
    let (unit, signal) = (report.stroke_unit.as_str(), report.signal_unit.as_str());
    let rows = report.points.iter().enumerate().map(|(number, point)| {
        vec![
            format!("{}", number + 1),
            decimals(point.reading, 1),
            format!("{}", point.signal),
            decimals(point.stroke, 1),
            decimals(point.residual, 2) + if point.suspect { " !" } else { "" },
        ]
    });
    let of = if unit == "mm" { "length mm" } else { "angle deg" };
    let stroke = format!("stroke {unit}");
    let mut text = format!(
        "{}\n\n{}\n",
        report.axis,
        table(["point", of, signal, &stroke, "off the line"], rows)
    );
    text += &paragraph(&line(report), "");
    let rows = report.ends.iter().map(|end| {
        vec![
            decimals(end.stroke, 1),
            decimals(end.signal, 4),
            decimals(end.uncertain, 2),
            decimals(end.file_off, 1),
        ]
    });
    text += &format!(
        "\n{}\n",
        table([&stroke, signal, "95 % within", "file is off by"], rows)
    );
    if let Some(bend) = report.bend {
        let told = format!(
            "The sensor is bent: over these points it bows out by {} {unit} from a straight line",
            decimals(bend, 2)
        );
        text += &paragraph(&told, "");
    }
    if let Some(angle) = &report.angle {
        let rows = angle.readings.iter().map(|row| {
            let computed = row.computed_deg.map_or("-".to_owned(), |deg| decimals(deg, 2));
            vec![format!("{}", row.signal), decimals(row.measured_deg, 2), computed]
        });
        text += &format!("{}\n", table([signal, "inclinometer deg", "by the sensor"], rows));
        let told = format!(
            "inclinometer less sensor: {} deg on average, up to {} deg off that",
            decimals(angle.offset_deg, 2),
            decimals(angle.scatter_deg, 2)
        );
        text += &paragraph(&told, "");
        text += "\n";
    }
    text + &verdict(report)
}

fn line(report: &GaugeReport) -> String {
    let (unit, signal) = (report.stroke_unit.as_str(), report.signal_unit.as_str());
    let line = format!(
        "stroke = {} {unit} + {} {unit} for each of {signal}",
        decimals(report.zero, 2),
        decimals(report.slope, 3)
    );
    let agree = if report.points.iter().any(|point| point.suspect) {
        " that agree"
    } else {
        ""
    };
    match report.residual_deviation {
        Some(deviation) => format!(
            "{line}; the points{agree} lie off it by {} {unit} (standard deviation)",
            decimals(deviation, 2)
        ),
        None => format!(
            "{line}; two points lie on a line whatever they are, so nothing is checked: measure a third and a fourth"
        ),
    }
}

fn verdict(report: &GaugeReport) -> String {
    let mut text = String::new();
    if let Some(proposal) = &report.proposal {
        let list = |[one, other]: [f64; 2]| format!("[{one:?}, {other:?}]");
        text += &match &report.revision {
            None => format!(
                "Proposed for the machine file:\n  {} = {}, {} = {}\n",
                proposal.signal_key,
                list(proposal.signals),
                proposal.stroke_key,
                list(proposal.strokes)
            ),
            Some(revision) => {
                let lines = [("Proposed", &revision.proposed), ("as it is now", &revision.was)];
                let lines = lines.map(|(name, block)| {
                    format!(
                        "{name}:\n{}",
                        paragraph(&format!("  {} = {block}", revision.key), "    ")
                    )
                });
                lines.concat()
            }
        };
        return text + "Verdict: good, the points agree as well as they can be read\n";
    }
    text += "Verdict: failed, nothing is proposed\n";
    for objection in &report.objections {
        text += &paragraph(&format!("  {objection}"), "    ");
    }
    text
}
