//! The commissioning record: order and reasons, bounds out of the machine file, what a changed machine file does, and a record that shows what was
//! done to it.

use std::fs;
use std::path::Path;

use bellcrank_machine::builtin;
use bellcrank_sim::signoff::record::Answered;
use bellcrank_sim::signoff::{Machine, Offered, Refusal, Signoff, Standing};

use crate::command::{json, run};

fn offered(check: &str, verdict: Answered) -> Offered {
    Offered {
        check: check.to_owned(),
        verdict,
        value: None,
        read_from: None,
        by: "ab".to_owned(),
        note: "seen".to_owned(),
    }
}

/// A passing answer with a value in the middle of what is good.
fn pass(signoff: &Signoff, check: &str) -> Offered {
    let reading = signoff
        .machine
        .checks
        .iter()
        .find(|known| known.id == check)
        .and_then(|check| check.reading.clone());
    let value = reading.map(|reading| match (reading.least, reading.most) {
        (Some(least), Some(most)) => f64::midpoint(least, most),
        (least, most) => least.or(most).unwrap_or(0.0),
    });
    Offered {
        value,
        ..offered(check, Answered::Pass)
    }
}

fn begun(folder: &Path, name: &str) -> Signoff {
    Signoff::open(&folder.join("r.signoff"), Machine::load(name).expect("a machine")).expect("a record")
}

/// Passes everything that is next, until nothing is, or so many have.
fn go_on(signoff: &mut Signoff, most: usize) -> usize {
    for done in 0..most {
        let Some(next) = signoff.next() else { return done };
        let id = signoff.machine.checks[next].id.clone();
        signoff
            .answer(pass(signoff, &id))
            .unwrap_or_else(|refused| panic!("{id}: {refused}"));
    }
    most
}

#[test]
fn every_machine_can_be_signed_off_in_order() {
    let folder = tempfile::tempdir().expect("a folder");
    for name in ["yard-digger", "drystone-setter", "servo-digger"] {
        let mut signoff = begun(folder.path(), name);
        let all = signoff.machine.checks.len();
        assert!(!signoff.is_done());
        assert_eq!(go_on(&mut signoff, usize::MAX), all);
        assert!(signoff.is_done());
    }
}

#[test]
fn what_has_not_its_turn_is_refused_with_the_reason() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut signoff = begun(folder.path(), "yard-digger");
    let before = signoff.clone();
    let refused = signoff.answer(pass(&signoff, "motion/way/boom")).unwrap_err();
    let said = refused.to_string();
    assert!(
        matches!(refused, Refusal::Order { .. }) && said.contains("engine/dump (not yet)"),
        "{said}"
    );
    assert_eq!(signoff.record, before.record);
    let said = signoff
        .answer(offered("power/stop/saet", Answered::Pass))
        .unwrap_err()
        .to_string();
    assert!(said.contains("power/stop/seat?"), "{said}");
}

#[test]
fn a_failed_check_blocks_what_builds_on_it_and_nothing_else() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut signoff = begun(folder.path(), "yard-digger");
    let at = |signoff: &Signoff, id: &str| {
        signoff
            .machine
            .checks
            .iter()
            .position(|check| check.id == id)
            .expect("a check")
    };
    // Everything up to the boom's sensor, which fails.
    while signoff
        .next()
        .is_some_and(|next| signoff.machine.checks[next].id != "power/sensor/boom")
    {
        go_on(&mut signoff, 1);
    }
    signoff
        .answer(Offered {
            value: Some(0.1),
            ..offered("power/sensor/boom", Answered::Fail)
        })
        .expect("taken");
    go_on(&mut signoff, usize::MAX);
    let standings = signoff.standings();
    let blocked = |id: &str| matches!(standings[at(&signoff, id)], Standing::Blocked(_));
    assert!(blocked("motion/way/boom") && blocked("motion/speed-out/boom") && blocked("tip/first/digger"));
    for axis in ["slew", "stick", "bucket"] {
        assert!(
            matches!(
                standings[at(&signoff, &format!("motion/ends/{axis}"))],
                Standing::Answered(_)
            ),
            "{axis}"
        );
    }
    assert!(!signoff.is_done());
    // Put right and answered again, everything is open.
    signoff.answer(pass(&signoff, "power/sensor/boom")).expect("taken");
    go_on(&mut signoff, usize::MAX);
    assert!(signoff.is_done());
}

