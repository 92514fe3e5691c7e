//! Captured duty signals: figures against those that the signal was made with, disturbances against how many were put in, clean captures without
//! a word, and the command on long and on broken files.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use bellcrank_sim::scope::trouble::Kind;
use bellcrank_sim::scope::{self, Asked, ScopeError, Scoped};
use bellcrank_tests::captures::Signal;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::command::{bellcrank, json, run};

fn read(text: &str, asked: &Asked) -> Result<Scoped, ScopeError> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("capture.csv");
    fs::write(&path, text).expect("written");
    scope::read(&path, asked)
}

fn kinds(text: &str) -> Vec<Kind> {
    let scoped = read(text, &Asked::default()).expect("a signal");
    scoped.troubles.iter().map(|trouble| trouble.kind).collect()
}

// ---- figures ----------------------------------------------------------------------------------------------------------------------

/// Variance of a duty that is found with edges known to within a sample, in samples squared, for a period of so many samples.
///
/// Each edge is off by a sawtooth of its place, up to half a sample either way: a variance of 1/12. Two edges a apart, whose places fall evenly
/// between two samples, are off with the correlation 1 - 6 f (1 - f), f being what a has beyond whole samples. The duty is off by what the fall
/// is, less 1 - duty of what the rise before is and duty of what the rise after is. A duty that jitters by many samples of its own has a fall that
/// has nothing to do with either rise.
fn variance_of_sampling(samples: f64, duty: f64, jitters: bool) -> f64 {
    let correlation = |apart: f64| 1.0 - 6.0 * apart.fract() * (1.0 - apart.fract());
    let (high, low) = (duty * samples, (1.0 - duty) * samples);
    let own = 1.0 + (1.0 - duty).powi(2) + duty.powi(2) + 2.0 * duty * (1.0 - duty) * correlation(samples);
    let shared = 2.0 * (1.0 - duty) * correlation(high) + 2.0 * duty * correlation(low);
    (own - if jitters { 0.0 } else { shared }) / 12.0
}

#[test]
fn duty_and_jitter_are_what_the_signal_was_made_with() {
    // Periods of so many samples that edges fall evenly between two samples: the golden ratio does that best.
    for (samples, duty, jitter) in [
        (1000.618, 0.5, 0.0),
        (400.618, 0.2, 0.0),
        (100.618, 0.85, 0.0),
        (1000.618, 0.5, 0.006),
        (300.618, 0.31, 0.02),
    ] {
        let signal = Signal {
            hz: 1e5 / samples,
            jitter,
            ..Signal::steady(duty, 20.0)
        };
        let (hz, sample) = (signal.hz, 1.0 / samples);
        let found = read(&signal.csv(), &Asked::default()).expect("a signal");
        assert_eq!(found.troubles, [], "{hz}");
        let count = found.duty.count as f64;
        let expected = (jitter * jitter + sample * sample * variance_of_sampling(samples, duty, jitter > 0.0)).sqrt();
        let spread = found.duty.deviation();
        assert!(
            (spread / expected - 1.0).abs() < 4.0 / (2.0 * count).sqrt(),
            "{hz} Hz: {spread}, not {expected}"
        );
        if jitter > 0.0 {
            // From one to the next as well, since one has nothing to do with the next.
            assert!(
                (found.duty_jitter / expected - 1.0).abs() < 0.1,
                "{hz} Hz: {}",
                found.duty_jitter
            );
        }
        let mean = found.duty.mean;
        assert!(
            (mean - duty).abs() < 4.0 * expected / count.sqrt(),
            "{hz} Hz: {mean}, not {duty}"
        );
        // The whole train: only its first and last edge count.
        let found_hz = 1.0 / found.period.mean;
        assert!(
            (found_hz / hz - 1.0).abs() < 2.0 * sample / count,
            "{found_hz}, not {hz}"
        );
        let (low, high) = (found.levels.low, found.levels.high);
        assert!((low - 0.2).abs() < 0.005 && (high - 4.7).abs() < 0.005, "{low} {high}");
    }
}

