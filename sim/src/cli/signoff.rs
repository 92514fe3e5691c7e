//! `bellcrank signoff`: the record of a commissioning.

use std::io::{self, BufRead, IsTerminal, Write};
use std::path::PathBuf;

use miette::miette;

use super::{Console, Verdict, file_stem, paragraph};
use crate::signoff::record::{Answered, Record, RecordError};
use crate::signoff::{CheckRow, Machine, Offered, Signoff, SignoffReport, page, reading};

/// What `--help` opens with.
pub(super) const LONG: &str = "\
Keep the record of a machine's commissioning: checks in order, answers that cannot be changed unnoticed

The checks come out of the machine file, from cold wiring to the first move of a tip: one for each valve, sensor, station and \
arm that it has, with what to do, what must be seen, and bounds where something is measured. A check waits for those that \
it builds on; one that failed blocks what builds on it until it has passed. The record takes answers one by one, on a \
terminal by asking, else with --answer, and can be gone on with at any time. A changed machine file is named, with the \
checks that are to be done again.

Each line of the record is sealed with those before it (SHA-256): --verify names a line that was changed, taken out or \
moved. Lines taken off the end are noticed with --seal, the seal that was written down. A seal is no signature.

This is a list to work by and no more: it decides nothing that is the site's competent person's to decide. Exit code 1 while \
a check has not passed or been left out with a reason, or when an answer is fail.";

/// `bellcrank signoff RECORD`
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("job").args(["next", "list", "answer", "verify", "accept_machine"]))]
pub struct Args {
    /// The record; begun where it is not there
    #[arg(value_name = "RECORD")]
    record: PathBuf,
    /// The machine file, or a built-in machine
    #[arg(long, value_name = "MACHINE", required_unless_present = "verify")]
    machine: Option<String>,
    /// Tell the check that is next
    #[arg(long)]
    next: bool,
    /// Tell all checks and how they stand
    #[arg(long)]
    list: bool,
    /// Answer a check
    #[arg(long, num_args = 2, value_names = ["CHECK", "pass|fail|skip"], requires = "by")]
    answer: Option<Vec<String>>,
    /// Who did it
    #[arg(long, value_name = "INITIALS")]
    by: Option<String>,
    /// What was measured, in the unit of the check
    #[arg(
        long,
        value_name = "NUMBER",
        requires = "answer",
        allow_hyphen_values = true,
        conflicts_with = "read"
    )]
    value: Option<f64>,
    /// Read what was measured from a log
    #[arg(long, value_name = "LOG.csv", requires = "answer")]
    read: Option<PathBuf>,
    /// The column of the log, where it is not called as in the record of a run
    #[arg(long, value_name = "HEADING", requires = "read")]
    column: Option<String>,
    /// What else there is to say; why a check is left out
    #[arg(long, value_name = "TEXT", requires = "answer", default_value = "")]
    note: String,
    /// Take a changed machine file on
    #[arg(long, requires = "by")]
    accept_machine: bool,
    /// A check that is to be done again beside those that must be
    #[arg(long, value_name = "CHECK", requires = "accept_machine")]
    repeat: Vec<String>,
    /// See whether the record is as it was written
    #[arg(long)]
    verify: bool,
    /// The last seal, or its beginning, as it was written down
    #[arg(long, value_name = "HEX", requires = "verify")]
    seal: Option<String>,
    /// Write the record as a page to be printed
    #[arg(long, conflicts_with = "verify")]
    page: bool,
}

impl Args {
    pub(super) fn run(&self, console: &Console) -> miette::Result<Verdict> {
        if self.verify {
            return self.check_seals(console);
        }
        let machine = Machine::load(self.machine.as_deref().unwrap_or_default())?;
        let out = if self.page { Some(console.open_out()?) } else { None };
        let mut signoff = Signoff::open(&self.record, machine)?;
        let mut failed = false;
        if let Some(answer) = &self.answer {
            failed = self.take(&mut signoff, answer)?;
            signoff.record.write()?;
        } else if self.accept_machine {
            signoff.accept_machine(&self.repeat, self.by.as_deref().unwrap_or_default())?;
            signoff.record.write()?;
        } else if !(self.next || self.list || self.page || console.json())
            && io::stdin().is_terminal()
            && io::stderr().is_terminal()
        {
            ask(console, &mut signoff)?;
        }
        let mut report = SignoffReport::new(&signoff);
        if let Some(out) = out {
            let name = format!("{}.html", file_stem(&format!("{}-signoff", report.machine)));
            report.page_file = Some(out.write(&name, page(&report).as_bytes())?.display().to_string());
        }
        console.show(&report, |report| self.text(report))?;
        console.caution_measured();
        let judged = self.answer.is_none() && !self.next && !self.list && !self.accept_machine;
        Ok(Verdict::from(!failed && (!judged || report.done)))
    }

