//! The trace from hazard to test: `data/safety.toml` held to the code. What it says is its own; here it is only seen that nothing is
//! missing, left over or misspelt.

use std::{
    collections::BTreeSet,
    fs,
    path::{Path, PathBuf},
};

use bellcrank_core::cause::{Category, Cause};
use serde::Deserialize;

const FILE: &str = "data/safety.toml";

/// The modules that are about safety: each of their tests belongs to a function.
const SAFETY: [&str; 16] = [
    "adversary",
    "board",
    "explore",
    "gate",
    "guard_keepout",
    "hostile",
    "interlock",
    "link",
    "link_fuzz",
    "link_loop",
    "linux_io",
    "reaction",
    "stages_sense",
    "stopping",
    "watch",
    "wiring_faults",
];

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Trace {
    hazard: Vec<Hazard>,
    function: Vec<Function>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Hazard {
    id: String,
    kind: String,
    what: String,
    who: String,
    residual: Option<String>,
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Function {
    id: String,
    does: String,
    against: Vec<String>,
    stop: Stop,
    #[serde(default)]
    causes: Vec<String>,
    tests: Vec<String>,
    #[serde(default)]
    scenarios: Vec<String>,
    source: String,
}

/// How a function ends motion: stop category 0 or 1, or not at all.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
enum Stop {
    Category(u8),
    Word(String),
}

/// What there is to be named.
struct There {
    tests: BTreeSet<String>,
    scenarios: BTreeSet<String>,
    causes: Vec<(&'static str, Category)>,
}

impl There {
    fn look() -> Self {
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        let mut tests = BTreeSet::new();
        collect_tests(here, "", &mut tests);
        for (source, name) in [
            ("../crates/core/src", "bellcrank_core::"),
            ("../crates/link/src", "bellcrank_link::"),
            ("../crates/hal/src", "bellcrank_hal::"),
            ("../crates/linux/src", "bellcrank_linux::"),
        ] {
            collect_tests(&here.join(source), name, &mut tests);
        }
        Self {
            tests,
            scenarios: bellcrank_sim::scenario::BUILTIN
                .iter()
                .map(|(name, _)| (*name).to_owned())
                .collect(),
            causes: Cause::ALL.map(|cause| (cause.name(), cause.category())).to_vec(),
        }
    }
}

/// Adds the tests below a folder as `module::name`. A unit test is in the module of its file, whatever the module in the file is called.
fn collect_tests(folder: &Path, module: &str, tests: &mut BTreeSet<String>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        let name = path.file_stem().unwrap().to_str().unwrap();
        if path.is_dir() {
            collect_tests(&path, &format!("{module}{name}::"), tests);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            let module = match name {
                "mod" | "main" | "lib" => module.to_owned(),
                _ => format!("{module}{name}::"),
            };
            let text = fs::read_to_string(&path).unwrap();
            tests.extend(names_of_tests(&text).map(|test| format!("{module}{test}")));
        }
    }
}

/// The functions under `#[test]`.
fn names_of_tests(source: &str) -> impl Iterator<Item = &str> {
    let mut lines = source.lines().map(str::trim);
    std::iter::from_fn(move || {
        lines.find(|line| *line == "#[test]")?;
        let declared = lines.find_map(|line| line.strip_prefix("fn "))?;
        declared.split_once('(').map(|(name, _)| name)
    })
}

/// Everything that is wrong with a trace.
fn mistakes(trace: &Trace, there: &There) -> Vec<String> {
    let mut wrong = Vec::new();
    let hazards: Vec<&str> = trace.hazard.iter().map(|hazard| hazard.id.as_str()).collect();
    let functions = || trace.function.iter();
    let named = |part: fn(&Function) -> &[String]| -> BTreeSet<&str> {
        functions().flat_map(part).map(String::as_str).collect()
    };
    let against = named(|function| &function.against);
    let (tests, causes) = (named(|function| &function.tests), named(|function| &function.causes));

    let mut ids = BTreeSet::new();
    for id in hazards
        .iter()
        .copied()
        .chain(functions().map(|function| function.id.as_str()))
    {
        if !ids.insert(id) {
            wrong.push(format!("{id}: is there twice"));
        }
    }
    for Hazard {
        id,
        kind,
        what,
        who,
        residual,
    } in &trace.hazard
    {
        if [kind, what, who]
            .into_iter()
            .chain(residual)
            .any(std::string::String::is_empty)
        {
            wrong.push(format!("{id}: says nothing"));
        }
        if !against.contains(id.as_str()) && residual.is_none() {
            wrong.push(format!(
                "{id}: no function is against it, and nothing is said of what remains"
            ));
        }
    }
    for function in functions() {
        let id = &function.id;
        if [&function.does, &function.source].into_iter().any(String::is_empty) {
            wrong.push(format!("{id}: says nothing"));
        }
        if function.tests.is_empty() || function.against.is_empty() {
            wrong.push(format!("{id}: is without a test, or against nothing"));
        }
        let mut unknown = |what: &str, names: &[String], known: &dyn Fn(&str) -> bool| {
            let unknown = names.iter().filter(|name| !known(name));
            wrong.extend(unknown.map(|name| format!("{id}: there is no {what} `{name}`")));
        };
        unknown("hazard", &function.against, &|name| hazards.contains(&name));
        unknown("test", &function.tests, &|name| there.tests.contains(name));
        unknown("scenario", &function.scenarios, &|name| there.scenarios.contains(name));
        unknown("cause", &function.causes, &|name| {
            there.causes.iter().any(|(cause, _)| *cause == name)
        });
        let known = [Stop::Category(0), Stop::Category(1), Stop::Word("none".to_owned())];
        if !known.contains(&function.stop) {
            wrong.push(format!(
                "{id}: found stop = {:?}, wanted 0, 1 or \"none\"",
                function.stop
            ));
        }
        let other = |(cause, category): &&(&str, Category)| {
            let number = u8::from(*category != Category::Zero);
            function.causes.iter().any(|name| name == cause) && function.stop != Stop::Category(number)
        };
        let others = there.causes.iter().filter(other);
        wrong.extend(others.map(|(cause, category)| format!("{id}: `{cause}` is of category {category:?}")));
    }
    for (cause, _) in &there.causes {
        if !causes.contains(cause) {
            wrong.push(format!("cause `{cause}`: belongs to no function"));
        }
    }
    for test in &there.tests {
        let module = test.split("::").next().unwrap_or_default();
        if SAFETY.contains(&module) && !tests.contains(test.as_str()) {
            wrong.push(format!("test `{test}`: belongs to no function"));
        }
    }
    wrong
}

fn trace() -> Trace {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(FILE)).unwrap();
    toml::from_str(&text).unwrap()
}

#[test]
fn from_every_hazard_to_a_test_and_back() {
    let wrong = mistakes(&trace(), &There::look());
    assert!(wrong.is_empty(), "{FILE}:\n{}", wrong.join("\n"));
}

/// Each mistake that the trace could have is told, before what else comes of it.
#[test]
fn a_mistake_in_the_trace_is_told() {
    type Change = fn(&mut Trace, &mut There);
    let changes: [(&str, Change); 14] = [
        ("bellows: no function is against it", |trace, _| {
            let residual = None;
            let id = "bellows".to_owned();
            trace.hazard.push(Hazard {
                id,
                residual,
                ..trace.hazard[0].clone()
            });
        }),
        ("seat-crush: is there twice", |trace, _| {
            trace.hazard.push(trace.hazard[0].clone());
        }),
        ("stop-button: is there twice", |trace, _| {
            trace.function[1].id = trace.function[0].id.clone();
        }),
        ("says nothing", |trace, _| trace.hazard[0].who.clear()),
        ("says nothing", |trace, _| trace.function[0].source.clear()),
        ("is without a test", |trace, _| {
            of(trace, "control-voltage-watched").tests.clear();
        }),
        ("there is no test `board::gone`", |trace, _| {
            trace.function[0].tests.push("board::gone".to_owned());
        }),
        ("there is no scenario `gone`", |trace, _| {
            trace.function[0].scenarios.push("gone".to_owned());
        }),
        ("there is no hazard `gone`", |trace, _| {
            trace.function[0].against.push("gone".to_owned());
        }),
        ("there is no cause `gone`", |trace, _| {
            trace.function[0].causes.push("gone".to_owned());
        }),
        ("stop-button: `stop button` is of category Zero", |trace, _| {
            trace.function[0].stop = Stop::Category(1);
        }),
        ("wanted 0, 1 or \"none\"", |trace, _| {
            of(trace, "keep-out").stop = Stop::Category(2);
        }),
        ("cause `new`: belongs to no function", |_, there| {
            there.causes.push(("new", Category::Zero));
        }),
        ("test `gate::new`: belongs to no function", |_, there| {
            there.tests.insert("gate::new".to_owned());
        }),
    ];
    for (told, change) in changes {
        let (mut trace, mut there) = (trace(), There::look());
        change(&mut trace, &mut there);
        let wrong = mistakes(&trace, &there);
        let first = wrong.first().map_or("nothing", String::as_str);
        assert!(first.contains(told), "{told}: {wrong:?}");
    }
}

fn of<'t>(trace: &'t mut Trace, id: &str) -> &'t mut Function {
    trace.function.iter_mut().find(|function| function.id == id).unwrap()
}

#[test]
fn tests_are_found_by_their_attribute() {
    let source = "#[test]\nfn one() {}\nfn none() {}\n    #[test]\n    /// Doc.\n    #[should_panic]\n    fn two(\n        x: u8) {}\n// #[test]\n";
    assert_eq!(names_of_tests(source).collect::<Vec<_>>(), ["one", "two"]);
}
