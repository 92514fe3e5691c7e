//! What a scenario has the hands do with tips, told wrongly.

use super::{changed, check};

/// A built-in scenario with a piece of it replaced.
#[track_caller]
fn check_built_in(name: &str, piece: &str, replacement: &str, says: &[&str]) {
    let text = bellcrank_sim::scenario::builtin(name).expect("built in");
    let (text, line) = changed(text, piece, replacement);
    let line = format!("line {line}:");
    let says = [&["bad.toml", &line], says].concat();
    check(("bad.toml", text.as_bytes()), &["rehearse", "bad.toml"], &says);
}

#[test]
fn what_hands_are_told_to_do_with_tips() {
    let go_to = |from, to, says: &[&str]| check_built_in("go-to", from, to, says);
    go_to(
        "by_mm = [0, 300, 400]",
        "by_mm = [0, 300]",
        &["by_mm: found [0, 300], wanted three numbers"],
    );
    go_to(
        "by_mm = [0, 300, 400], ",
        "",
        &["neither by_mm nor at_mm, wanted one of the two"],
    );
    go_to(
        "by_mm = [0, 300, 400]",
        "by_mm = [0, 300, 400], at_mm = [0, 0, 0]",
        &["both by_mm and at_mm, wanted one of the two"],
    );
    go_to(
        "frame = \"seat\"",
        "frame = \"sky\"",
        &["frame: found \"sky\"", "\"machine\" or \"seat\" or \"tool\""],
    );
    go_to(
        "speed_mm_s = 200",
        "speed_mm_s = 0",
        &["speed_mm_s: found 0, wanted a number from 1 to 5000"],
    );
    go_to(
        "go_to = { arm = \"left\"",
        "go_to = { arm = \"boom\"",
        &["no arm \"boom\""],
    );
    go_to(
        "mode = \"tip\"",
        "mode = \"lift\"",
        &["mode: found \"lift\"", "\"joint\" or \"tip\" or \"carry\""],
    );
    go_to("neutral = true", "slow = 1", &["slow: found 1, wanted true or false"]);
    go_to("neutral = true", "frame = \"deck\"", &["frame: found \"deck\""]);
    go_to(
        "along_line_mm = 490",
        "along_line_mm = -1",
        &["along_line_mm: found -1"],
    );

    let carry = |from, to, says: &[&str]| check_built_in("carry-lift", from, to, says);
    carry(
        "tip = { arm = \"left\"",
        "tip = { arm = \"right\"",
        &["arm: found \"right\", wanted \"left\": in carry mode"],
    );
    carry(
        "200] }",
        "200], yaw_deg_s = 5 }",
        &["yaw_deg_s: found 5.0 deg/s, wanted no yaw_deg_s: this arm has no lever for it"],
    );
    carry(
        "200] }",
        "200], roll_deg_s = 50 }",
        &["roll_deg_s: found 50.0 deg/s, wanted at most 25.0 deg/s"],
    );
    carry("apart_mm = 10", "apart_mm = \"10\"", &["apart_mm: found \"10\""]);
    let names = &[
        "refused: found no zone, arm or axis \"chair\"",
        "\"seat\"",
        "\"out of reach\"",
    ];
    check_built_in(
        "go-to-through-the-seat",
        "refused = \"seat\"",
        "refused = \"chair\"",
        names,
    );

    let (text, _) = changed(
        bellcrank_sim::scenario::builtin("go-to").expect("built in"),
        "mode = \"tip\"",
        "mode = \"joint\"",
    );
    let says = ["go_to / arm: found a go_to outside tip mode, wanted mode = \"tip\""];
    check(("bad.toml", text.as_bytes()), &["rehearse", "bad.toml"], &says);
}