    /// Takes the answer of the command line down; it is a fail.
    fn take(&self, signoff: &mut Signoff, answer: &[String]) -> miette::Result<bool> {
        let [check, verdict] = answer else {
            return Err(miette!(
                "--answer: found {} words, wanted a check and pass, fail or skip",
                answer.len()
            ));
        };
        let verdict = match verdict.as_str() {
            "pass" => Answered::Pass,
            "fail" => Answered::Fail,
            "skip" => Answered::Skip,
            other => return Err(miette!("--answer: found {other:?}, wanted pass, fail or skip")),
        };
        signoff.is_ready_for_answers()?;
        let (mut value, mut read_from) = (self.value, None);
        if let Some(log) = &self.read {
            let (column, take) = self.column_of(signoff, check)?;
            value = Some(reading::from_log(log, &column, take)?);
            read_from = Some(format!("{} ({column})", log.display()));
        }
        signoff.answer(Offered {
            check: check.clone(),
            verdict,
            value,
            read_from,
            by: self.by.clone().unwrap_or_default(),
            note: self.note.clone(),
        })?;
        Ok(verdict == Answered::Fail)
    }

    /// The column that a check is read from, and which of its values counts.
    fn column_of(&self, signoff: &Signoff, check: &str) -> miette::Result<(String, crate::signoff::checks::Take)> {
        let reading = signoff
            .machine
            .checks
            .iter()
            .find(|known| known.id == check)
            .and_then(|check| check.reading.as_ref());
        let told = reading.and_then(|reading| reading.column.clone());
        match (told, &self.column) {
            (Some((_, take)), Some(column)) => Ok((column.clone(), take)),
            (Some(told), None) => Ok(told),
            (None, _) => Err(miette!(
                "--read: found {check:?}, wanted a check that is read from a log; type its --value"
            )),
        }
    }

    fn check_seals(&self, console: &Console) -> miette::Result<Verdict> {
        let name = self.record.display();
        let record = match Record::load(&self.record) {
            Ok(Some(record)) => record,
            Ok(None) => return Err(miette!("{name}: no such file")),
            Err(RecordError::Broken(line)) => {
                console.print(&paragraph(&line.to_string(), "  "))?;
                console.print("Verdict: failed, the record is not as it was written\n")?;
                return Ok(Verdict::Failed);
            }
            Err(error) => return Err(error.into()),
        };
        let told = format!(
            "{name}: {} entries, the last sealed {}",
            record.entries.len(),
            record.seal
        );
        console.print(&paragraph(&told, "  "))?;
        let fits = |seal: &String| seal.len() >= 8 && record.seal.starts_with(&seal.to_lowercase());
        if let Some(seal) = self.seal.as_ref().filter(|seal| !fits(seal)) {
            let told = format!("found another last seal, wanted {seal}: entries were taken off the end, or added");
            console.print(&paragraph(&told, "  "))?;
            console.print("Verdict: failed, the record does not end as it was written down\n")?;
            return Ok(Verdict::Failed);
        }
        console.print("Verdict: good, every line fits the one before it\n")?;
        Ok(Verdict::Good)
    }

    fn text(&self, report: &SignoffReport) -> String {
        let mut text = String::new();
        if self.list {
            text += &list(report);
        }
        text += &standing(report);
        if !self.list && !report.machine_changed {
            text += &next(report);
        }
        if let Some(page) = &report.page_file {
            text += &format!("page: {page}\n");
        }
        text
    }
}

