//! `bellcrank rig`: one cylinder on a test bench.

use std::path::PathBuf;

use miette::IntoDiagnostic;

use super::{Console, Verdict, decimals, table};
use crate::bench_rig::{self, Recording, RecordingReport, RigReport, Span};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Drive one cylinder on a test bench through a programme of commands and loads

A mass on a double-acting cylinder behind a proportional valve, with or without a load-holding valve, on a constant \
supply or a pump, simulated with the same equations as a whole machine. Writes all samples to NAME.csv and a picture to \
NAME.svg in the output folder, NAME being that of the rig file.

The columns of the CSV, in SI: t_s, x_m, v_m_s, pA_Pa, pB_Pa (bore side, rod side), spool, spool_rate_1_s; with a \
load-holding valve portA_Pa, portB_Pa; with a pump supply_Pa, pump_m3_s; with an engine engine_rad_s. A recording has \
t_s, rising, and at least one other of them, in any order. It is drawn dashed over the picture, and each of its columns \
is compared with this run at the recorded times.

The rig file is TOML with the unit in each key. sim/rigs/single-cylinder.toml explains the smallest, \
sim/rigs/held-load.toml everything else.";

/// `bellcrank rig RIG.toml`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The rig file
    #[arg(value_name = "RIG.toml")]
    rig: PathBuf,
    /// A recorded run to compare with
    #[arg(long, value_name = "FILE.csv")]
    recording: Option<PathBuf>,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let bench = bench_rig::load(&self.rig)?;
        let recording = self.recording.as_deref().map(|path| Recording::load(path, &bench));
        let recording = recording.transpose()?;
        let out = console.open_out()?;
        let record = bench.run().into_diagnostic()?;
        let comparison = recording.map(|recording| bench.compare(recording));
        let comparison = comparison.transpose().into_diagnostic()?;
        let stem = self.rig.file_stem().unwrap_or_default().to_string_lossy();
        let csv = out.write(&format!("{stem}.csv"), &bench.csv(&record))?;
        let picture = bench_rig::picture(&bench, &record, comparison.as_ref());
        let picture = out.write(&format!("{stem}.svg"), picture.as_bytes())?;
        let [csv, picture] = [csv, picture].map(|path| path.display().to_string());
        let report = bench_rig::report(&bench, &record, comparison.as_ref(), csv, picture);
        console.show(&report, text)?;
        console.caution();
        Ok(Verdict::Good)
    }
}

fn text(report: &RigReport) -> String {
    let rows = [
        ("stroke mm", Some(&report.stroke_mm), 2),
        ("speed mm/s", Some(&report.speed_mm_s), 1),
        ("bore side bar", Some(&report.pressure_a_bar), 2),
        ("rod side bar", Some(&report.pressure_b_bar), 2),
        ("port A bar", report.port_a_bar.as_ref(), 2),
        ("port B bar", report.port_b_bar.as_ref(), 2),
        ("spool", Some(&report.spool), 3),
        ("supply bar", report.supply_bar.as_ref(), 2),
        ("pump l/min", report.pump_lpm.as_ref(), 2),
        ("engine rpm", report.engine_rpm.as_ref(), 1),
    ];
    let rows = rows
        .into_iter()
        .filter_map(|(name, span, digits)| Some(row(name, span?, digits)));
    let mut text = format!(
        "{}\n\n{}\n{} s in {} steps ({} done again, error in each at most {:e})\n{} rows: {}\npicture: {}\n",
        report.name,
        table(["", "start", "least", "greatest", "end"], rows),
        report.end_s,
        report.steps,
        report.steps_rejected,
        report.accuracy,
        report.rows,
        report.csv_file,
        report.picture_file,
    );
    if let Some(recording) = &report.recording {
        text += &compared(recording);
    }
    text
}

fn row(name: &str, span: &Span, digits: usize) -> Vec<String> {
    let number = |value| decimals(value, digits);
    let at = |value, at| format!("{} at {} s", number(value), decimals(at, 2));
    vec![
        name.to_owned(),
        number(span.start),
        at(span.least, span.least_at_s),
        at(span.greatest, span.greatest_at_s),
        number(span.end),
    ]
}

fn compared(recording: &RecordingReport) -> String {
    let rows = recording.columns.iter().map(|column| {
        vec![
            column.column.clone(),
            format!("{:.3e} at {} s", column.largest, decimals(column.at_s, 2)),
            format!("{:.3e}", column.rms),
        ]
    });
    let mut text = format!(
        "\nrecording: {}\n{} of its {} rows are within the programme\n\n{}\n",
        recording.file,
        recording.rows_compared,
        recording.rows,
        table(["off by", "most", "rms"], rows),
    );
    let mut error = |what: &str, error: Option<f64>, over: &str| {
        text += &error.map_or(String::new(), |error| format!("{what} error: {error:.3e} of {over}\n"));
    };
    error("position", recording.position_error, "the recorded range");
    error("pressure", recording.pressure_error, "100 bar");
    text
}