#[test]
fn values_are_held_to_the_machine_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut signoff = begun(folder.path(), "yard-digger");
    while signoff
        .next()
        .is_some_and(|next| signoff.machine.checks[next].id != "power/supply")
    {
        go_on(&mut signoff, 1);
    }
    let mut said = |offered: Offered| signoff.answer(offered).unwrap_err().to_string();
    let supply = |verdict, value| Offered {
        value,
        ..offered("power/supply", verdict)
    };
    assert_eq!(
        said(supply(Answered::Pass, None)),
        "--value: found nothing, wanted control voltage: 20.4 to 28.8 V"
    );
    assert!(
        said(supply(Answered::Pass, Some(19.0)))
            .contains("found 19 V with the answer pass, wanted control voltage of 20.4 to 28.8 V")
    );
    assert!(
        said(Offered {
            note: String::new(),
            ..supply(Answered::Skip, None)
        })
        .contains("the reason why it is left out")
    );
    assert!(
        said(Offered {
            by: " ".to_owned(),
            ..supply(Answered::Pass, Some(24.0))
        })
        .contains("--by")
    );
    assert!(
        said(Offered {
            value: Some(1.0),
            ..offered("cold/file", Answered::Pass)
        })
        .contains("measures nothing")
    );
    signoff
        .answer(supply(Answered::Fail, Some(19.0)))
        .expect("a fail may be out of bounds");
    signoff.answer(supply(Answered::Pass, Some(24.0))).expect("within");
}

#[test]
fn a_changed_machine_file_is_named_with_what_is_to_be_repeated() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("m.toml");
    let text = builtin("yard-digger").expect("built in");
    fs::write(&file, text).expect("written");
    let name = file.to_str().expect("UTF-8");
    let mut signoff = begun(folder.path(), name);
    go_on(&mut signoff, usize::MAX);
    signoff.record.write().expect("written");

    // Words alone: nothing is to be repeated, and yet it is another file.
    fs::write(&file, format!("{text}# a word more\n")).expect("written");
    let mut signoff = begun(folder.path(), name);
    assert!(!signoff.is_done() && signoff.outdated().is_empty());
    let said = signoff.answer(pass(&signoff, "cold/file")).unwrap_err().to_string();
    assert!(
        said.contains("found another machine file")
            && said.contains("nothing that was checked rests on what has changed"),
        "{said}"
    );
    assert_eq!(signoff.accept_machine(&[], "ab").expect("taken on"), [] as [&str; 0]);
    assert!(signoff.is_done());
    signoff.record.write().expect("written");

    // The bucket's sensor: what it is about, and the tip that hangs on it.
    let changed = text.replace("at_mm = [0, 405]", "at_mm = [0, 404]");
    fs::write(&file, changed).expect("written");
    let mut signoff = begun(folder.path(), name);
    let again = signoff
        .accept_machine(&["engine/dump".to_owned()], "cd")
        .expect("taken on");
    assert!(
        again.contains(&"motion/sensor/bucket".to_owned()) && again.contains(&"engine/dump".to_owned()),
        "{again:?}"
    );
    assert!(
        again
            .iter()
            .all(|id| id.ends_with("bucket") || id.starts_with("tip/") || id == "cold/file" || id == "engine/dump"),
        "{again:?}"
    );
    assert!(signoff.accept_machine(&["engine/damp".to_owned()], "cd").is_err());
    assert_eq!(go_on(&mut signoff, usize::MAX), again.len());
    assert!(signoff.is_done());
}