fn standing(report: &SignoffReport) -> String {
    let mut text = paragraph(
        &format!(
            "{}: {} of {} checks passed, {} failed, {} left out",
            report.machine, report.passed, report.of, report.failed, report.left_out
        ),
        "  ",
    );
    let record = &report.record_file;
    // The beginning alone is not written before there is an answer.
    let told = match report.entries {
        1 => format!("record {record}: nothing answered yet"),
        entries => format!("record {record}: {entries} entries, last seal {}", &report.seal[..16]),
    };
    text += &paragraph(&told, "  ");
    let of = |standing: &str| -> Vec<String> {
        let rows = report.checks.iter().filter(|check| check.standing == standing);
        rows.map(|check| check.check.clone()).collect()
    };
    for (standing, lead) in [
        ("FAILED", "Failed, to be put right and answered again:"),
        ("again", "To be done again:"),
    ] {
        let checks = of(standing);
        if !checks.is_empty() {
            text += &paragraph(&format!("{lead} {}", checks.join(", ")), "  ");
        }
    }
    if report.machine_changed {
        text += &paragraph(
            "The machine file has changed since: --accept-machine --by INITIALS takes it on, then the checks to be done again are open",
            "  ",
        );
    }
    text
}

fn next(report: &SignoffReport) -> String {
    let check = report
        .next
        .as_ref()
        .and_then(|next| report.checks.iter().find(|check| check.check == *next));
    match check {
        Some(check) => format!("\n{}", told(check)),
        None if report.done => {
            "Every check is answered; whether the machine may be used is for the competent person to say\n".to_owned()
        }
        None => "Nothing can be done before what failed has passed\n".to_owned(),
    }
}

fn told(check: &CheckRow) -> String {
    let mut text = format!("{}\nnext: {}\n", check.stage, check.check);
    text += &paragraph(&format!("  do:   {}", check.action), "        ");
    text += &paragraph(&format!("  see:  {}", check.expected), "        ");
    if let Some(measures) = &check.measures {
        text += &paragraph(&format!("  read: {measures}"), "        ");
    }
    text
}

fn list(report: &SignoffReport) -> String {
    let widest = report.checks.iter().map(|check| check.check.len()).max().unwrap_or(0);
    let line = |check: &CheckRow| {
        let after = || check.waits_for.first().map(|first| format!("after {first}"));
        let told = check
            .by
            .as_ref()
            .map(|by| format!("by {by}"))
            .or_else(after)
            .unwrap_or_default();
        let line = format!("{:<8}  {:<widest$}  {told}", check.standing, check.check);
        format!("{}\n", line.trim_end())
    };
    report.checks.iter().map(line).collect::<String>() + "\n"
}

/// Asks for one answer after the other until whoever is asked has enough. Each is written before the next is asked for.
fn ask(console: &Console, signoff: &mut Signoff) -> miette::Result<()> {
    signoff.is_ready_for_answers()?;
    console.caution_measured();
    let mut by = String::new();
    while let Some(number) = signoff.next() {
        let report = SignoffReport::new(signoff);
        console.print(&format!("\n{}", told(&report.checks[number])))?;
        let verdict = match prompt("pass, fail, skip or quit? ").as_deref() {
            Some("p" | "pass") => Answered::Pass,
            Some("f" | "fail") => Answered::Fail,
            Some("s" | "skip") => Answered::Skip,
            Some("q" | "quit") | None => break,
            Some(_) => continue,
        };
        let value = match &signoff.machine.checks[number].reading {
            Some(reading) if verdict != Answered::Skip => prompt(&format!("{}, {}? ", reading.what, reading.unit))
                .and_then(|value| value.replace(',', ".").parse().ok()),
            _ => None,
        };
        let who = prompt(&format!("by [{by}]? ")).unwrap_or_default();
        if !who.is_empty() {
            by = who;
        }
        let note = prompt("note? ").unwrap_or_default();
        let offered = Offered {
            check: signoff.machine.checks[number].id.clone(),
            verdict,
            value,
            read_from: None,
            by: by.clone(),
            note,
        };
        match signoff.answer(offered) {
            Ok(()) => signoff.record.write()?,
            Err(refused) => console.explain(&refused),
        }
    }
    Ok(())
}

/// A line from whoever sits there. None at the end of the input.
fn prompt(question: &str) -> Option<String> {
    let mut stderr = io::stderr().lock();
    write!(stderr, "{question}").and_then(|()| stderr.flush()).ok()?;
    let mut answer = String::new();
    let read = io::stdin().lock().read_line(&mut answer).ok()?;
    (read > 0).then(|| answer.trim().to_owned())
}
