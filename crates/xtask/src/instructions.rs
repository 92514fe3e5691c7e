//! How many instructions the reference cases take, held to a file of earlier counts.
//!
//! Times on shared machines are noise; counts are not. `benches/count.rs` does the work of one case, valgrind's
//! `callgrind` counts what happens inside its `measured`. The counts depend on the compiler, which the file names, and
//! hardly on anything else: glibc is told to leave out the variants of its functions that need newer processors.

use std::{fs, path::PathBuf, process::Command};

use miette::{IntoDiagnostic, Result, WrapErr, bail, miette};

use crate::{
    debian,
    steps::{as_typed, cargo, root, run},
};

const CASES: [&str; 4] = ["single-cylinder", "digger-plant", "setter-plant", "setter-loop"];
const FILE: &str = "benches/instructions.csv";
const BLESS: &str = "cargo xtask instructions --bless";

/// How far a count may be from the file's, as a share of it: with the file's compiler, and with another.
const ALLOWED: f64 = 0.05;
const ALLOWED_ELSEWHERE: f64 = 0.3;

/// glibc's names of what is not to be used, of old and of newer versions.
const PLAIN_PROCESSOR: &str = "glibc.cpu.hwcaps=-AVX,-AVX2,-AVX512F,-AVX512VL,-AVX512BW,-FMA,-FMA4,-ERMS,-FSRM,\
    -AVX_Usable,-AVX2_Usable,-AVX512F_Usable,-FMA_Usable,-FMA4_Usable,-AVX_Fast_Unaligned_Load";

/// What a case took.
#[derive(Debug, PartialEq)]
struct Count {
    case: String,
    instructions: u64,
    compiler: String,
}

/// Counts, and compares with the file.
///
/// # Errors
///
/// A case takes more than it may, or the counter cannot be had: then nothing has been checked.
pub fn check() -> Result<()> {
    let golden = read(&fs::read_to_string(file()).into_diagnostic().wrap_err(FILE)?)?;
    let counts = count_all()?;
    let (report, worse) = compare(&golden, &counts);
    print!("{report}");
    if !worse.is_empty() {
        bail!(
            "more instructions than {FILE} allows: {}. If that is what you want to pay, `{BLESS}`",
            worse.join(", ")
        );
    }
    Ok(())
}

/// Counts, and writes the file.
///
/// # Errors
///
/// The counter cannot be had, or the file cannot be written.
pub fn bless() -> Result<()> {
    let counts = count_all()?;
    if let Ok(golden) = fs::read_to_string(file())
        .into_diagnostic()
        .and_then(|text| read(&text))
    {
        print!("{}", compare(&golden, &counts).0);
    }
    let mut text = String::from("case,instructions,compiler\n");
    for count in &counts {
        text += &format!("{},{},{}\n", count.case, count.instructions, count.compiler);
    }
    fs::write(file(), text).into_diagnostic().wrap_err(FILE)?;
    println!("written: {FILE}");
    Ok(())
}

fn file() -> PathBuf {
    root().join(FILE)
}

fn read(text: &str) -> Result<Vec<Count>> {
    let row = |(index, line): (usize, &str)| {
        let wrong = || {
            miette!(
                "{FILE}:{}: found `{line}`, wanted case,instructions,compiler",
                index + 1
            )
        };
        let mut cells = line.splitn(3, ',');
        let (case, instructions, compiler) = (cells.next(), cells.next(), cells.next());
        Ok(Count {
            case: case.ok_or_else(wrong)?.to_owned(),
            instructions: instructions.and_then(|n| n.parse().ok()).ok_or_else(wrong)?,
            compiler: compiler.ok_or_else(wrong)?.to_owned(),
        })
    };
    text.lines().enumerate().skip(1).map(row).collect()
}