#[test]
fn the_command_keeps_a_record_that_shows_what_was_done_to_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    let base = ["signoff", "r.signoff", "--machine", "yard digger"];
    let with = |more: &[&str], code| run(here, &[&base[..], more].concat(), code);
    // Nothing is written by looking.
    with(&["--next"], 0);
    assert!(!here.join("r.signoff").exists());
    let told = with(&["--answer", "cold/wiring", "pass", "--by", "ab"], 2);
    assert!(String::from_utf8_lossy(&told.stderr).contains("cold/energy (not yet)"));
    for check in ["cold/file", "cold/person", "cold/energy", "cold/wiring"] {
        with(&["--answer", check, "pass", "--by", "ab"], 0);
    }
    with(
        &["--answer", "power/supply", "fail", "--by", "ab", "--value", "12.5"],
        1,
    );
    with(
        &["--answer", "power/supply", "pass", "--by", "ab", "--value", "24.1"],
        0,
    );
    with(&[], 1);
    let said = json(here, &[&base[..], &["--next"]].concat());
    assert_eq!((said["passed"].as_u64(), said["entries"].as_u64()), (Some(5), Some(7)));
    assert_eq!(said["next"], "cold/valve/slew");
    let seal = said["seal"].as_str().expect("a seal").to_owned();
    run(here, &["signoff", "r.signoff", "--verify", "--seal", &seal[..16]], 0);

    let text = fs::read_to_string(here.join("r.signoff")).expect("there");
    let tampered = |text: &str, code, says: &str| {
        fs::write(here.join("t.signoff"), text).expect("written");
        let output = run(here, &["signoff", "t.signoff", "--verify", "--seal", &seal], code);
        let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        assert!(said.contains(says), "{says:?} is not in {said}");
    };
    tampered(&text, 0, "7 entries");
    tampered(&text.replace("12.5", "22.5"), 1, "t.signoff:6:");
    let lines: Vec<&str> = text.split_inclusive('\n').collect();
    tampered(&[lines[..2].concat(), lines[3..].concat()].concat(), 1, "t.signoff:3:");
    tampered(&lines[..5].concat(), 1, "entries were taken off the end");
    tampered("hello\n", 2, "wanted the record of a commissioning");
    // Nothing is added to what does not fit, and another machine's record is not gone on with.
    fs::write(here.join("r.signoff"), text.replace("12.5", "22.5")).expect("written");
    with(&["--answer", "cold/valve/slew", "pass", "--by", "ab"], 2);
    fs::write(here.join("r.signoff"), &text).expect("written");
    let other = run(
        here,
        &["signoff", "r.signoff", "--machine", "drystone setter", "--next"],
        2,
    );
    assert!(
        String::from_utf8_lossy(&other.stderr)
            .contains("found the record of \"yard digger\", wanted that of \"drystone setter\"")
    );
}

#[test]
fn a_value_is_read_from_the_record_of_a_run() {
    let folder = tempfile::tempdir().expect("a folder");
    let here = folder.path();
    let mut signoff = begun(here, "yard-digger");
    while signoff
        .next()
        .is_some_and(|next| signoff.machine.checks[next].id != "engine/pressure")
    {
        go_on(&mut signoff, 1);
    }
    signoff.record.write().expect("written");
    run(here, &["rehearse", "straight-lift"], 0);
    let base = ["signoff", "r.signoff", "--machine", "yard-digger"];
    let answer = [
        "--answer",
        "engine/pressure",
        "pass",
        "--by",
        "ab",
        "--read",
        "out/straight-lift.csv",
    ];
    run(here, &[&base[..], &answer].concat(), 0);
    let said = json(here, &[&base[..], &["--list", "--page"]].concat());
    let check = said["checks"]
        .as_array()
        .and_then(|checks| checks.iter().find(|check| check["check"] == "engine/pressure").cloned())
        .expect("there");
    let value: f64 = check["value"]
        .as_str()
        .and_then(|value| value.strip_suffix(" bar"))
        .and_then(|value| value.parse().ok())
        .expect("bar");
    assert!((150.0..=240.0).contains(&value), "{value}");
    let page = fs::read_to_string(here.join(said["page_file"].as_str().expect("a page"))).expect("there");
    let caution = page.find("injects through skin").expect("cautions");
    assert!(caution < page.find("engine/pressure").expect("checks") && page.contains("Competent person"));
    assert!(!page.contains("<script") && page.contains("straight-lift.csv"));
    // A check that no log tells is typed.
    let told = run(
        here,
        &[
            &base[..],
            &["--answer", "engine/dump", "pass", "--by", "ab", "--read", "none.csv"],
        ]
        .concat(),
        2,
    );
    assert!(String::from_utf8_lossy(&told.stderr).contains("none.csv: no such file"));
}