#[test]
fn glitches_and_missing_pulses_are_counted_one_by_one() {
    let mut random = ChaCha8Rng::seed_from_u64(2);
    for _ in 0..10 {
        let mut signal = Signal::steady(random.random_range(0.2..0.8), 6.0);
        // Well away from edges and from each other: in the middle of the high or the low part of every sixth period.
        let (mut glitches, mut lost) = (0, 0);
        for period in (6..590_u64).step_by(6) {
            match random.random_range(0..3) {
                0 => {
                    let (duty, lasts) = (signal.duty[0].1, random.random_range(2e-5..1.8e-4));
                    let middle = if random.random() {
                        duty / 2.0
                    } else {
                        f64::midpoint(duty, 1.0)
                    };
                    signal.flipped.push(((period as f64 + middle) / signal.hz, lasts));
                    glitches += 1;
                }
                1 => {
                    let many = random.random_range(1..4_u64);
                    signal.missing.extend((0..many).map(|more| period + more));
                    lost += many;
                }
                _ => {}
            }
        }
        // Times of flips count from the start of a period.
        let signal = Signal { seed: 0, ..signal };
        let shifted = shifted(&signal);
        let found = read(&shifted.csv(), &Asked::default()).expect("a signal");
        let times = |kind| {
            found
                .troubles
                .iter()
                .filter(|trouble| trouble.kind == kind)
                .map(|trouble| trouble.times)
                .sum::<u64>()
        };
        assert_eq!((times(Kind::Glitch), times(Kind::Missing)), (glitches, lost));
        assert!(
            found
                .troubles
                .iter()
                .all(|trouble| matches!(trouble.kind, Kind::Glitch | Kind::Missing))
        );
        assert!((found.duty.mean - signal.duty[0].1).abs() < 1e-3, "{}", found.duty.mean);
    }
}

/// The flips moved by the phase that the signal starts with.
fn shifted(signal: &Signal) -> Signal {
    let phase: f64 = ChaCha8Rng::seed_from_u64(signal.seed).random();
    let flipped = signal
        .flipped
        .iter()
        .map(|(from, lasts)| (from - phase / signal.hz, *lasts));
    Signal {
        flipped: flipped.collect(),
        ..signal.clone()
    }
}

#[test]
fn a_clean_capture_has_nothing_wrong() {
    let mut random = ChaCha8Rng::seed_from_u64(3);
    for seed in 0..60 {
        let low = random.random_range(-1.0..2.0);
        let hz: f64 = 10_f64.powf(random.random_range(1.3..3.5));
        let signal = Signal {
            hz,
            jitter: random.random_range(0.0..0.002),
            levels: (low, low + random.random_range(3.0..24.0)),
            noise: random.random_range(0.0..0.1),
            sample_hz: hz * random.random_range(110.0..900.0),
            seed,
            ..Signal::steady(random.random_range(0.05..0.95), 40.0 / hz)
        };
        let found = read(&signal.csv(), &Asked::default());
        let found = found.unwrap_or_else(|error| panic!("{signal:?}: {error}"));
        assert_eq!(found.troubles, [], "{signal:?}");
        assert!((found.duty.mean - signal.duty[0].1).abs() < 0.003, "{signal:?}");
    }
}

#[test]
fn a_list_of_changes_is_as_good_as_samples() {
    let mut text = "time_ms,level_v\n".to_owned();
    for number in 0..2000 {
        let from = 10.0 * f64::from(number);
        text += &format!("{from:.4},1\n{:.4},0\n", from + 2.5 + 0.01 * f64::from(number % 3));
    }
    let found = read(&text, &Asked::default()).expect("a signal");
    assert!(
        found.levels.changes_only && found.troubles.is_empty(),
        "{:?}",
        found.troubles
    );
    assert!((found.duty.mean - 0.251).abs() < 1e-6 && (1.0 / found.period.mean - 100.0).abs() < 1e-6);
    assert!((found.duty.least - 0.25).abs() < 1e-9 && (found.duty.greatest - 0.252).abs() < 1e-9);
}

