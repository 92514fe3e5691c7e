//! Golden runs: 20,000 ticks of each built-in machine, of which every bit of every output is the same here, built for release, on
//! another kind of processor, and on a microcontroller.
//!
//! `data/golden.csv` has the digests. When the core is to decide otherwise than it did, put in what the test prints, and say in the
//! commit why. `cargo xtask firmware` builds what the runs are fed to.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use bellcrank_core::machine::image::Fingerprint;
use bellcrank_core::supervise::State;
use bellcrank_core::{Inputs, Machine};
use bellcrank_hal::exchange::Turned;
use bellcrank_machine::{BUILTIN, build, builtin, read};
use bellcrank_sim::board::{Board, Wire, difference};
use bellcrank_sim::golden::{Digest, Golden, TICKS};

use crate::firmware::emulated;

fn machine(name: &str) -> Machine {
    build(&read(name, builtin(name).expect("built in")).expect("good")).expect("a machine")
}

/// The line of the file for a machine: ticks, digest of what goes in, digest of what comes out.
#[track_caller]
fn on_file(name: &str) -> String {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("data/golden.csv")).expect("there");
    let line = text.lines().find_map(|line| line.strip_prefix(&format!("{name},")));
    line.unwrap_or("not there").to_owned()
}

#[test]
fn the_core_here_puts_out_what_is_on_file() {
    for (name, _) in BUILTIN {
        let (mut fed, mut put_out) = (Digest::default(), Digest::default());
        for (inputs, outputs) in Golden::new(&machine(name)) {
            fed.add(&inputs);
            put_out.add(&outputs);
        }
        let ((count, fed), (_, put_out)) = (fed.told(), put_out.told());
        assert_eq!(format!("{count},{fed},{put_out}"), on_file(name), "{name}");
    }
}

/// Else it would be no run worth having: all states, work in every mode, the guard at work, nothing that was not planned.
#[test]
fn a_golden_run_goes_through_all_that_there_is() {
    for (name, _) in BUILTIN {
        let machine = machine(name);
        let mut golden = Golden::new(&machine);
        let (mut states, mut modes, mut held, mut refused) = (BTreeSet::new(), BTreeSet::new(), 0, 0);
        while let Some((Inputs { seat, .. }, outputs)) = golden.next() {
            states.insert(outputs.status.state.to_string());
            if outputs.status.state == State::Enabled {
                modes.insert(format!("{:?}", seat.mode));
            }
            let last = golden.controller().last_tick();
            held += u32::from(last.guarded.axes.iter().any(|(_, held)| held.is_some()));
            refused += u32::from(last.refused.is_some());
            for (_, told) in outputs.valves.iter() {
                assert!(told.number().is_finite(), "{name}");
            }
        }
        assert_eq!(states.len(), State::ALL.len(), "{name}: {states:?}");
        assert_eq!(
            modes.len(),
            if machine.arms().len() > 1 { 3 } else { 2 },
            "{name}: {modes:?}"
        );
        assert!(
            held > 100 && refused > 0,
            "{name}: held back in {held} ticks, {refused} refused"
        );
    }
}

/// Feeds the run of a machine to a board, and holds each output to that of the core here.
#[track_caller]
fn feed(board: &mut Board, on: &str, name: &str) {
    let machine = machine(name);
    board
        .load(&machine, Fingerprint::default())
        .unwrap_or_else(|why| panic!("{on}, {name}: {why}"));
    let mut put_out = Digest::default();
    for (tick, (inputs, here)) in (1..).zip(Golden::new(&machine)) {
        let Turned { outputs: there, .. } = board
            .turn(&inputs)
            .unwrap_or_else(|why| panic!("{on}, {name}, tick {tick}: {why}"));
        if let Some((field, there, here)) = difference(&there, &here) {
            panic!("{on}, {name}, tick {tick}: {field} is {there}, and here {here}");
        }
        put_out.add(&there);
    }
    let (count, digest) = put_out.told();
    assert_eq!(count, TICKS);
    assert!(on_file(name).ends_with(&digest), "{on}, {name}: {digest}");
}

fn built(path: &str) -> Option<String> {
    let path: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path);
    path.exists().then(|| path.display().to_string())
}

#[track_caller]
fn program(words: Vec<String>) -> Board {
    Wire::Program(words)
        .open()
        .unwrap_or_else(|why| panic!("{why}: `cargo xtask firmware` installs what is missing"))
}

#[test]
fn built_for_release_it_is_the_same() {
    let served = built("target/release/examples/served").expect("`cargo xtask firmware` builds it");
    for (name, _) in BUILTIN {
        feed(&mut program(vec![served.clone()]), "in release", name);
    }
}

#[test]
fn on_another_processor_it_is_the_same() {
    // By rustup's target, or by Debian's compiler with the libraries of that system.
    let ways = [("musl", None), ("gnu", Some("/usr/aarch64-linux-gnu"))];
    let words = ways.iter().find_map(|(abi, libraries)| {
        let served = built(&format!(
            "target/foreign/aarch64-unknown-linux-{abi}/release/examples/served"
        ))?;
        let libraries = libraries
            .iter()
            .flat_map(|folder| ["-L".to_owned(), (*folder).to_owned()]);
        Some(
            ["qemu-aarch64-static".to_owned()]
                .into_iter()
                .chain(libraries)
                .chain([served])
                .collect::<Vec<_>>(),
        )
    });
    let words = words.expect("`cargo xtask firmware` builds it");
    for (name, _) in BUILTIN {
        feed(&mut program(words.clone()), "on aarch64", name);
    }
}

#[test]
fn on_a_microcontroller_it_is_the_same() {
    let mut board = emulated();
    for (name, _) in BUILTIN {
        feed(&mut board, "on the emulated Cortex-M4F", name);
    }
}
