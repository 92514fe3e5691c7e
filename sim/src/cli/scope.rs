//! `bellcrank scope`: what a captured duty signal is, and what the lever behind it does.

use std::path::PathBuf;

use bellcrank_machine::document::read_file;

use super::consent::{WriteArgs, settle};
use super::{Console, Verdict, decimals, file_stem, paragraph, table};
use crate::revise::{Change, Revised, Revision};
use crate::scope::lever::{LeverMap, RestRow};
use crate::scope::marks::{self, Mark};
use crate::scope::{self, Asked, ScopeReport, short};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Read a captured duty signal: what it is, what is wrong with it, what the lever behind it does

A capture is what an oscilloscope or a logic analyser exports as text: rows with a time and a voltage, or a row for each \
change of level. Heading, what parts the columns, decimal comma and units are found out. The file goes by in pieces, so it \
may be of any length. Exit code 1 if anything is wrong with the capture; a file that is broken (a line that is no row, time \
that runs backwards) is bad input. Everything that is wrong is named.

Capture the signal of a duty-signalled hand lever while the lever rests in neutral, at full extend and at full retract, and \
tell when by --mark, or with --marks a TOML file of tables [[mark]] with lever (-1 full retract, 0 neutral, 1 full extend), \
from_s and until_s. Or sweep the lever slowly and say --sweep: rest in neutral, go to full extend, rest, come back, rest, go \
to full retract, rest, come back, rest, half a second each time. What the valve is to be told by follows from that: the \
channel block of an axis of the machine file, never beyond what the lever itself gives.

Writes a picture to NAME-scope.svg in the output folder.";

/// `bellcrank scope CAPTURE.csv`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The capture
    #[arg(value_name = "CAPTURE.csv")]
    capture: PathBuf,
    /// The column of the signal, by its number from 1 or by its heading; else the first beside the time
    #[arg(long, value_name = "COLUMN")]
    signal: Option<String>,
    /// Where the lever stood, and when: retract, neutral, extend or a number from -1 to 1, and seconds
    #[arg(
        long = "mark",
        value_name = "LEVER=FROM..UNTIL",
        allow_hyphen_values = true,
        conflicts_with = "sweep"
    )]
    marks: Vec<Mark>,
    /// The same in a file
    #[arg(long = "marks", value_name = "MARKS.toml", conflicts_with_all = ["sweep", "marks"])]
    marks_file: Option<PathBuf>,
    /// The capture is a slow sweep of the lever: neutral, extend, neutral, retract, neutral
    #[arg(long)]
    sweep: bool,
    /// The axis whose valve the lever moves
    #[arg(long, value_name = "AXIS")]
    axis: Option<String>,
    #[command(flatten)]
    write: WriteArgs,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let mut marks = self.marks.clone();
        if let Some(path) = &self.marks_file {
            let (file, text) = read_file(path)?;
            marks = marks::read(&file, &text)?;
        }
        let asked = Asked {
            signal: self.signal.clone(),
            marks,
            sweep: self.sweep,
        };
        let scoped = scope::read(&self.capture, &asked)?;
        let revised = self.revised(scoped.troubles.is_empty().then_some(scoped.lever.as_ref()).flatten())?;
        let out = console.open_out()?;
        let stem = self.capture.file_stem().unwrap_or_default().to_string_lossy();
        let name = format!("{}-scope.svg", file_stem(&stem));
        let picture = out.write(&name, scope::picture(&scoped).as_bytes())?;
        let revision = revised
            .as_ref()
            .and_then(|revised| revised.revisions().first().cloned());
        let mut report = ScopeReport::new(&scoped, picture.display().to_string(), revision);
        if !console.json() {
            console.print(&text(&report))?;
        }
        if let Some(revised) = revised {
            let (revisions, told) = settle(console, revised, ("--yes", self.write.yes))?;
            report.revision = revisions.into_iter().next();
            if !console.json() {
                console.print(&paragraph(&told, ""))?;
            }
        }
        if console.json() {
            console.show(&report, text)?;
        }
        console.caution_measured();
        Ok(report.good().into())
    }

    /// The change of the machine file, if one is wanted and there is something to write.
    fn revised(&self, lever: Option<&LeverMap>) -> miette::Result<Option<Revised>> {
        let (Some(path), Some(axis)) = (&self.write.write, &self.axis) else {
            return Ok(None);
        };
        let change = |values| Change {
            axis,
            key: "channel",
            values,
        };
        let Some(lever) = lever else {
            // What is to be written is looked at all the same: a wrong name is told now and not after the next capture.
            Revised::new(path, &[change(Vec::new())], "")?;
            return Ok(None);
        };
        let channel = lever.channel;
        let values = vec![
            ("kind", None),
            ("full_ma", None),
            ("full_v", None),
            ("neutral", Some(format!("{:?}", channel.neutral))),
            ("band", Some(format!("[{:?}, {:?}]", channel.band[0], channel.band[1]))),
            ("reversed", channel.reversed.then(|| "true".to_owned())),
        ];
        let by = format!(
            "bellcrank scope of {}",
            self.capture.file_name().unwrap_or_default().to_string_lossy()
        );
        Ok(Some(Revised::new(path, &[change(values)], &by)?))
    }
}

