//! House rules, held by reading the source: each file tells what it is, nothing is left lying about, the stages of the
//! core look only backwards, links lead somewhere.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

/// The stages in the order in which data goes through them.
const STAGES: [&str; 6] = ["sense", "supervise", "plan", "guard", "drive", "gate"];

/// What every stage but the last may build on.
const GROUND: [&str; 13] = [
    "contact",
    "stamp",
    "units",
    "math",
    "vec3",
    "linkage",
    "chain",
    "keepout",
    "machine",
    "inputs",
    "outputs",
    "cause",
    "last_tick",
];

/// What the last stage may look at: it must be right even if all between it and `supervise` is wrong.
const GATE_MAY: [&str; 7] = ["units", "inputs", "outputs", "machine", "contact", "stamp", "supervise"];

const LONGEST_FILE: usize = 500;

/// What stands at the top, beside files whose name begins with a dot.
const TOP: [&str; 12] = [
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "benches",
    "crates",
    "rustfmt.toml",
    "sim",
    "tests",
];

#[test]
fn the_top_holds_what_belongs_there() {
    let strange = |path: &String| {
        let top = path.split('/').next().unwrap_or_default();
        !top.starts_with('.') && !TOP.contains(&top)
    };
    none(tracked_files().filter(strange));
}

#[test]
fn every_file_says_what_it_is() {
    none(
        rust_files()
            .filter(|(_, text)| !text.starts_with("//!"))
            .map(|(path, _)| path),
    );
}

#[test]
fn a_long_file_says_why() {
    let says_why = |text: &str| text.lines().take(40).any(|line| line.starts_with("// long because "));
    none(
        rust_files()
            .filter(|(_, text)| text.lines().count() > LONGEST_FILE && !says_why(text))
            .map(|(path, text)| format!("{path}: {} lines", text.lines().count())),
    );
}

#[test]
fn nothing_is_skipped_or_left_for_later() {
    // In pieces, so that this file does not hold them.
    let left = [
        ["#[ig", "nore"],
        ["to", "do!"],
        ["unimple", "mented!"],
        ["FIX", "ME"],
        ["TO", "DO"],
    ]
    .map(|p| p.concat());
    none(rust_files().flat_map(|(path, text)| lines_with(&path, &text, &left)));
}

#[test]
fn no_file_speaks_of_how_it_was_made() {
    let banned = [
        ["/wo", "rk/"],
        ["CE", "O"],
        ["sub", "agent"],
        ["this ses", "sion"],
        ["trans", "cript"],
        ["seed doc", "ument"],
    ]
    .map(|p| p.concat());
    none(
        tracked_files()
            .filter_map(read)
            .flat_map(|(path, text)| lines_with(&path, &text, &banned)),
    );
}

#[test]
fn a_stage_builds_only_on_what_comes_before_it() {
    let mut wrong = Vec::new();
    for (path, text) in rust_files() {
        let Some((stage, _)) = path
            .strip_prefix("crates/core/src/")
            .and_then(|rest| rest.split_once('/'))
        else {
            continue;
        };
        let Some(place) = STAGES.iter().position(|name| *name == stage) else {
            continue;
        };
        for line in text.lines().filter(|line| !line.trim_start().starts_with("//")) {
            for import in line.split("crate::").skip(1) {
                if let Some(reason) = barred(import, place) {
                    wrong.push(format!("{path}: `crate::{import}`: {reason}"));
                }
            }
            if line.contains("super::super") {
                wrong.push(format!("{path}: `{}`: reaches around", line.trim()));
            }
        }
    }
    none(wrong);
}

/// Why the stage at `place` may not write `crate::` and then this, if it may not.
fn barred(import: &str, place: usize) -> Option<&'static str> {
    let (module, inside) = import.split_at(
        import
            .find(|c: char| c != '_' && !c.is_alphanumeric())
            .unwrap_or(import.len()),
    );
    let source = STAGES.iter().position(|name| *name == module);
    let allowed = match (STAGES[place], source) {
        ("gate", _) => GATE_MAY.contains(&module) || source == Some(place),
        (_, Some(source)) => source <= place,
        (_, None) => GROUND.contains(&module),
    };
    if !allowed {
        return Some("not for this stage");
    }
    // Result types stand at a stage's front door; what lies behind it is the stage's own affair.
    let behind_the_door = inside
        .strip_prefix("::")
        .is_some_and(|rest| rest.starts_with(|c: char| c.is_lowercase()));
    (source.is_some_and(|source| source != place) && behind_the_door).then_some("past the front door")
}

#[test]
fn the_import_rule_bars_what_it_should() {
    let stage = |name| STAGES.iter().position(|stage| *stage == name).unwrap();
    for (name, import) in [
        ("plan", "math;"),
        ("plan", "sense::{AxisPosture, Posture};"),
        ("plan", "plan::dls::solve;"),
        ("gate", "supervise::Permit;"),
    ] {
        assert_eq!(barred(import, stage(name)), None, "{name}: {import}");
    }
    for (name, import) in [
        ("sense", "supervise::Permit;"),
        ("plan", "sense::axis::Filter;"),
        ("guard", "controller::Controller;"),
        ("guard", "{math, units};"),
        ("gate", "plan::Rates;"),
        ("gate", "math;"),
    ] {
        assert!(barred(import, stage(name)).is_some(), "{name}: {import}");
    }
}

#[test]
fn links_between_documents_lead_somewhere() {
    let documents = ["README.md", "DEVELOPERS.md", "CHANGELOG.md"];
    none(
        documents
            .into_iter()
            .map(String::from)
            .filter_map(read)
            .flat_map(|(document, text)| {
                let links: Vec<String> = text
                    .split("](")
                    .skip(1)
                    .filter_map(|rest| rest.split([')', '#', ' ']).next().map(String::from))
                    .filter(|link| !link.is_empty() && !link.contains("://") && !link.starts_with("mailto:"))
                    .collect();
                links
                    .into_iter()
                    .filter(|link| !root().join(link).exists())
                    .map(move |link| format!("{document}: {link}"))
            }),
    );
}

/// Fails with the whole list of what breaks the rule.
#[track_caller]
fn none(wrong: impl IntoIterator<Item = String>) {
    let wrong: Vec<String> = wrong.into_iter().collect();
    assert!(wrong.is_empty(), "against the house rules:\n{}", wrong.join("\n"));
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// What is under version control, or about to be: paths from the root.
fn tracked_files() -> impl Iterator<Item = String> {
    let output = Command::new("git")
        .args(["ls-files", "--cached", "--others", "--exclude-standard"])
        .current_dir(root())
        .output()
        .expect("git is there");
    let listed = String::from_utf8(output.stdout).expect("paths are UTF-8");
    let files: Vec<String> = listed.lines().map(String::from).collect();
    assert!(
        files.iter().any(|path| path == "Cargo.toml"),
        "git lists no files: is this a checkout?"
    );
    files.into_iter()
}

pub fn rust_files() -> impl Iterator<Item = (String, String)> {
    tracked_files()
        .filter(|path| Path::new(path).extension().is_some_and(|ending| ending == "rs"))
        .filter_map(read)
}

/// A path and its text, unless it is deleted or not text.
fn read(path: String) -> Option<(String, String)> {
    let text = fs::read_to_string(root().join(&path)).ok()?;
    Some((path, text))
}

fn lines_with(path: &str, text: &str, words: &[String]) -> Vec<String> {
    text.lines()
        .enumerate()
        .filter(|(_, line)| words.iter().any(|word| line.contains(word.as_str())))
        .map(|(index, line)| format!("{path}:{}: {}", index + 1, line.trim()))
        .collect()
}