// ---- what is wrong -----------------------------------------------------------------------------------------------------------------

/// Changes the lines of an export.
type Wreck = fn(&mut Vec<String>);

const GARBAGE: Wreck = |lines| "overload".clone_into(&mut lines[500]);
const BACKWARDS: Wreck = |lines| {
    let again = lines[19_000..20_000].to_vec();
    lines.splice(20_000..20_000, again);
};
const GAP: Wreck = |lines| {
    lines.drain(30_000..31_234);
};
const GLITCH: Wreck = |lines| {
    for line in &mut lines[10_200..10_205] {
        let (time, _) = line.split_once(',').expect("two columns");
        let volt = if line.ends_with('9') { 0.0 } else { 2.45 };
        *line = format!("{time},{volt}");
    }
};
const SAME_TIME: Wreck = |lines| {
    let (time, _) = lines[12_344].split_once(',').expect("two columns");
    lines[12_345] = format!("{time},4.7");
};
const CLIPPED: Wreck = |lines| {
    for line in &mut lines[1..] {
        let (time, volt) = line.split_once(',').expect("two columns");
        *line = format!("{time},{:.2}", volt.parse::<f64>().expect("a number").min(4.6));
    }
};

#[test]
fn each_thing_wrong_is_named_and_nothing_else() {
    let check = |wreck: Wreck, wanted: Kind| {
        let mut lines = Signal::steady(0.4, 1.0).lines();
        wreck(&mut lines);
        assert_eq!(kinds(&lines.join("\n")), [wanted]);
    };
    check(GAP, Kind::Gap);
    check(SAME_TIME, Kind::SameTime);
    check(CLIPPED, Kind::Clipped);
    let slow = |sample_hz| Signal {
        sample_hz,
        hz: 101.3,
        ..Signal::steady(0.4, 5.0)
    };
    assert_eq!(kinds(&slow(5e3).csv()), [Kind::TooSlow]);
    assert_eq!(kinds(&slow(2e4).csv()), []);
    assert_eq!(kinds(&Signal::steady(0.4, 0.06).csv()), [Kind::TooShort]);
    let missing = Signal {
        missing: vec![30, 31],
        ..Signal::steady(0.4, 1.0)
    };
    assert_eq!(kinds(&missing.csv()), [Kind::Missing]);
    let glitch = Signal {
        flipped: vec![(0.5042, 5e-5)],
        ..Signal::steady(0.4, 1.0)
    };
    assert_eq!(kinds(&glitch.csv()), [Kind::Glitch]);
}

/// Runs the command on a capture that was wrecked, and expects an exit code and words, all of them.
#[track_caller]
fn check_command(signal: &Signal, wrecks: &[Wreck], code: i32, words: &[&str]) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut lines = signal.lines();
    for wreck in wrecks {
        wreck(&mut lines);
    }
    fs::write(folder.path().join("c.csv"), lines.join("\n")).expect("written");
    let output = run(folder.path(), &["scope", "c.csv"], code);
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    // Wherever the lines end.
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for word in words {
        assert!(said.contains(word), "{word:?} is not in: {said}");
    }
    assert_eq!(folder.path().join("out").exists(), code != 2);
}

#[test]
fn three_things_wrong_are_all_named() {
    let steady = Signal::steady(0.4, 1.0);
    let told = [
        "c.csv:501: found \"overload\", wanted a row",
        "c.csv:20001: found 0.18999 s after 0.19998 s, wanted time",
        "c.csv:30001: found a gap of 0.01235 s in the samples, wanted one every 1e-5 s",
    ];
    check_command(&steady, &[GARBAGE, BACKWARDS, GAP], 2, &told);
    check_command(
        &steady,
        &[GAP, CLIPPED, GARBAGE],
        2,
        &["c.csv:501:", "c.csv:30001:", "a level cut off at 4.6 V"],
    );
    let slow = Signal {
        hz: 101.3,
        missing: vec![50],
        ..steady.clone()
    };
    let slow = Signal { hz: 2013.0, ..slow };
    let told = [
        "too slow for 2013 Hz",
        "pulses missing from",
        "a gap of",
        "Verdict: failed",
    ];
    check_command(&slow, &[GAP], 1, &told);
    check_command(&steady, &[GLITCH, SAME_TIME, GAP], 1, &["0.12343 s twice", "a gap of"]);
}

