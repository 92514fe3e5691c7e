//! `bellcrank rig`: one cylinder on a test bench.

use miette::IntoDiagnostic;

use super::{Console, Verdict, decimals, table};
use crate::bench_rig::{self, RigReport, Span};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Drive one cylinder on a test bench through a programme of commands and loads

A mass on a double-acting cylinder behind a proportional valve on a constant supply, simulated with the same equations \
as a whole machine. Writes all samples to NAME.csv (t_s, x_m, v_m_s, pA_Pa, pB_Pa, spool, spool_rate_1_s) and a \
picture to NAME.svg in the output folder, NAME being that of the rig file.

The rig file is TOML with the unit in each key; sim/rigs/single-cylinder.toml has every key, explained.";

/// `bellcrank rig RIG.toml`
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The rig file
    #[arg(value_name = "RIG.toml")]
    rig: std::path::PathBuf,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        let bench = bench_rig::load(&self.rig)?;
        let out = console.open_out()?;
        let record = bench.run().into_diagnostic()?;
        let stem = self.rig.file_stem().unwrap_or_default().to_string_lossy();
        let csv = out.write(&format!("{stem}.csv"), &bench_rig::csv(&record))?;
        let picture = out.write(&format!("{stem}.svg"), bench_rig::picture(&bench, &record).as_bytes())?;
        let [csv, picture] = [csv, picture].map(|path| path.display().to_string());
        console.show(&bench_rig::report(&bench, &record, csv, picture), text)?;
        console.caution();
        Ok(Verdict::Good)
    }
}

fn text(report: &RigReport) -> String {
    let row = |name: &str, span: &Span, digits| {
        let number = |value| decimals(value, digits);
        let at = |value, at| format!("{} at {} s", number(value), decimals(at, 2));
        let Span {
            start,
            least,
            least_at_s,
            greatest,
            greatest_at_s,
            end,
        } = *span;
        vec![
            name.to_owned(),
            number(start),
            at(least, least_at_s),
            at(greatest, greatest_at_s),
            number(end),
        ]
    };
    let rows = [
        row("stroke mm", &report.stroke_mm, 2),
        row("speed mm/s", &report.speed_mm_s, 1),
        row("bore side bar", &report.pressure_a_bar, 2),
        row("rod side bar", &report.pressure_b_bar, 2),
        row("spool", &report.spool, 3),
    ];
    format!(
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
    )
}
