//! Mutants: the code that decides whether there is power, changed on purpose in one place after the other. A test must notice each change.
//!
//! What is changed, which tests must notice, and which mutants change nothing that could be seen, stands in `.cargo/mutants.toml`, which
//! `cargo mutants` reads by itself. It works in a copy of the source tree with a target folder of its own.

use std::fs;

use miette::{IntoDiagnostic, Result, WrapErr, bail, miette};

use crate::steps::{Steps, cargo, root, run};

const SETTINGS: &str = ".cargo/mutants.toml";
const OUT: &str = "target/mutants";

/// Changes and tests, and prints how it went.
///
/// # Errors
///
/// A mutant was missed, an exception has nothing to except, or the tool cannot be had.
pub fn check(jobs: u32) -> Result<()> {
    let mut steps = Steps::default();
    let outcome = steps
        .step("exceptions", exceptions_are_of_use)
        .and_then(|()| steps.step("mutants", || mutate(jobs)));
    steps.print_table();
    outcome
}

/// Each exception in the settings is of a mutant that there is.
fn exceptions_are_of_use() -> Result<()> {
    install()?;
    let text = fs::read_to_string(root().join(SETTINGS))
        .into_diagnostic()
        .wrap_err(SETTINGS)?;
    let settings: toml::Table = text.parse().into_diagnostic().wrap_err(SETTINGS)?;
    let texts = |key: &str| {
        let list = settings.get(key).and_then(toml::Value::as_array);
        let list = list.ok_or_else(|| miette!("{SETTINGS}: wanted {key}, a list of texts"))?;
        Ok::<_, miette::Report>(list.iter().filter_map(toml::Value::as_str).collect::<Vec<_>>())
    };
    let files = texts("examine_globs")?;
    for exception in texts("exclude_re")? {
        let mut list = cargo("mutants");
        list.args(["--workspace", "--no-config", "--list", "--re", exception]);
        list.args(files.iter().flat_map(|file| ["--file", *file]));
        let found = list.output().into_diagnostic()?;
        if !found.status.success() {
            bail!("{}", String::from_utf8_lossy(&found.stderr));
        }
        if found.stdout.is_empty() {
            bail!("{SETTINGS}: `{exception}` is of no mutant: take it out");
        }
    }
    Ok(())
}

/// Installs the tool if it is missing.
fn install() -> Result<()> {
    let there = cargo("mutants").arg("--version").output();
    if there.is_ok_and(|output| output.status.success()) {
        return Ok(());
    }
    run(cargo("install").args(["cargo-mutants", "--locked"])).wrap_err("`cargo xtask mutants` needs cargo-mutants")
}

fn mutate(jobs: u32) -> Result<()> {
    let out = root().join(OUT);
    fs::create_dir_all(&out).into_diagnostic()?;
    // Random tests draw the same numbers each time and remember no failure: else one that fails for no reason of the mutant's would fail
    // for all that come after it, and each would count as noticed.
    let status = cargo("mutants")
        .args(["--workspace", "--jobs", &jobs.to_string(), "--output"])
        .arg(&out)
        .env("PROPTEST_RNG_SEED", "1")
        .env("PROPTEST_DISABLE_FAILURE_PERSISTENCE", "true")
        .status()
        .into_diagnostic()?;
    let lines = |kind: &str| -> Vec<String> {
        let text = fs::read_to_string(out.join("mutants.out").join(format!("{kind}.txt")));
        text.unwrap_or_default().lines().map(str::to_owned).collect()
    };
    let missed = lines("missed");
    for kind in ["caught", "timeout", "unviable", "missed"] {
        println!("{kind:10}{:5}", lines(kind).len());
    }
    // Of the tool's exits, 2 is a mutant missed and 3 one that never came to an end, which is noticed by any watchdog.
    match status.code() {
        Some(0 | 3) if missed.is_empty() => Ok(()),
        Some(2 | 3) => bail!("no test notices:\n{}", missed.join("\n")),
        _ => bail!("`cargo mutants` ended with {status}"),
    }
}