#[test]
fn what_holds_no_signal_is_bad_input() {
    let none = Signal {
        levels: (3.3, 3.3),
        ..Signal::steady(0.4, 0.2)
    };
    check_command(
        &none,
        &[],
        2,
        &["found no edges", "wanted a signal that goes to and fro"],
    );
    check_command(&none, &[GARBAGE], 2, &["overload", "found no edges"]);
    let once = Signal {
        duty: vec![(0.0, 0.5), (0.009, 0.5)],
        ..Signal::steady(0.4, 0.2)
    };
    check_command(&once, &[], 2, &["not one whole period"]);
    let folder = tempfile::tempdir().expect("a folder");
    for (name, says) in [("none.csv", "No such file"), (".", "no regular file")] {
        let output = run(folder.path(), &["scope", name], 2);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains(says) && said.contains("wanted a CSV file"), "{said}");
    }
}

// ---- the lever ---------------------------------------------------------------------------------------------------------------------

/// A lever swept the way that is asked for.
fn sweep(neutral: f64, extend: f64, retract: f64) -> Signal {
    let corners = [
        (0.0, neutral),
        (0.8, neutral),
        (2.0, extend),
        (2.8, extend),
        (4.0, neutral),
        (4.8, neutral),
        (6.0, retract),
        (6.8, retract),
        (8.0, neutral),
        (8.8, neutral),
    ];
    Signal {
        hz: 143.0,
        duty: corners.to_vec(),
        jitter: 0.0005,
        sample_hz: 4e4,
        ..Signal::steady(0.5, 1.0)
    }
}

#[test]
fn levers_of_any_kind_are_understood() {
    let mut random = ChaCha8Rng::seed_from_u64(4);
    for seed in 0..12 {
        let neutral = random.random_range(0.35..0.65);
        let (more, less) = (random.random_range(0.1..0.3), random.random_range(0.1..0.3));
        let reversed = seed % 2 == 1;
        let (extend, retract) = if reversed {
            (neutral - less, neutral + more)
        } else {
            (neutral + more, neutral - less)
        };
        let signal = Signal {
            seed,
            ..sweep(neutral, extend, retract)
        };
        let swept = Asked {
            sweep: true,
            ..Asked::default()
        };
        let marks = [
            "neutral=0.1..0.7",
            "extend=2.1..2.7",
            "neutral=4.1..4.7",
            "retract=6.1..6.7",
        ];
        let marked = Asked {
            marks: marks.map(|mark| mark.parse().expect("a mark")).to_vec(),
            ..Asked::default()
        };
        for asked in [swept, marked] {
            let found = read(&signal.csv(), &asked).expect("a signal");
            assert_eq!(found.troubles, []);
            let lever = found.lever.expect("a lever");
            let channel = lever.channel;
            let close = |found: f64, made: f64| (found - made).abs() < 0.0015;
            assert!(close(channel.neutral, neutral), "{channel:?} {neutral}");
            assert!(
                close(channel.band[0], extend.min(retract)) && close(channel.band[1], extend.max(retract)),
                "{channel:?}"
            );
            assert_eq!(channel.reversed, reversed);
            assert!(lever.neutral_band[0] < neutral && neutral < lever.neutral_band[1]);
        }
    }
}