fn text(report: &ScopeReport) -> String {
    let mut text = head(report);
    if let Some(lever) = &report.lever {
        text += &lever_text(lever);
        if report.good() {
            text += &proposal(lever, report.revision.as_ref());
        }
    }
    text += &format!("\npicture: {}\n", report.picture_file);
    if report.good() {
        return text + "Verdict: good, nothing is wrong with this capture\n";
    }
    text += "\nWrong with this capture:\n";
    for trouble in &report.troubles {
        text += &paragraph(&format!("  {}", trouble.line()), "    ");
    }
    text += "Verdict: failed";
    text + if report.lever.is_some() {
        ", nothing is proposed from it\n"
    } else {
        "\n"
    }
}

fn head(report: &ScopeReport) -> String {
    let columns = &report.columns;
    let named = |(number, name): &(usize, String)| {
        if name.is_empty() {
            format!("{number}")
        } else {
            format!("{number} ({name})")
        }
    };
    let parted = match columns.delimiter {
        ' ' => "blanks".to_owned(),
        '\t' => "tabs".to_owned(),
        other => format!("{other:?}"),
    };
    let comma = if columns.decimal_comma { ", decimal comma" } else { "" };
    let units = if columns.units_told {
        ""
    } else {
        "; units not told: s and V taken for granted"
    };
    let every = report
        .sample_s
        .map_or("one for each change of level".to_owned(), |every| {
            format!("one every {} s", short(every))
        });
    let [from, until] = report.span_s;
    let mut text = paragraph(
        &format!(
            "{}: {} rows in {} s, {every}",
            report.file,
            report.rows,
            short(until - from)
        ),
        "",
    );
    text += &paragraph(
        &format!(
            "time in column {}, signal in {}, parted by {parted}{comma}{units}",
            named(&columns.time),
            named(&columns.signal)
        ),
        "",
    );
    let sampling = report.duty_jitter_of_sampling.map_or(String::new(), |of| {
        format!(" (the time between samples alone makes up to {} %)", short(100.0 * of))
    });
    let duty = format!(
        "{} % on average, {} to {} %; jitter {} % from one period to the next{sampling}",
        short(100.0 * report.duty),
        short(100.0 * report.duty_least),
        short(100.0 * report.duty_greatest),
        short(100.0 * report.duty_jitter),
    );
    text += "\n";
    for (name, what) in [
        (
            "levels",
            format!("{} and {} V", short(report.low_v), short(report.high_v)),
        ),
        (
            "frequency",
            format!(
                "{} Hz over {} periods; jitter of a period {} s",
                short(report.frequency_hz),
                report.periods,
                short(report.period_jitter_s)
            ),
        ),
        ("duty", duty),
    ] {
        text += &paragraph(&format!("{name:<10} {what}"), "           ");
    }
    text
}

fn lever_text(lever: &LeverMap) -> String {
    let place = |rest: &RestRow| match rest.lever {
        None => "between".to_owned(),
        Some(0.0) => "neutral".to_owned(),
        Some(1.0) => "extend".to_owned(),
        Some(-1.0) => "retract".to_owned(),
        Some(lever) => format!("{lever}"),
    };
    let rows = lever.rests.iter().map(|rest| {
        vec![
            place(rest),
            decimals(rest.from_s, 2),
            decimals(rest.until_s, 2),
            decimals(100.0 * rest.duty, 3),
            decimals(100.0 * rest.jitter, 3),
            rest.periods.to_string(),
        ]
    });
    let mut text = format!(
        "\n{}\n",
        table(["lever", "from s", "until", "duty %", "jitter %", "periods"], rows)
    );
    let bands = [
        ("retract", lever.retract_band),
        ("neutral", lever.neutral_band),
        ("extend", lever.extend_band),
    ];
    let bands = bands
        .map(|(name, [low, high])| format!("{name} {} to {} %", decimals(100.0 * low, 2), decimals(100.0 * high, 2)));
    text += &paragraph(
        &format!("Bands, with three standard deviations: {}", bands.join(", ")),
        "",
    );
    if let Some(off) = lever.off_straight_percent {
        text += &paragraph(
            &format!(
                "Between neutral and the ends it is off the straight line by {} % of the way at most",
                decimals(off, 1)
            ),
            "",
        );
    }
    text += &paragraph(
        &format!(
            "A dead_zone of the station must be more than {}",
            decimals(lever.dead_zone_least, 3)
        ),
        "",
    );
    text
}

fn proposal(lever: &LeverMap, revision: Option<&Revision>) -> String {
    match revision {
        None => format!(
            "\nProposed for the machine file:\n  channel = {}\n",
            lever.channel.toml()
        ),
        Some(revision) => format!(
            "\nProposed for axis {:?} of {}:\n  channel = {}\nas it is now:\n  channel = {}\n",
            revision.axis, revision.file, revision.proposed, revision.was
        ),
    }
}