/// A table of all counts with their changes, and the cases that take more than they may.
fn compare(golden: &[Count], counts: &[Count]) -> (String, Vec<String>) {
    let mut report = format!(
        "{:16}{:>15}{:>15}{:>9}\n",
        "case", "instructions", "in the file", "change"
    );
    let mut worse = Vec::new();
    for now in counts {
        let Some(before) = golden.iter().find(|count| count.case == now.case) else {
            report += &format!("{:16}{:15}{:>15}\n", now.case, now.instructions, "missing");
            worse.push(format!("{} (not in the file)", now.case));
            continue;
        };
        let change = now.instructions as f64 / before.instructions as f64 - 1.0;
        let same_compiler = now.compiler == before.compiler;
        let allowed = if same_compiler { ALLOWED } else { ALLOWED_ELSEWHERE };
        report += &format!(
            "{:16}{:15}{:15}{:+8.1}%",
            now.case,
            now.instructions,
            before.instructions,
            100.0 * change
        );
        if !same_compiler {
            report += &format!(
                "  the file is of {}, this is {}: only {:.0} % more would count; hold it to {:.0} % by `{BLESS}`",
                before.compiler,
                now.compiler,
                100.0 * ALLOWED_ELSEWHERE,
                100.0 * ALLOWED
            );
        }
        if change > allowed {
            worse.push(format!("{} by {:.1} %", now.case, 100.0 * change));
        } else if change < -allowed {
            report += &format!("  cheaper: keep the gain by `{BLESS}`");
        }
        report += "\n";
    }
    (report, worse)
}

fn count_all() -> Result<Vec<Count>> {
    if Command::new("valgrind").arg("--version").output().is_err() {
        debian::install(
            &["valgrind", "libc6-dbg"],
            "missing: valgrind, so no instructions were counted and nothing was checked. Install it",
        )?;
    }
    let output = Command::new("rustc").arg("--version").output().into_diagnostic()?;
    let compiler = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    run(cargo("build").args(["--release", "--package", "bellcrank-benches", "--bin", "count"]))?;
    CASES
        .into_iter()
        .map(|case| {
            Ok(Count {
                case: case.to_owned(),
                instructions: count(case)?,
                compiler: compiler.clone(),
            })
        })
        .collect()
}

/// Instructions inside `measured` of one case.
fn count(case: &str) -> Result<u64> {
    let mut command = Command::new("valgrind");
    command
        .args([
            "--tool=callgrind",
            "--callgrind-out-file=/dev/null",
            "--toggle-collect=count::measured*",
        ])
        .args(["target/release/count", case])
        .current_dir(root())
        .env("GLIBC_TUNABLES", PLAIN_PROCESSOR);
    let output = command.output().into_diagnostic()?;
    let said = String::from_utf8_lossy(&output.stderr);
    let collected = said
        .lines()
        .filter_map(|line| line.split_once("Collected : "))
        .filter_map(|(_, number)| number.trim().parse().ok())
        .find(|&number: &u64| number > 0);
    match collected {
        Some(number) if output.status.success() => Ok(number),
        _ => bail!("`{}` counted nothing; it said:\n{said}", as_typed(&command)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(text: &str) -> Vec<Count> {
        read(&format!("case,instructions,compiler\n{text}")).expect("rows")
    }

    #[test]
    fn only_what_costs_more_than_allowed_is_worse() {
        let golden = counts("a,1000,rustc 1\nb,1000,rustc 1\nc,1000,rustc 1\n");
        let (report, worse) = compare(
            &golden,
            &counts("a,1049,rustc 1\nb,1051,rustc 1\nc,900,rustc 1\nd,1,rustc 1\n"),
        );
        assert_eq!(worse, ["b by 5.1 %", "d (not in the file)"]);
        assert_eq!(report.matches("keep the gain").count(), 1, "{report}");
    }

    #[test]
    fn another_compiler_is_named_and_given_more_room() {
        let (report, worse) = compare(
            &counts("a,1000,rustc 1\nb,1000,rustc 1\n"),
            &counts("a,1299,rustc 2\nb,1301,rustc 2\n"),
        );
        assert_eq!(worse, ["b by 30.1 %"]);
        assert_eq!(
            report.matches("the file is of rustc 1, this is rustc 2").count(),
            2,
            "{report}"
        );
    }

    #[test]
    fn a_row_that_is_no_count_is_named() {
        let error = read("case,instructions,compiler\na,many,rustc 1\n").expect_err("no number");
        assert!(
            error.to_string().contains("instructions.csv:2: found `a,many,rustc 1`"),
            "{error}"
        );
    }
}