#[test]
fn a_channel_is_written_on_consent_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let before = bellcrank_machine::builtin("yard-digger").expect("built in");
    let file = folder.path().join("m.toml");
    fs::write(&file, before).expect("written");
    fs::write(folder.path().join("s.csv"), sweep(0.5, 0.75, 0.25).csv()).expect("written");
    let command = ["scope", "s.csv", "--sweep", "--axis", "stick", "--write", "m.toml"];
    let said = json(folder.path(), &command);
    assert_eq!(said["revision"]["written"], false);
    assert_eq!(fs::read_to_string(&file).expect("there"), before);
    let said = json(folder.path(), &[&command[..], &["--yes"]].concat());
    assert_eq!(said["revision"]["written"], true);
    let machine = bellcrank_machine::load(&file).expect("a machine");
    let bellcrank_machine::description::Channel::Pwm { neutral, band, .. } = machine.axes[2].channel else {
        panic!("a duty");
    };
    assert!((neutral - 0.5).abs() < 1e-3 && (band.0 - 0.25).abs() < 1e-3 && (band.1 - 0.75).abs() < 1e-3);
    let after = fs::read_to_string(&file).expect("there");
    assert_eq!(after.lines().count(), before.lines().count() + 1);
    assert!(after.contains("bellcrank scope of s.csv; was channel = { neutral = 0.5, band = [0.1, 0.9] }"));
    assert!(
        folder
            .path()
            .join(said["picture_file"].as_str().expect("a name"))
            .exists()
    );

    // Nothing comes of a capture with something wrong in it, and a wrong axis is told before anything else is written.
    let mut lines = sweep(0.5, 0.8, 0.25).lines();
    GAP(&mut lines);
    fs::write(folder.path().join("s.csv"), lines.join("\n")).expect("written");
    run(folder.path(), &[&command[..], &["--yes"]].concat(), 1);
    assert_eq!(fs::read_to_string(&file).expect("there"), after);
    let wrong = run(
        folder.path(),
        &["scope", "s.csv", "--sweep", "--axis", "sick", "--write", "m.toml"],
        2,
    );
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("wanted one of slew, boom, stick, bucket"));
}

#[test]
fn marks_come_from_a_file_too() {
    let folder = tempfile::tempdir().expect("a folder");
    let marks = [(0.0, 0.1, 0.7), (1.0, 2.1, 2.7), (-1.0, 6.1, 6.7), (0.5, 1.38, 1.42)];
    let table = |(lever, from, until)| format!("[[mark]]\nlever = {lever:?}\nfrom_s = {from}\nuntil_s = {until}\n");
    fs::write(folder.path().join("marks.toml"), marks.map(table).concat()).expect("written");
    fs::write(folder.path().join("s.csv"), sweep(0.5, 0.75, 0.25).csv()).expect("written");
    let said = json(folder.path(), &["scope", "s.csv", "--marks", "marks.toml"]);
    let rests = said["lever"]["rests"].as_array().expect("rests");
    assert_eq!(rests.len(), 4);
    // On the way at half the lever, which is a straight line here.
    assert!((rests[3]["duty"].as_f64().expect("a number") - 0.625).abs() < 0.003);
    assert!(said["lever"]["off_straight_percent"].as_f64().expect("a number") < 1.5);
}

// ---- long captures ------------------------------------------------------------------------------------------------------------------

/// Peak memory of the command on a capture of so many bytes, kB, looked up while it runs.
fn peak(folder: &Path, bytes: usize) -> u64 {
    let path = folder.join(format!("{bytes}.csv"));
    Signal::steady(0.37, 3.0)
        .write(fs::File::create(&path).expect("made"), bytes)
        .expect("written");
    let program = bellcrank().get_program().to_owned();
    let mut child = Command::new(program)
        .args(["scope", path.to_str().expect("UTF-8")])
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("it runs");
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    while child.try_wait().expect("it ends").is_none() {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kilobytes = line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok());
        peak = peak.max(kilobytes.unwrap_or(0));
    }
    peak
}

#[test]
fn memory_does_not_grow_with_the_capture() {
    let folder = tempfile::tempdir().expect("a folder");
    let (short, long) = (peak(folder.path(), 6_000_000), peak(folder.path(), 60_000_000));
    // The program itself is some ten megabytes, and what is looked at of a capture as many again.
    assert!(short > 1_000 && short < 60_000, "{short} kB");
    assert!(long < short + 4_000, "{short} kB for 6 MB, {long} kB for 60 MB");
}
