//! Logs for `trim` that cannot be read.

use super::check;

const HEAD: &str = "t_s,axis,command,signal_v\n";

#[track_caller]
fn log(text: &str, says: &[&str]) {
    let arguments = ["--out", ".", "trim", "yard digger", "--log", "log.csv"];
    check(("log.csv", text.as_bytes()), &arguments, says);
}

#[test]
fn columns_that_are_missing() {
    let seen = "log.csv:1: command: found the columns t_s, axis, signal_v, wanted a column command";
    log("t_s,axis,signal_v\n0,stick,5\n", &[seen]);
    let seen =
        "log.csv:1: signal_v: found the columns t_s, axis, command, wanted a column signal_v, stroke_mm or stroke_deg";
    log("t_s,axis,command\n0,stick,0\n", &[seen]);
    log("", &["log.csv:1: t_s: found no columns, wanted a column t_s"]);
    log(HEAD, &["log.csv:1: t_s: found no rows, wanted a row for each reading"]);
}

#[test]
fn cells_that_are_wrong() {
    let row = |row: &str| format!("{HEAD}0.0,stick,0.0,5.0\n{row}\n");
    log(
        &row("0.1,stick,half,5.0"),
        &["log.csv:3: command: found \"half\", wanted a number"],
    );
    log(
        &row("0.1,stick,0.5,NaN"),
        &["log.csv:3: signal_v: found \"NaN\", wanted a number"],
    );
    log(
        &row("0.1,stick,0.5,"),
        &["log.csv:3: stroke_mm: found nothing, wanted a voltage or a stroke"],
    );
    log(
        &row("0.1,stick,50,5.0"),
        &["log.csv:3: command: found 50, wanted a share of full command, -1 to 1"],
    );
    log(
        &row("0.1,stik,0.5,5.0"),
        &["log.csv:3: axis: found \"stik\", wanted one of slew, boom, stick, bucket"],
    );
    log(
        &row("0.0,stick,0.5,5.0"),
        &["log.csv:3: t_s: found 0 s, wanted a time after 0 s, the row before of this axis"],
    );
    log(&row("0.1,stick,0.5"), &["log.csv", "line: 3", "wanted a log as CSV"]);
    log(&row("0.1,stick,0.5,5.0\u{0},"), &["log.csv", "line: 3"]);
}

#[test]
fn what_is_no_log_at_all() {
    let arguments = ["--out", ".", "trim", "yard digger", "--log", "none.csv"];
    check(
        ("log.csv", b""),
        &arguments,
        &["none.csv", "found a file that cannot be read", "wanted a log as CSV"],
    );
    let bytes = [HEAD.as_bytes(), b"0.0,st\xffck,0.0,5.0\n"].concat();
    let arguments = ["--out", ".", "trim", "yard digger", "--log", "log.csv"];
    check(
        ("log.csv", &bytes),
        &arguments,
        &["log.csv", "found a file that cannot be read"],
    );
}

#[test]
fn what_was_asked_does_not_fit() {
    let text = format!("{HEAD}0.0,stick,0.0,5.0\n");
    let file = ("log.csv", text.as_bytes());
    let trim = ["--out", ".", "trim", "yard digger"];
    let asked = |more: &[&'static str]| [&trim[..], more].concat();
    check(
        file,
        &asked(&["--log", "log.csv", "--axis", "boom"]),
        &["--axis: found \"boom\", wanted one of those in the log, stick"],
    );
    check(
        file,
        &asked(&["--axis", "arm"]),
        &["--axis: found \"arm\", wanted one of slew, boom, stick, bucket"],
    );
    check(
        file,
        &asked(&["--speed-percent", "3"]),
        &["--speed-percent: found 3, wanted 5 to 100"],
    );
    check(
        file,
        &asked(&["--travel-percent", "NaN"]),
        &["--travel-percent: found NaN, wanted 5 to 70"],
    );
    check(file, &asked(&["--plan", "--log", "log.csv"]), &["cannot be used with"]);
}
